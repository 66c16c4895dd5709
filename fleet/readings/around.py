"""The accepted readings some time before and after others, for a small chart beside each."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import date, timedelta
from functools import reduce
from operator import or_
from zoneinfo import ZoneInfo

from django.db.models import Case, Max, Q, When
from django.db.models.functions import TruncDate

from fleet.readings.models import Reading, Verdict
from fleet.today import today_at

BEFORE_D, AFTER_D = 200, 100  # shown about a reading: our choice
MOST_BEFORE, MOST_AFTER = 8, 4  # days with a reading


def around(readings: Sequence[Reading]) -> dict[int, list[tuple[date, float]]]:
    """Days at the depot and highest totals [km or h] nearest to each reading, by its id; one query
    for readings that were fetched with their vehicles' depots."""
    if not readings:
        return {}
    windows = [
        Q(
            meter=one.meter_id,
            taken_at__gte=one.taken_at - timedelta(days=BEFORE_D),
            taken_at__lte=one.taken_at + timedelta(days=AFTER_D),
        )
        for one in readings
    ]
    rows = (
        Reading.objects.filter(reduce(or_, windows), verdict=Verdict.ACCEPTED, total__isnull=False)
        .order_by()
        .annotate(on=_day_at_depot(readings))
        .values_list("meter_id", "on")
        .annotate(highest=Max("total"))
    )
    of_meter: dict[int, list[tuple[date, float]]] = defaultdict(list)
    for meter_id, on, highest in sorted(rows):
        of_meter[meter_id].append((on, highest))
    return {
        one.pk: _nearest(of_meter[one.meter_id], today_at(one.vehicle.depot.zone, one.taken_at))
        for one in readings
    }


def _day_at_depot(readings: Sequence[Reading]) -> Case:
    """The day of a reading by the clock of the depot of its meter's vehicle."""
    meters: dict[str, set[int]] = defaultdict(set)
    for one in readings:
        meters[one.vehicle.depot.zone].add(one.meter_id)
    days = (
        When(meter__in=of_zone, then=TruncDate("taken_at", tzinfo=ZoneInfo(zone)))
        for zone, of_zone in meters.items()
    )
    return Case(*days)


def _nearest(days: list[tuple[date, float]], on: date) -> list[tuple[date, float]]:
    before = [one for one in days if one[0] < on]
    after = [one for one in days if one[0] > on]
    return before[-MOST_BEFORE:] + after[:MOST_AFTER]
