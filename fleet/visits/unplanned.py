"""How much of a workshop's minutes unplanned work took lately, to hold what is kept against."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import OuterRef, Subquery

from fleet.vehicles.models import Depot
from fleet.visits.models import Workshop
from fleet.visits.places import gather_places
from fleet.visits.publish import BY_PLAN
from fleet.workorders.models import OrderEvent, WorkOrder

LOOK_BACK_D = 84  # our choice
LEAST_ORDERS = 20  # in that time, below which they tell nothing; our choice


@dataclass(frozen=True)
class Unplanned:
    """What the orders of some weeks tell of work that a person drafted on the day it began."""

    share: float  # of the minutes of all who were there
    orders: int  # that were unplanned
    of: int  # of so many begun in that time


def unplanned(depot: Depot, today: date) -> Unplanned | None:
    """Of a depot before a day; None: nobody is entered there, or too little was done."""
    zone, since = ZoneInfo(depot.zone), today - timedelta(days=LOOK_BACK_D)
    places = gather_places(depot, Workshop.of(depot), since, LOOK_BACK_D)
    present_min = float(places.mechanic_min.sum())
    rows = _orders(depot, _begin(since, zone), _begin(today, zone))
    if not any(places.mechanics) or not present_min or len(rows) < LEAST_ORDERS:
        return None
    taken_min = [
        ((ended - begun).total_seconds() - waited_s) / 60
        for drafted, begun, ended, waited_s in rows
        if drafted and len({at.astimezone(zone).date() for at in (drafted, begun, ended)}) == 1
    ]  # a night is no work
    return Unplanned(sum(taken_min) / present_min, len(taken_min), len(rows))


def _begin(on: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(on, datetime.min.time(), zone)


def _orders(
    depot: Depot, since: datetime, until: datetime
) -> list[tuple[datetime | None, datetime, datetime, int]]:
    """When orders of the own workshop were drafted, by a person and not by the plan, begun and
    finished; one query."""
    drafts = OrderEvent.objects.filter(order=OuterRef("pk"), what="draft", person__isnull=False)
    by_hand = drafts.exclude(reason=BY_PLAN).order_by("pk").values("performed_at")
    rows = WorkOrder.objects.filter(
        depot=depot,
        where=WorkOrder.Where.OWN,
        started_at__gte=since,
        finished_at__lt=until,
    ).annotate(drafted_at=Subquery(by_hand[:1]))
    given = rows.order_by("pk").values_list("drafted_at", "started_at", "finished_at", "waited_s")
    return [(drafted, begun, ended, s) for drafted, begun, ended, s in given if begun and ended]
