"""Whether the day that other work is fixed to can be kept, and which days near it could."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from fleet.faults import Question
from fleet.today import day
from fleet.vehicles.closures import closed_days
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits.models import Absence, BlockedDays

NEAR_D = 31  # looked at either way for another day; our choice
Span = tuple[date, date, str]  # first and last day, and why


@dataclass(frozen=True)
class Calendar:
    """When a depot takes visits, and when a vehicle can come."""

    depot: str
    week: str  # seven digits, Monday first
    closed: Mapping[date, str]  # beside its week, with why
    blocked: Sequence[Span]
    vehicle: str
    away: Sequence[Span]

    def closed_why(self, on: date) -> str:
        """Why the depot takes no vehicle on a day, in words; empty: it does."""
        if on in self.closed:
            return f"{self.depot} is closed on {day(on)}{_said(self.closed[on])}"
        if self.week[on.weekday()] != "1":
            return f"{self.depot} is closed on {day(on)}, as on every {on:%A}"
        for why in _why(self.blocked, on):
            return f"{self.depot} takes no visits on {day(on)}{_said(why)}"
        return ""

    def why_not(self, on: date) -> str:
        """Why the vehicle cannot come in on a day, in words; empty: it can."""
        why = self.closed_why(on)
        away = (f"{self.vehicle} is away on {day(on)}{_said(one)}" for one in _why(self.away, on))
        return why or next(away, "")

    def near(self, on: date, today: date) -> list[date]:
        """The last day before, and the first after, on which it can."""
        ways = ([_later(on, sign * apart) for apart in range(1, NEAR_D + 1)] for sign in (-1, 1))
        fits = (next((one for one in way if not self.why_not(one)), None) for way in ways)
        return [one for one in fits if one is not None and one >= today]


def doubt(calendar: Calendar, on: date, today: date, about: str = "fixed_on") -> Question | None:
    """What to ask about a fixed day to come; None: nothing."""
    why = calendar.why_not(on) if on >= today else ""
    if not why:
        return None
    near = [day(one) for one in calendar.near(on, today)]
    choose = f"choose {' or '.join(near)}" if near else "choose another day"
    return Question(
        f"{why}: no plan can keep that day. Is it right? Else {choose}.", near, about=about
    )


def calendar_of(vehicle: Vehicle, on: date) -> Calendar:
    """Of a vehicle at its depot, as far from a day as another is looked for; three queries."""
    return calendars([vehicle], vehicle.depot, on, on)[vehicle.pk]


def calendars(
    vehicles: Collection[Vehicle], depot: Depot, first: date, last: date
) -> dict[int, Calendar]:
    """The same of some vehicles at a depot, by id, about some days; three queries."""
    first, last = _later(first, -NEAR_D), _later(last, NEAR_D)
    inside = {"from_on__lte": last, "until_on__gte": first}
    spans = ("from_on", "until_on", "reason")
    blocked = list(BlockedDays.objects.filter(depot=depot, **inside).values_list(*spans))
    closed = closed_days([depot], first, last)[depot.pk]
    away: dict[int | None, list[Span]] = defaultdict(list)
    rows = Absence.objects.filter(vehicle__in=vehicles, **inside)
    for vehicle_id, *span in rows.values_list("vehicle", *spans):
        away[vehicle_id].append((span[0], span[1], span[2]))
    return {
        one.pk: Calendar(
            depot=depot.name,
            week=depot.working_days,
            closed=closed,
            blocked=blocked,
            vehicle=one.fleet_number,
            away=away[one.pk],
        )
        for one in vehicles
    }


def _later(on: date, days: int) -> date:
    """Some days after one (below zero: before); at the ends of the calendar the last there is."""
    within = min(max(on.toordinal() + days, date.min.toordinal()), date.max.toordinal())
    return date.fromordinal(within)


def _why(spans: Iterable[Span], on: date) -> list[str]:
    return [why for first, last, why in spans if first <= on <= last]


def _said(why: str) -> str:
    return f" ({why})" if why else ""
