"""Verdicts on meter readings: accepted, held for a person, or rejected, each with a reason.

A reading is never dropped and never rewritten. Refusing whatever falls below the last value would
let one high typing error lock out all that follow; instead each reading is compared with what its
meter's memory expects, odd ones are explained by the fault most likely behind them, and later
readings may overturn an earlier verdict.

The k-th pending reading of all meters is judged at once, so that a whole fleet's history can be
replayed. All bounds are our choice unless another source is named.
"""

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.docket import BEFORE, NEWEST, Docket
from fleet.calc.expectations import FALL_KM, SHORTEST_STEP_D, SLACK_KM
from fleet.calc.explanations import (
    FIRST_REASON,
    STANDS,
    SWAP,
    WRONG,
    explain,
)
from fleet.calc.look_back import look_back
from fleet.calc.rebase import NO_LEADER, hold_or_rebase
from fleet.calc.verdict_rows import (
    ACCEPTED,
    DECIDED_ACCEPT,
    DECIDED_HELD,
    DECIDED_REJECT,
    HELD,
    HELD_KEPT,
    REASONS,
    REJECTED,
    Batch,
    Bools,
    Codes,
    Floats,
    Ints,
    Judgement,
    Memory,
    Relabel,
    held_as_rows,
    held_from_rows,
    reason_code,
)

__all__ = [
    "ACCEPTED",
    "DECIDED_ACCEPT",
    "DECIDED_HELD",
    "DECIDED_REJECT",
    "HELD",
    "REASONS",
    "REJECTED",
    "Batch",
    "Judgement",
    "Memory",
    "Relabel",
    "fits_between",
    "held_as_rows",
    "held_from_rows",
    "judge",
    "reason_code",
]

PLAIN_Z = 2.5
FUTURE_D = 1.0  # a clock or time zone may be off by so much
STUCK_D = (1.0, 3.0)
STUCK_KM = 60.0
SURE_FAULT = 0.8
SURE_AS_IT_STANDS = 0.5
METERS_AT_ONCE = 25_000  # keeps a round's arrays within a processor's cache

OPEN, FUTURE, NO_NUMBER, KEEP_ACCEPTED, KEEP_HELD, KEEP_REJECTED = range(6)


def judge(memory: Memory, batch: Batch, now_d: float) -> Judgement:
    """Judge readings in order of time against their meters' memory.

    Parameters
    ----------
    memory
        Memory of n meters; updated in place.
    batch
        Their pending readings. A free reading earlier than the last accepted one is not judged
        but held as ``out_of_order`` and marked late: see ``fits_between``.
    now_d
        The present moment [d].

    Returns
    -------
    Judgement
        One verdict per reading, and new labels for readings of earlier calls.

    Raises
    ------
    ValueError
        When batch and memory have different numbers of meters.
    """
    meters = len(batch.start) - 1
    if meters != len(memory.last_at_d):
        raise ValueError(f"{meters} meters have readings but {len(memory.last_at_d)} have memory")
    found = _blank_judgement(memory, batch)
    screen = _screen(batch, float(now_d))
    by_length = np.argsort(-np.diff(batch.start), kind="stable")
    for begin in range(0, meters, METERS_AT_ONCE):
        docket = Docket.open(memory, batch, found, by_length[begin : begin + METERS_AT_ONCE])
        pending = docket.end - docket.first
        for k in range(int(pending[0])):
            _Round(docket, k, int(np.count_nonzero(pending > k)), screen).judge()
        docket.close(memory)
    found.changed.sort(key=lambda relabel: relabel.reading_id)
    return found


def fits_between(
    at_d: ArrayLike,
    km: ArrayLike,
    before_at_d: ArrayLike,
    before_km: ArrayLike,
    after_at_d: ArrayLike,
    after_km: ArrayLike,
    top_km_per_day: ArrayLike,
    grain: ArrayLike = 1.0,
) -> Bools:
    """Say whether back-dated readings fit between their accepted neighbours in time.

    Parameters
    ----------
    at_d, km
        The readings [d], [km].
    before_at_d, before_km, after_at_d, after_km
        Their neighbours; NaN where there is none.
    top_km_per_day
        Most a vehicle can cover in a day [km/day].
    grain
        1 on a distance meter, .1 on an hour meter.

    Returns
    -------
    ndarray of bool
        True when neither step falls by more than 1 km nor beats the most that can be covered.
    """
    arrays = (at_d, km, before_at_d, before_km, after_at_d, after_km, top_km_per_day, grain)
    at, here, at0, km0, at1, km1, top, fine = (np.asarray(a, dtype=np.float64) for a in arrays)

    def passable(dt_d: Floats, rise_km: Floats) -> Bools:
        most_km = top * (np.maximum(dt_d, SHORTEST_STEP_D) + 1) + SLACK_KM
        within = (rise_km >= -FALL_KM * fine - SLACK_KM) & (rise_km <= most_km)
        passes: Bools = within | np.isnan(rise_km)
        return passes

    fits = passable(at - at0, here - km0) & passable(at1 - at, km1 - here)
    return np.asarray(fits & np.isfinite(here), dtype=np.bool_)


def _blank_judgement(memory: Memory, batch: Batch) -> Judgement:
    """Return the judgement of readings that are all accepted as they stand."""
    size, each = len(batch.at_d), np.diff(batch.start)
    return Judgement(
        verdict=np.full(size, ACCEPTED, dtype=np.int8),
        reason=np.zeros(size, dtype=np.int8),
        suggestion_km=np.full(size, np.nan),
        probability=np.full(size, np.nan),
        total_km=batch.value_km + np.repeat(memory.offset_km, each),
        provisional=np.repeat(memory.provisional, each),
        moves_base=np.zeros(size, dtype=np.bool_),
        late=np.zeros(size, dtype=np.bool_),
        rewritten=np.zeros(len(each), dtype=np.bool_),
    )


def _screen(batch: Batch, now_d: float) -> Codes:
    """Return what can be said of each reading without any memory."""
    own_km = batch.value_km - batch.confirmed_km
    screen = np.full(len(own_km), OPEN, dtype=np.int8)
    screen[~((own_km >= -SLACK_KM) & (own_km < np.inf))] = NO_NUMBER
    screen[batch.at_d > now_d + FUTURE_D] = FUTURE
    for fixed, kept in (
        (DECIDED_ACCEPT, KEEP_ACCEPTED),
        (DECIDED_HELD, KEEP_HELD),
        (DECIDED_REJECT, KEEP_REJECTED),
    ):
        screen[batch.fixed == fixed] = kept
    return screen


class _Round:
    """The k-th pending reading of the first ``size`` meters of a docket."""

    def __init__(self, docket: Docket, k: int, size: int, screen: Codes) -> None:
        self.docket = docket
        self.pos = docket.first[:size] + k
        self.at_d = docket.batch.at_d[self.pos]
        self.screen = screen[self.pos]
        self.km = docket.batch.value_km[self.pos]
        self.km[self.screen == NO_NUMBER] = np.nan
        self.base = docket.base(slice(0, size))
        self.step = self.base.step(self.at_d)
        self.plain = (np.abs(self.step.z(self.km)) < PLAIN_Z) & self.step.possible(self.km)

    def judge(self) -> None:
        """Label the round's readings and update the memory."""
        mem, size = self.docket.memory, len(self.pos)
        later = self.at_d > self.base.at_d
        undisturbed = (mem.held_count[:size] == 0) & (self.screen == OPEN)
        self.taken = self.plain & later & undisturbed & (self.km != self.base.km)
        rest = np.flatnonzero(~self.taken)
        if len(rest):
            self._judge_the_rest(rest)
        self.docket.accept(self.taken, self.pos, self.base, self.step, self.km)

    def _judge_the_rest(self, rows: Ints) -> None:
        rows = self._apply_decisions(rows)
        rows = self._accept_first(rows)
        rows = self._compare_moments(rows)
        rows = self._hold_what_continues_held(rows)
        self.taken[rows[self.plain[rows]]] = True
        self._explain(rows[~self.plain[rows]])

    def _split(self, rows: Ints, out: Bools, verdict: int, reason: str) -> Ints:
        """Label the rows that are ``out`` and return the others."""
        if not out.any():
            return rows
        self.docket.label(self.pos[rows[out]], verdict, reason_code(reason))
        kept: Ints = rows[~out]
        return kept

    def _apply_decisions(self, rows: Ints) -> Ints:
        """Do what is decided already, and reject what needs no memory to be refused."""
        docket, screen = self.docket, self.screen
        for kind, verdict, reason in (
            (FUTURE, REJECTED, "future_date"),
            (NO_NUMBER, REJECTED, "not_a_number"),
            (KEEP_HELD, HELD, "kept"),
            (KEEP_REJECTED, REJECTED, "kept"),
        ):
            rows = self._split(rows, screen[rows] == kind, verdict, reason)
        decided = (screen[rows] == KEEP_ACCEPTED) & (docket.memory.accepted[rows] > 0)
        self.taken[rows[decided]] = True
        undecided: Ints = rows[~decided]
        return undecided

    def _accept_first(self, rows: Ints) -> Ints:
        mem = self.docket.memory
        first = mem.accepted[rows] == 0
        mem.accepted[rows[first]] = 1
        self.docket.count_from(rows[first], self.pos[rows[first]])
        known: Ints = rows[~first]
        return known

    def _compare_moments(self, rows: Ints) -> Ints:
        """Find copies of an entry, entries that contradict it and entries that come late."""
        rows = self._split(rows, self._copied(rows), REJECTED, "duplicate")
        rows = self._split(rows, self._stuck(rows), HELD, "duplicate")
        contrary = self.at_d[rows] == self.base.at_d[rows]
        same = rows[contrary]
        source = self.docket.batch.source[self.pos[same]]
        contrary[contrary] = source == self.docket.last_source(same)
        rows = self._split(rows, contrary, HELD, "contradicts_earlier_entry")
        late = self.at_d[rows] < self.base.at_d[rows]
        self.docket.found.late[self.pos[rows[late]]] = True
        return self._split(rows, late, HELD, "out_of_order")

    def _copied(self, rows: Ints) -> Bools:
        """Say which have moment and value of the last accepted reading or of one held since."""
        mem, at_d, km = self.docket.memory, self.at_d[rows], self.km[rows]
        close_km = FALL_KM * mem.grain[rows] + SLACK_KM
        copied: Bools = (at_d == mem.last_at_d[rows]) & (np.abs(km - mem.last_km[rows]) <= close_km)
        for column in range(NEWEST + 1):
            counts = mem.held_count[rows] > NEWEST - column
            same = (at_d == mem.held_at_d[rows, column]) & counts
            copied |= same & (np.abs(km - mem.held_km[rows, column]) <= close_km)
        return copied

    def _stuck(self, rows: Ints) -> Bools:
        """Say which repeat the last value although the vehicle should have moved on."""
        after_d = self.at_d[rows] - self.base.at_d[rows]
        soon = (after_d >= STUCK_D[0] - SLACK_KM) & (after_d <= STUCK_D[1] + SLACK_KM)
        expected = self.step.mean_km[rows] > STUCK_KM * self.base.grain[rows]
        same: Bools = self.km[rows] == self.base.km[rows]
        return soon & expected & same

    def _hold_what_continues_held(self, rows: Ints) -> Ints:
        """Hold what follows two rising held readings better than the last accepted one."""
        mem = self.docket.memory
        held_km = mem.held_km[rows]
        held = (mem.held_count[rows] == HELD_KEPT) & (held_km[:, NEWEST] > held_km[:, BEFORE])
        held[held] = self._continues_held(rows[held])
        part, rest = rows[held], self._split(rows, held, HELD, "agrees_with_held")
        hold_or_rebase(self.docket, part, self.pos[part], np.full(len(part), NO_LEADER))
        return rest

    def _continues_held(self, rows: Ints) -> Bools:
        base, at_d, km = self.docket.base_held(rows, NEWEST), self.at_d[rows], self.km[rows]
        step = base.step(at_d)
        follows = (np.abs(step.z(km)) < PLAIN_Z) & (at_d >= base.at_d)
        better: Bools = step.log_density(km) > self.step.take(rows).log_density(km)
        return follows & better

    def _explain(self, rows: Ints) -> None:
        """Choose among explanations, looking back first."""
        if len(rows) == 0:
            return
        weighed = explain(self.step.take(rows), self.docket.typed(self.pos[rows]))
        turned = look_back(self.docket, rows, self.pos[rows], weighed)
        rows, weighed = rows[~turned], weighed.take(~turned)
        leader, share = weighed.leader, weighed.share(weighed.leader)
        stands = (leader == STANDS) & (share > SURE_AS_IT_STANDS)
        self.docket.found.probability[self.pos[rows[stands]]] = share[stands]
        self.taken[rows[stands]] = True
        rows, weighed = rows[~stands], weighed.take(~stands)
        impossible = ~self.step.take(rows).possible(self.km[rows])
        cause = np.where(weighed.leader == STANDS, weighed.best_other, weighed.leader)
        share = weighed.share(cause)
        sure = impossible & (cause >= SWAP) & (cause <= WRONG) & (share >= SURE_FAULT)
        verdict = np.where(sure, REJECTED, HELD)
        pos, suggestion_km = self.pos[rows], weighed.suggestion(cause)
        self.docket.label(pos, verdict, cause + FIRST_REASON, suggestion_km, share)
        hold_or_rebase(self.docket, rows, pos, weighed.leader)
