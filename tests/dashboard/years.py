"""Two and a half years of readings for the first van, ninety km a day."""

from datetime import timedelta

from django.utils import timezone

from fleet import chain
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Source
from tests.cast import Cast

STEP_D = 30
KM_PER_DAY = 90.0


def years_of_readings(people: Cast) -> None:
    now = timezone.now().replace(microsecond=0)
    meter = people.van.meters.get()
    people.van.readings.all().delete()
    entries = [
        Entry(
            vehicle_id=people.van.pk,
            meter_id=meter.pk,
            taken_at=now - timedelta(days=STEP_D * at),
            time_known=True,
            value=90_000 - STEP_D * at * KM_PER_DAY,
            unit="km",
        )
        for at in range(30)
    ]
    enter(entries, Source.DEMO)
    chain.refresh([people.van.pk], now)
