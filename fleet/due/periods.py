"""Due dates by period: how many fall due when, depot by depot, and which are late by how much."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Count, Q, QuerySet

from fleet.due.listing import by_day, condition, days_late, state_on
from fleet.due.models import DueDate
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Vehicle

SOON_D, AHEAD_D = 7, 30  # the two near horizons: our choice


@dataclass(frozen=True)
class Horizons:
    """Last days of the periods, the same at every depot, as seen from one day."""

    today: date

    @property
    def soon(self) -> date:
        return self.today + timedelta(days=SOON_D)

    @property
    def ahead(self) -> date:
        return self.today + timedelta(days=AHEAD_D)

    @property
    def next_month_end(self) -> date:
        """Last day of the month after the present one."""
        in_next = self.today.replace(day=28) + timedelta(days=4)
        return (in_next.replace(day=28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)


@dataclass(frozen=True)
class Falling:
    """How many services of a depot are in each period; the periods overlap."""

    overdue: int = 0
    probably_overdue: int = 0
    soon: int = 0
    ahead: int = 0
    this_month: int = 0
    next_month: int = 0

    def __add__(self, other: "Falling") -> "Falling":
        return Falling(*(a + b for a, b in zip(self.figures, other.figures, strict=True)))

    @property
    def figures(self) -> tuple[int, ...]:
        return (
            *(self.overdue, self.probably_overdue, self.soon, self.ahead),
            *(self.this_month, self.next_month),
        )


@dataclass(frozen=True)
class Late:
    """A service past its day, for certain or probably."""

    vehicle: str  # fleet number
    service: str  # slug
    service_name: str
    depot_name: str
    since_on: date  # the day the limit was, or probably was, reached
    late_d: int
    certain: bool


def falling_due(days: Mapping[int, date], horizons: Horizons) -> dict[int, Falling]:
    """Counts by depot id, of depots with their days; one query (two around midnight)."""
    found = {}
    for today, pks in by_day(dict(days)):
        coming = condition("due_this_month", today) | condition("later", today)
        wanted = {
            "overdue": condition("overdue", today),
            "probably_overdue": condition("probably_overdue", today),
            "soon": coming & Q(sort_on__lte=horizons.soon),
            "ahead": coming & Q(sort_on__lte=horizons.ahead),
            "this_month": condition("due_this_month", today),
            "next_month": condition("later", today) & Q(sort_on__lte=horizons.next_month_end),
        }
        counts = {name: Count("pk", filter=which) for name, which in wanted.items()}
        rows = _up_to(max(today, horizons.next_month_end)).filter(depot__in=pks)
        counted = rows.order_by().values("depot").annotate(**counts)
        for depot, *figures in counted.values_list("depot", *wanted):
            found[depot] = Falling(*figures)
    return found


def late(days: Mapping[int, date], limit: int) -> list[Late]:
    """The longest late first, of depots with their days; one query (two around midnight)."""
    found = []
    for today, pks in by_day(dict(days)):
        which = condition("overdue", today) | condition("probably_overdue", today)
        order = ("sort_on", "vehicle_id", "service_id")
        first = _up_to(today).filter(which, depot__in=pks).order_by(*order)[:limit]
        # names are looked up for those alone that are told
        rows = DueDate.objects.filter(pk__in=first.values("pk")).order_by(*order)
        found += [_late(row, today) for row in rows.values(*OF_STATE, *NAMED.values())]
    return sorted(found, key=lambda one: -one.late_d)[:limit]


def _late(row: dict[str, Any], today: date) -> Late:
    return Late(
        **{name: row[column] for name, column in NAMED.items()},
        since_on=row["sort_on"],
        late_d=days_late(row["sort_on"], today),
        certain=state_on(row, today) == "overdue",
    )


OF_STATE = ("history_known", "calendar_on", "beyond_by_reading", "sort_on")
NAMED = {
    "vehicle": "vehicle__fleet_number",
    "service": "service__slug",
    "service_name": "service__name",
    "depot_name": "depot__name",
}


def overdue(days: Mapping[int, date]) -> QuerySet[DueDate]:
    """Services overdue now at depots with their days."""
    late = Q(pk__in=[])
    for today, pks in by_day(dict(days)):
        late |= condition("overdue", today) & Q(depot__in=pks, sort_on__lte=today)
    return in_the_fleet().filter(late)


def newly_overdue(days: Mapping[int, date], since: date) -> QuerySet[DueDate]:
    """Services overdue now whose limit was reached on a day or later."""
    return overdue(days).filter(sort_on__gte=since)


def unknown(depots: Depots) -> QuerySet[DueDate]:
    """Services whose history nobody knows."""
    return in_the_fleet().filter(history_known=False, depot__in=depots)


def has_any(depots: Depots) -> bool:
    """Whether there is any due date at some depots."""
    return in_the_fleet().filter(depot__in=depots).exists()


def in_the_fleet() -> QuerySet[DueDate]:
    """Those of vehicles that are not sold, without looking each vehicle up."""
    sold = Vehicle.objects.filter(status=Vehicle.Status.SOLD)
    return DueDate.objects.exclude(vehicle__in=sold.values("pk"))


def _up_to(last: date) -> QuerySet[DueDate]:
    """Those up to a day; what is late has a day in the past, so none of it is left out."""
    return in_the_fleet().filter(sort_on__lte=last)
