"""The meter that a vehicle is read by: its odometer, or engine hours where only those come."""

from django.db.models import Exists, OuterRef

from fleet.readings.models import Reading, Verdict
from fleet.reads import Rows, prepared
from fleet.vehicles.models import Meter


@prepared
def meters_in_use(vehicle_id: int) -> Rows:
    """Meters of a vehicle, those with accepted readings first, of these the odometer first."""
    accepted = Reading.objects.filter(meter=OuterRef("pk"), verdict=Verdict.ACCEPTED)
    found = Meter.objects.filter(vehicle=vehicle_id).annotate(used=Exists(accepted))
    return found.order_by("-used", "-kind")  # "km" goes before "hours" that way round


def main_meter(vehicle_id: int) -> Meter | None:
    """The meter that a vehicle is read by; None where it has none yet."""
    return next(iter(meters_in_use(vehicle_id)), None)
