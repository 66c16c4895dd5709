"""Readings that nobody judged: a verdict comes with the upload, or with the next night."""

from collections.abc import Iterator

from django.db.models import Count, Min

from fleet.readings.models import Reading, Verdict


def unjudged() -> Iterator[str]:
    """Vehicles with readings that wait for a verdict, a sentence for each; one query."""
    rows = (
        Reading.objects.filter(verdict=Verdict.NOT_JUDGED)
        .order_by("vehicle__fleet_number")
        .values_list("vehicle__fleet_number")
        .annotate(Count("pk"), Min("taken_at"))
    )
    for number, count, first in rows:
        told = "a reading is" if count == 1 else f"{count:,} readings are"
        yield f"{number}: {told} not judged, since {first:%Y-%m-%d}: run sumpwise nightly."
