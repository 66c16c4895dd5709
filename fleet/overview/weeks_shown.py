"""Hours and services of the weeks ahead, as charts show them, and where hours are lacking."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from fleet.overview.models import WorkAhead
from fleet.overview.weeks import WEEKS, Z_90, Week
from fleet.vehicles.models import Depot

SHORT_LEAST_H = 1.0  # a smaller lack of hours is not told; our choice


@dataclass(frozen=True)
class Bar:
    """Hours or services of one week at the depots chosen."""

    begin_on: date
    end_on: date
    mean: float
    low: float
    high: float
    capacity: float | None  # hours, where every depot's workshop is known


@dataclass(frozen=True)
class Short:
    """A week in which a workshop has fewer hours than fall due."""

    depot: str
    begin_on: date
    hours_h: float


@dataclass(frozen=True)
class Load:
    """The weeks ahead at some depots, in hours or services."""

    as_of_on: date
    overdue: float
    probably: float
    bars: Sequence[Bar]


def rows_of(depots: Collection[Depot]) -> list[WorkAhead]:
    """What the nights kept; one query."""
    rows = WorkAhead.objects.filter(depot__in=depots).select_related("depot")
    return list(rows.defer("sums"))


def load(rows: Sequence[WorkAhead], *, services: bool = False) -> Load | None:
    """Several depots together: means and variances add up, and the ends are those of a normal
    distribution; one depot has its own."""
    if not rows:
        return None
    by_week: dict[str, list[Week]] = defaultdict(list)
    for row in rows:
        for week in row.weeks:
            by_week[week["end_on"]].append(Week(**week))
    bars = [_bar(by_week[end_on], services) for end_on in sorted(by_week)[:WEEKS]]
    if services:
        late = (float(sum(row.overdue for row in rows)), float(sum(row.probably for row in rows)))
    else:
        late = (
            sum(row.overdue_min for row in rows) / 60,
            sum(row.probably_min for row in rows) / 60,
        )
    return Load(min(row.as_of_on for row in rows), *late, bars)


def _bar(weeks: Sequence[Week], services: bool) -> Bar:
    unit = 1.0 if services else 60.0
    one = weeks[0]
    mean = sum(week.mean if services else week.mean_min for week in weeks)
    var = sum(week.var if services else week.var_min for week in weeks)
    low, high = (one.low, one.high) if services else (one.low_min, one.high_min)
    if len(weeks) > 1:
        low, high = max(0.0, mean - Z_90 * var**0.5), mean + Z_90 * var**0.5
    capacity = [week.capacity_min for week in weeks]
    known = not services and None not in capacity
    return Bar(
        date.fromisoformat(min(week.begin_on for week in weeks)),
        date.fromisoformat(one.end_on),
        mean / unit,
        low / unit,
        high / unit,
        sum(filter(None, capacity)) / 60 if known else None,
    )


def first_short(rows: Sequence[WorkAhead]) -> Short | None:
    """The first week in which more falls due at a depot than its workshop has hours for, what is
    carried over counted in the first; of several the one that lacks most."""
    found = [short for row in rows for short in _shorts(row)]
    return min(found, key=lambda one: (one.begin_on, -one.hours_h), default=None)


def _shorts(row: WorkAhead) -> Iterable[Short]:
    """What falls due while a workshop is closed waits for the next week."""
    waiting_min = float(row.overdue_min + row.probably_min)
    for week in (Week(**one) for one in row.weeks):
        if week.capacity_min is None:
            return
        waiting_min += week.mean_min
        if week.capacity_min <= 0:
            continue
        lacking_h = (waiting_min - week.capacity_min) / 60
        if lacking_h >= SHORT_LEAST_H:
            yield Short(row.depot.name, date.fromisoformat(week.begin_on), lacking_h)
        waiting_min = 0.0
