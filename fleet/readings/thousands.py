"""A point typed as a thousands mark: “78.310” beside an odometer of 78,300 km."""

from fleet.readings.cells import KM_PER
from fleet.readings.models import Reading, Verdict

SPARE_KM = 500.0  # more than the type runs at most since then; our choice
SECONDS_PER_DAY = 86_400


def meant(reading: Reading) -> float | None:
    """The meter value [km or h] with the point taken as a thousands mark, where that fits.

    None where the reading is accepted, or a thousandfold does not follow the meter's last one.
    """
    if reading.verdict == Verdict.ACCEPTED or reading.value >= 1000:
        return None
    last = (
        Reading.objects.filter(
            meter=reading.meter_id, verdict=Verdict.ACCEPTED, taken_at__lte=reading.taken_at
        )
        .exclude(pk=reading.pk)
        .order_by("-taken_at", "-pk")
        .first()
    )
    if last is None:
        return None
    value = round(reading.value * 1000) * KM_PER[reading.unit]
    days = (reading.taken_at - last.taken_at).total_seconds() / SECONDS_PER_DAY
    top_km = reading.meter.vehicle.vehicle_type.top_km_per_day * days + SPARE_KM
    return value if 0 <= value - last.meter_value <= top_km else None
