"""What stands beside a reading that a person is to decide about: its neighbours, what was
expected, and what may have been meant.

Values are in the numbers of the reading's own meter [km or h], as the instrument shows them:
without the offset of meters that were replaced.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

import numpy as np
from django.db.models import Case, FloatField, OuterRef, Q, Subquery, When
from django.db.models.functions import Coalesce
from django.utils import timezone

from fleet.calc.arrays import Array
from fleet.calc.expectations import Base, Step
from fleet.calc.explanations import Typed
from fleet.calc.second_look import IN_THOUSANDS, TOTAL_GIVEN, Looked, between, look_again
from fleet.calc.verdicts import FUTURE_D
from fleet.readings.cells import KM_PER
from fleet.readings.judge import Meters, gather_meters
from fleet.readings.models import Reading, Verdict
from fleet.reads import Ids, Rows, prepared
from fleet.vehicles.models import MeterChange

# what a later reading can disprove: the judge had no better word when the reading came
DISPROVED = ("rolled_back", "new_meter", "jump")
NOT_THOUGHT_OF = (IN_THOUSANDS, TOTAL_GIVEN)  # by the judge
# an offset that nobody has confirmed is a guess; the instrument shows the number given
INSTRUMENT = Case(
    When(provisional=True, then=Coalesce("settled_value", "meter_value")), default="total"
)
NOTHING = Looked((), None, (np.nan, np.nan))  # of a reading with none before it


@dataclass(frozen=True, slots=True)
class Neighbour:
    """An accepted reading next to another in time."""

    taken_at: datetime
    value: float


@dataclass(frozen=True, slots=True)
class Meant:
    """A value that may have been meant, and by which slip."""

    reason: str
    value: float


@dataclass(frozen=True, slots=True)
class Beside:
    """What a person needs to see in order to decide about one reading."""

    unit: str  # of the vehicle's own meter: km, mi or h
    before: Neighbour | None
    after: Neighbour | None
    expected: float | None
    likely: tuple[float, float] | None  # from where to where a value is as expected
    candidates: tuple[Meant, ...]  # of those, likeliest first
    reason: str  # the judge's, or the slip that the next reading shows it to be
    suggestion: float | None
    shown_by_next: bool  # the reason rests on the reading after
    offset: float  # of replaced meters before it: total = value + offset
    top_per_day: float  # most that the vehicle can cover [km or h a day]
    grain: float  # 1 on a distance meter, .1 on an hour meter
    to_come: bool = False  # dated on a day that is still ahead, on which nobody read a meter

    @property
    def contested(self) -> bool:
        """Whether another value that may have been meant is nearer to what is expected than the
        one suggested: then nothing can be said to be sure."""
        if self.suggestion is None or self.expected is None:
            return False
        apart = abs(self.suggestion - self.expected)
        return any(abs(one.value - self.expected) < apart for one in self.candidates)


def beside(reading_ids: Collection[int]) -> dict[int, Beside]:
    """Look again at some readings, by id; two queries whatever their number."""
    rows = [Row(*row) for row in _with_neighbours(reading_ids)]
    if not rows:
        return {}
    meters = gather_meters(np.unique(np.array([row.meter_id for row in rows], dtype=np.int64)))
    following = [row for row in rows if row.before is not None]
    at = np.searchsorted(meters.id, [row.meter_id for row in following])
    looked = dict(_looked(following, meters, at)) if following else {}
    memory = meters.memory
    found = {}
    for row in rows:
        place = int(np.searchsorted(meters.id, row.meter_id))
        bounds = float(memory.top_km_per_day[place]), float(memory.grain[place])
        found[row.pk] = _beside(row, looked.get(row.pk), bounds)
    return found


class Row(NamedTuple):
    """A reading with the accepted ones about it, as the database gives them."""

    pk: int
    meter_id: int
    own_unit: str
    unit: str
    taken_at: datetime
    meter_value: float
    reason: str
    suggestion: float | None
    before_at: datetime | None
    before_total: float | None
    before_moved: bool | None
    after_at: datetime | None
    after_total: float | None
    after_moved: bool | None
    offset: float

    @property
    def before(self) -> Neighbour | None:
        return self._neighbour(self.before_at, self.before_total, self.before_moved)

    @property
    def after(self) -> Neighbour | None:
        return self._neighbour(self.after_at, self.after_total, self.after_moved)

    def _neighbour(
        self, taken_at: datetime | None, total: float | None, moved: bool | None
    ) -> Neighbour | None:
        if taken_at is None or total is None:
            return None
        return Neighbour(taken_at, total if moved else total - self.offset)


@prepared
def _with_neighbours(ids: Ids) -> Rows:
    """Readings, the instants and totals of the accepted ones about them, and their offset."""

    def nearest(where: Q, order: str, column: str) -> Subquery:
        counted = Q(verdict=Verdict.ACCEPTED) | Q(moves_base=True)
        found = Reading.objects.filter(counted, where, meter=OuterRef("meter"))
        ordered = found.annotate(instrument=INSTRUMENT).order_by(f"{order}taken_at", f"{order}id")
        return Subquery(ordered.values(column)[:1])

    earlier, later = Q(taken_at__lt=OuterRef("taken_at")), Q(taken_at__gt=OuterRef("taken_at"))
    changes = MeterChange.objects.filter(meter=OuterRef("meter"), from_at__lte=OuterRef("taken_at"))
    offset = Subquery(changes.order_by("-from_at").values("offset")[:1], FloatField())
    return Reading.objects.filter(pk__in=ids).values_list(
        *("pk", "meter_id", "meter__unit", "unit", "taken_at", "meter_value"),
        *("reason", "suggestion"),
        *(nearest(earlier, "-", column) for column in ("taken_at", "instrument", "provisional")),
        *(nearest(later, "", column) for column in ("taken_at", "instrument", "provisional")),
        Coalesce(offset, 0.0),
    )


@dataclass(frozen=True, slots=True)
class _Again:
    """A reading looked at once more, and what was expected of it."""

    looked: Looked
    expected: float


def _looked(rows: list[Row], meters: Meters, at: Array) -> Iterator[tuple[int, _Again]]:
    step, goes_on = step_of(rows, meters, at)
    typed = Typed(
        np.array([row.meter_value for row in rows]),
        np.array([KM_PER[row.unit] for row in rows]),
        np.zeros(len(rows)),
    )
    found = look_again(step, typed, goes_on, np.array([row.offset for row in rows]))
    expected = step.base_km + step.mean_km
    for row, looked, value in zip(rows, found, expected.tolist(), strict=True):
        yield row.pk, _Again(looked, value)


def step_of(rows: list[Row], meters: Meters, at: Array) -> tuple[Step, Array]:
    """What is expected of readings that have one before them; where the next goes on from it."""
    at_d = np.array([_days(row.taken_at) for row in rows])
    before_d, before = _apart([row.before for row in rows])
    after_d, after = _apart([row.after for row in rows])
    memory = meters.memory.take(at)
    base = Base(
        at_d=before_d,
        km=before,
        weight_d=memory.weight_d,
        weight_km=memory.weight_km,
        scatter=memory.scatter,
        rate_km_per_day=memory.rate_km_per_day,
        spread=memory.spread,
        top_km_per_day=memory.top_km_per_day,
        grain=memory.grain,
    )
    goes_on = after >= before - memory.grain
    after = np.where(goes_on, after, np.nan)  # else of another meter, and tells nothing
    return between(base.step(at_d), after_d - before_d, after), goes_on


def _days(instant: datetime) -> float:
    return instant.timestamp() / 86_400


def _apart(neighbours: list[Neighbour | None]) -> tuple[Array, Array]:
    """Instants [d] and values of neighbours; NaN where there is none."""
    pairs = [
        (np.nan, np.nan) if one is None else (_days(one.taken_at), one.value) for one in neighbours
    ]
    found = np.array(pairs, dtype=np.float64)
    return found[:, 0], found[:, 1]


def _beside(row: Row, again: _Again | None, bounds: tuple[float, float]) -> Beside:
    top, grain = bounds
    looked = again.looked if again else NOTHING
    to_come = _days(row.taken_at) > _days(timezone.now()) + FUTURE_D
    found = () if to_come else looked.candidates
    slip = looked.slip if row.after and row.reason in DISPROVED else None
    by_next = slip is not None
    if found and (row.suggestion is not None or found[0].reason in NOT_THOUGHT_OF):
        slip, by_next = found[0], False
    return Beside(
        unit=row.own_unit,
        before=row.before,
        after=row.after,
        expected=again.expected if again else None,
        likely=looked.likely if again else None,
        candidates=tuple(Meant(one.reason, one.km) for one in found),
        reason=slip.reason if slip else row.reason,
        suggestion=slip.km if slip else None,
        shown_by_next=by_next,
        offset=row.offset,
        top_per_day=top,
        grain=grain,
        to_come=to_come,
    )


def likely_meant(reading: Reading) -> float | None:
    """What was likely meant by a reading that is in doubt [km or h], where that is known."""
    if reading.verdict == Verdict.ACCEPTED:
        return None
    return beside([reading.pk])[reading.pk].suggestion
