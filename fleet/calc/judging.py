"""The working state of judging: memory, batch and findings of some meters side by side."""

from dataclasses import dataclass
from typing import Any, NamedTuple, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from fleet.calc.expectations import Base, Step
from fleet.calc.explanations import Typed
from fleet.calc.verdict_rows import (
    ACCEPTED,
    DECIDED_ACCEPT,
    HELD_KEPT,
    Batch,
    Bools,
    Floats,
    Ints,
    Judgement,
    Kept,
    Memory,
    Relabel,
)

NEWEST, BEFORE = HELD_KEPT - 1, HELD_KEPT - 2
EARLIER_CALL = -1
Rows: TypeAlias = Ints | slice
Numbers = TypeVar("Numbers", Floats, Ints)


class Labels(NamedTuple):
    """New labels of readings judged before, one entry each."""

    reading_id: Ints
    verdict: Ints
    reason: Ints
    suggestion_km: Floats
    probability: Floats
    total_km: Floats
    provisional: Bools


@dataclass
class Judging:
    """Meters being judged together.

    ``first`` and ``end`` bound each meter's readings in the batch; ``last_pos`` and ``held_pos``
    say where in the batch the remembered readings stand, -1 when an earlier call judged them.
    """

    memory: Memory
    batch: Batch
    found: Judgement
    meter: Ints
    first: Ints
    end: Ints
    last_pos: Ints
    held_pos: Ints
    waited: Bools  # something was waiting when the judging was opened

    @classmethod
    def open(cls, memory: Memory, batch: Batch, found: Judgement, meter: Ints) -> "Judging":
        """Return the judging of some meters, with their memory copied."""
        return cls(
            memory.take(meter),
            batch,
            found,
            meter,
            batch.start[meter],
            batch.start[meter + 1],
            np.full(len(meter), EARLIER_CALL),
            np.full((len(meter), HELD_KEPT), EARLIER_CALL),
            memory.waiting[meter],
        )

    def base(self, rows: Rows) -> Base:
        """Return the last accepted readings as bases."""
        mem = self.memory
        return self._base(rows, mem.last_at_d, mem.last_km, mem.weight_d, mem.weight_km)

    def base_before(self, rows: Rows) -> Base:
        """Return the accepted readings before the last, with the memory as of them."""
        mem = self.memory
        return self._base(rows, mem.prev_at_d, mem.prev_km, mem.prev_weight_d, mem.prev_weight_km)

    def base_held(self, rows: Rows, column: int) -> Base:
        """Return held readings as bases, with the memory as of the last accepted reading."""
        mem = self.memory
        at_d, km = mem.held_at_d[:, column], mem.held_km[:, column]
        return self._base(rows, at_d, km, mem.weight_d, mem.weight_km)

    def _base(
        self, rows: Rows, at_d: Floats, km: Floats, weight_d: Floats, weight_km: Floats
    ) -> Base:
        mem = self.memory
        prior = (mem.scatter, mem.rate_km_per_day, mem.spread, mem.top_km_per_day, mem.grain)
        own = (at_d, km, weight_d, weight_km)
        return Base(*(values[rows] for values in (*own, *prior)))

    def typed(self, pos: Ints) -> Typed:
        """Return how readings of the batch were typed."""
        batch = self.batch
        return Typed(batch.value_km[pos], batch.unit_km[pos], batch.confirmed_km[pos])

    def last_typed(self, rows: Ints) -> Typed:
        """Return how the last accepted readings were typed."""
        mem, batch = self.memory, self.batch
        return Typed(
            mem.last_km[rows],
            self._of_last(rows, batch.unit_km, mem.last_unit_km),
            self._of_last(rows, batch.confirmed_km, mem.last_confirmed_km),
        )

    def held_in_earlier_call(self, rows: Ints) -> Bools:
        """Say where a reading waiting to be confirmed is not in the batch."""
        return np.asarray(self.waited[rows] & (self.last_pos[rows] == EARLIER_CALL))

    def last_source(self, rows: Ints) -> Ints:
        """Return the sources of the last accepted readings."""
        return self._of_last(rows, self.batch.source, self.memory.last_source)

    def last_decided(self, rows: Ints) -> Bools:
        """Say which last accepted readings were accepted by a person."""
        pos = self.last_pos[rows]
        now: Bools = self.batch.fixed[pos] == DECIDED_ACCEPT
        return np.where(pos >= 0, now, self.memory.last_decided[rows])

    def _of_last(self, rows: Ints, of_batch: Numbers, of_memory: Numbers) -> Numbers:
        pos = self.last_pos[rows]
        return np.where(pos >= 0, of_batch[pos], of_memory[rows])

    def last_id(self, rows: Ints) -> Ints:
        """Return the ids of the last accepted readings."""
        return self._of_last(rows, self.batch.reading_id, self.memory.last_id)

    def label(
        self,
        pos: Ints,
        verdict: int | NDArray[Any],
        reason: int | NDArray[Any],
        suggestion_km: float | NDArray[Any] = np.nan,
        probability: float | NDArray[Any] = np.nan,
    ) -> None:
        """Write the findings of readings in the batch."""
        self.found.verdict[pos] = verdict
        self.found.reason[pos] = reason
        self.found.suggestion_km[pos] = suggestion_km
        self.found.probability[pos] = probability

    def relabel(self, pos: Ints, labels: Labels) -> None:
        """Replace the labels of readings judged before, those of earlier calls by listing them."""
        here = pos >= 0
        place = pos[here]
        self.label(place, *(column[here] for column in labels[1:5]))
        self.found.total_km[place] = labels.total_km[here]
        self.found.provisional[place] = labels.provisional[here]
        columns = [column[~here].tolist() for column in labels]
        self.found.changed += [Relabel._make([*row, False]) for row in zip(*columns, strict=True)]

    def hold(self, rows: Ints, pos: Ints) -> None:
        """Remember readings as held since the last accepted one, newest last."""
        mem, batch = self.memory, self.batch
        for kept, new in (
            (mem.held_id, batch.reading_id[pos]),
            (mem.held_at_d, batch.at_d[pos]),
            (mem.held_km, batch.value_km[pos]),
            (self.held_pos, pos),
        ):
            kept[rows, BEFORE] = kept[rows, NEWEST]
            kept[rows, NEWEST] = new
        mem.held_count[rows] = np.minimum(mem.held_count[rows] + 1, HELD_KEPT)

    def count_from(self, rows: Ints, pos: Ints) -> None:
        """Make readings of the batch the last ones, with nothing held since."""
        self.memory.last_at_d[rows] = self.batch.at_d[pos]
        self.memory.last_km[rows] = self.batch.value_km[pos]
        self.memory.held_count[rows] = 0
        self.memory.waiting[rows] = False
        self.last_pos[rows] = pos

    def accept(
        self, rows: Rows, pos: Ints, base: Base, step: Step, taken: Bools | None = None
    ) -> None:
        """Update the memory with accepted readings, of those rows only that are ``taken``."""
        mem, km = self.memory, self.batch.value_km[pos]
        weight_d, weight_km, scatter = base.grown(step, km)
        for kept, new in (
            (mem.prev_at_d, base.at_d),
            (mem.prev_km, base.km),
            (mem.prev_weight_d, base.weight_d),
            (mem.prev_weight_km, base.weight_km),
            (mem.last_at_d, self.batch.at_d[pos]),
            (mem.last_km, km),
            (mem.weight_d, weight_d),
            (mem.weight_km, weight_km),
            (mem.scatter, scatter),
            (self.last_pos, pos),
            (mem.held_count, np.int64(0)),
            (mem.waiting, np.bool_(False)),
            (mem.accepted, mem.accepted[rows] + 1),
        ):
            if taken is None:
                kept[rows] = new
            else:
                np.copyto(kept[rows], new, where=taken)

    def shift_totals(self, rows: Ints, pos: Ints) -> None:
        """Count readings from ``pos`` on with the meters' present offset."""
        found, value_km = self.found, self.batch.value_km
        offsets_km = self.memory.offset_km[rows].tolist()
        awaits = self.memory.provisional[rows].tolist()
        for place, end, offset_km, provisional in zip(
            pos.tolist(), self.end[rows].tolist(), offsets_km, awaits, strict=True
        ):
            found.total_km[place:end] = value_km[place:end] + offset_km
            found.provisional[place:end] = provisional

    def keep(self, k: int, size: int, every: int) -> None:
        """Copy the memories of meters whose k-th reading is the ``every``-th accepted one.

        With nothing held since, all that follows rests on such a memory alone.
        """
        mem, pos = self.memory, self.first[:size] + k
        due = (mem.accepted[:size] % every == 0) & (self.last_pos[:size] == pos)
        rows = np.flatnonzero(due & (self.found.verdict[pos] == ACCEPTED))
        if len(rows):
            part = mem.take(rows)
            self._note_last(part, slice(None), pos[rows])
            self.found.kept.append(Kept(self.meter[rows], part))

    def close(self, memory: Memory) -> None:
        """Write the meters' memory back to the whole one."""
        rows = np.flatnonzero(self.last_pos >= 0)
        self._note_last(self.memory, rows, self.last_pos[rows])
        memory.put(self.meter, self.memory)

    def _note_last(self, mem: Memory, rows: Rows, pos: Ints) -> None:
        """Fill in what the last accepted readings are known by."""
        batch = self.batch
        mem.last_id[rows] = batch.reading_id[pos]
        mem.last_source[rows] = batch.source[pos]
        mem.last_unit_km[rows] = batch.unit_km[pos]
        mem.last_confirmed_km[rows] = batch.confirmed_km[pos]
        mem.last_decided[rows] = batch.fixed[pos] == DECIDED_ACCEPT
