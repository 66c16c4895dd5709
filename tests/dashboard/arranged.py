"""The cast as the pages show it: driven up to yesterday, an oil change at 24,000 km to come."""

from datetime import datetime, timedelta

from fleet.due.models import ServiceDone
from tests.cast import Cast, cast, driven, oil_change


def arrange(now: datetime) -> Cast:
    found = cast()
    service = oil_change(found)
    for van in (found.van, found.second_van, found.hill_van):
        ServiceDone.objects.create(
            vehicle=van,
            service=service,
            done_on=now.date() - timedelta(days=70),
            total_km=4_000,
            evidence=ServiceDone.Evidence.BASELINE,
            source="invented for the tests",
        )
    driven(found, now)
    return found
