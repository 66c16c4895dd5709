"""A point typed as a thousands mark: “78.310” beside an odometer of 78,300 km."""

from datetime import datetime
from typing import Protocol

from fleet.readings.cells import KM_PER
from fleet.readings.models import Reading, Verdict

MARK = "thousands_mark"
SPARE_KM = 500.0  # more than the type runs at most since then; our choice
SECONDS_PER_DAY = 86_400


class Given(Protocol):
    """A reading as it was given."""

    @property
    def meter_value(self) -> float: ...
    @property
    def unit(self) -> str: ...
    @property
    def taken_at(self) -> datetime: ...


def meant(reading: Reading) -> float | None:
    """The meter value [km or h] with the point taken as a thousands mark, where that fits.

    None where the reading is accepted, or a thousandfold does not follow the meter's last one.
    """
    if reading.verdict == Verdict.ACCEPTED:
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
    top_per_day = reading.meter.vehicle.vehicle_type.top_km_per_day
    return fitting(reading, (last.taken_at, last.meter_value), top_per_day)


def fitting(given: Given, last: tuple[datetime, float], top_per_day: float) -> float | None:
    """A thousandfold of what was given [km or h], where the meter can have come so far since."""
    given_value = given.meter_value / KM_PER[given.unit]
    if given_value >= 1000:
        return None
    last_at, last_value = last
    value = round(given_value * 1000) * KM_PER[given.unit]
    days = (given.taken_at - last_at).total_seconds() / SECONDS_PER_DAY
    return value if 0 <= value - last_value <= top_per_day * days + SPARE_KM else None
