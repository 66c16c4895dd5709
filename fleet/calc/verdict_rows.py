"""Rows that go into and come out of judging meter readings.

All times are days since the Unix epoch in UTC [d]. Distances are km; on an engine-hour meter the
same names carry hours and ``grain`` is .1.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import NamedTuple, Self, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]
Bools: TypeAlias = NDArray[np.bool_]
Codes: TypeAlias = NDArray[np.int8]

ACCEPTED, HELD, REJECTED = 1, 2, 3
"""Verdicts: counted, put before a person, not counted."""

FREE, DECIDED_ACCEPT, DECIDED_HELD, DECIDED_REJECT = 0, 1, 2, 3
"""What is already decided about a reading before it is judged."""

REASONS: tuple[str, ...] = (
    "",
    "future_date",
    "not_a_number",
    "duplicate",
    "contradicts_earlier_entry",
    "out_of_order",
    "digits_swapped",
    "miles_for_km",
    "last_digit_lost",
    "leading_digit_lost",
    "extra_digit",
    "wrong_digit",
    "rolled_back",
    "noted_late",
    "new_meter",
    "jump",
    "agrees_with_held",
    "contradicted_by_later",
    "kept",
    "confirmed_by_the_next",
)
"""Reason words by code; ``kept`` leaves the reason stored with an earlier decision in force."""

HELD_KEPT = 2
"""Held readings remembered since the last accepted one: three in a row move the base."""


def reason_code(word: str) -> int:
    """Return the code of a reason word.

    Raises
    ------
    ValueError
        When the word is not one of ``REASONS``.
    """
    return REASONS.index(word)


@dataclass
class Memory:
    """What judging remembers of n meters; every field is an array with one entry per meter.

    The memory can be replayed: ``start`` followed by ``judge`` over the stored rows gives it again.
    ``held_*`` are of shape (n, 2), newest last, and hold what was held or rejected by its own
    digits since the last accepted reading; ``held_count`` (0 to 2) says how many columns count.
    """

    rate_km_per_day: Floats  # rate the meter's usage started with [km/day]
    spread: Floats  # relative standard deviation of that rate between like vehicles
    top_km_per_day: Floats  # most a vehicle of this type can cover in a day [km/day]
    grain: Floats  # 1 on a distance meter, .1 on an hour meter: scales the constants in km
    weight_d: Floats  # days behind the own rate, older ones fading [d]
    weight_km: Floats  # distance behind the own rate, older ones fading [km]
    scatter: Floats  # how much wilder than expected the readings are, 1 = as expected
    last_at_d: Floats  # last accepted reading [d], NaN when none
    last_km: Floats  # its value with any confirmed offset [km]
    last_id: Ints  # -1 when none
    last_source: Ints
    last_unit_km: Floats  # km per unit as it was typed
    last_confirmed_km: Floats  # confirmed offset inside last_km [km]
    last_decided: Bools  # a person accepted it: never taken back by later readings
    prev_at_d: Floats  # accepted reading before the last [d], NaN when none
    prev_km: Floats
    prev_weight_d: Floats  # weight_d and weight_km as of that reading
    prev_weight_km: Floats
    accepted: Ints  # accepted readings so far
    offset_km: Floats  # total = value + offset [km], 0 unless provisional
    provisional: Bools  # the offset awaits a person
    waiting: Bools  # a reading was held since the last accepted one that the next may confirm
    held_count: Ints
    held_id: Ints
    held_at_d: Floats
    held_km: Floats

    @classmethod
    def start(
        cls,
        meters: int,
        rate_km_per_day: ArrayLike,
        spread: ArrayLike,
        top_km_per_day: ArrayLike,
        grain: ArrayLike = 1.0,
    ) -> Self:
        """Return the memory of meters that were never read.

        Parameters
        ----------
        meters
            Number of meters n.
        rate_km_per_day
            Rate before the first reading [km/day], scalar or (n,), above 0.
        spread
            Relative standard deviation of that rate, scalar or (n,), above 0.
        top_km_per_day
            Most a vehicle can cover in a day [km/day], scalar or (n,), above 0.
        grain
            1 on a distance meter, .1 on an hour meter, scalar or (n,).

        Raises
        ------
        ValueError
            When one of them is not a positive number.
        """
        given = {
            "rate_km_per_day": _floats(rate_km_per_day, meters),
            "spread": _floats(spread, meters),
            "top_km_per_day": _floats(top_km_per_day, meters),
            "grain": _floats(grain, meters),
        }
        for name, values in given.items():
            if not np.all(np.isfinite(values) & (values > 0)):
                raise ValueError(f"{name} must be a positive number for every meter")
        blank = {f.name: _blank(f.name, f.type, meters) for f in fields(cls) if f.name not in given}
        return cls(**given, **blank)  # type: ignore[arg-type]

    def copy(self) -> Self:
        """Return a memory that shares no array with this one."""
        return type(self)(**{f.name: getattr(self, f.name).copy() for f in fields(self)})

    def take(self, rows: Ints) -> Self:
        """Return the memory of some meters, copied."""
        return type(self)(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    def put(self, rows: Ints, part: Self) -> None:
        """Write the memory of some meters back."""
        for f in fields(self):
            getattr(self, f.name)[rows] = getattr(part, f.name)


def _floats(values: ArrayLike, size: int) -> Floats:
    return np.array(np.broadcast_to(np.asarray(values, dtype=np.float64), (size,)))


_UNKNOWN = {"last_at_d", "last_km", "prev_at_d", "prev_km", "held_at_d", "held_km"}


def _blank(name: str, kind: object, meters: int) -> NDArray[np.generic]:
    """Return the entry of a never-read meter: NaN for what is unknown, -1 for ids, else 0 or 1."""
    shape = (meters, HELD_KEPT) if name in {"held_id", "held_at_d", "held_km"} else (meters,)
    if kind is Bools:
        return np.zeros(shape, dtype=np.bool_)
    if kind is Ints:
        return np.full(shape, -1 if name.endswith("_id") else 0, dtype=np.int64)
    if name in {"scatter", "last_unit_km"}:
        return np.ones(shape)
    return np.full(shape, np.nan if name in _UNKNOWN else 0.0)


HeldRow: TypeAlias = list[float]


def held_as_rows(memory: Memory) -> list[list[HeldRow]]:
    """Return each meter's held readings as plain lists ``[id, at_d, km]``, oldest first."""
    return [
        [
            [
                int(memory.held_id[row, j]),
                float(memory.held_at_d[row, j]),
                float(memory.held_km[row, j]),
            ]
            for j in range(HELD_KEPT - int(count), HELD_KEPT)
        ]
        for row, count in enumerate(memory.held_count)
    ]


def held_from_rows(memory: Memory, rows: Sequence[Sequence[Sequence[float]]]) -> None:
    """Set the held readings of every meter from what ``held_as_rows`` gave, in place."""
    for row, held in enumerate(rows):
        memory.held_count[row] = len(held)
        for j, (reading_id, at_d, km) in enumerate(held, start=HELD_KEPT - len(held)):
            memory.held_id[row, j] = int(reading_id)
            memory.held_at_d[row, j] = at_d
            memory.held_km[row, j] = km


@dataclass(frozen=True)
class Batch:
    """Readings to judge, sorted by meter and then by time.

    Readings of meter i stand at ``start[i]:start[i + 1]``; all other fields have one entry per
    reading. Build it with ``Batch.of``, which checks the order and converts to float64.
    """

    start: Ints
    reading_id: Ints
    at_d: Floats
    value_km: Floats  # meter [km] with any confirmed offset
    unit_km: Floats  # km per unit as typed: 1, or 1.609344 for miles
    confirmed_km: Floats  # the confirmed offset inside value_km [km]
    source: Ints
    fixed: Codes  # FREE, or what is decided already

    @classmethod
    def of(
        cls,
        start: ArrayLike,
        reading_id: ArrayLike,
        at_d: ArrayLike,
        value_km: ArrayLike,
        *,
        unit_km: ArrayLike = 1.0,
        confirmed_km: ArrayLike = 0.0,
        source: ArrayLike = 0,
        fixed: ArrayLike = FREE,
    ) -> Self:
        """Return a batch from arrays or sequences; scalars stand for all readings.

        Raises
        ------
        ValueError
            When lengths differ, times are not finite or not sorted within a meter, or a reading
            that a person accepted is not a number.
        """
        bounds = np.asarray(start, dtype=np.int64)
        size = int(bounds[-1])
        batch = cls(
            bounds,
            np.array(np.broadcast_to(np.asarray(reading_id, dtype=np.int64), (size,))),
            _floats(at_d, size),
            _floats(value_km, size),
            _floats(unit_km, size),
            _floats(confirmed_km, size),
            np.array(np.broadcast_to(np.asarray(source, dtype=np.int64), (size,))),
            np.array(np.broadcast_to(np.asarray(fixed, dtype=np.int8), (size,))),
        )
        batch._refuse_disorder()
        return batch

    def _refuse_disorder(self) -> None:
        if self.start[0] != 0 or np.any(np.diff(self.start) < 0):
            raise ValueError("start must rise from 0 to the number of readings")
        if not np.all(np.isfinite(self.at_d)):
            raise ValueError("every reading needs a moment: at_d holds values that are not finite")
        backwards = np.diff(self.at_d) < 0
        borders = self.start[1:-1]
        backwards[borders[(borders > 0) & (borders < len(self.at_d))] - 1] = False
        if np.any(backwards):
            raise ValueError("readings of a meter must be sorted by time before they are judged")
        if not np.all(np.isfinite(self.value_km[self.fixed == DECIDED_ACCEPT])):
            raise ValueError("a reading accepted by a person must be a number")


class Kept(NamedTuple):
    """Memories of some meters as they stood at a reading that was accepted."""

    meter: Ints  # rows of the meters
    memory: Memory


class Relabel(NamedTuple):
    """A new label for a reading that was judged in an earlier call."""

    reading_id: int
    verdict: int
    reason: int
    suggestion_km: float
    probability: float
    total_km: float
    provisional: bool
    moves_base: bool


@dataclass
class Judgement:
    """What was found, one entry per reading of the batch unless said otherwise."""

    verdict: Codes  # ACCEPTED, HELD or REJECTED
    reason: Codes  # code in REASONS
    suggestion_km: Floats  # likely true value, counted like value_km [km]; NaN when none
    probability: Floats  # of the reason among the explanations weighed; NaN when none were
    total_km: Floats  # value with the provisional offset [km]
    provisional: Bools  # total_km rests on an offset that awaits a person
    moves_base: Bools  # held, yet usage counts on from here
    late: Bools  # earlier than the last accepted reading: compare it with its neighbours in time
    rewritten: Bools  # per meter: an accepted reading lost its label or the base moved
    again: Bools  # per meter: judge it from its first reading, one held earlier may be confirmed
    changed: list[Relabel] = field(default_factory=list)  # readings of earlier calls
    kept: list[Kept] = field(default_factory=list)  # to begin from another time, oldest first
