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

from fleet.calc.confirm import ELSEWHERE, accept_confirming
from fleet.calc.expectations import FALL_KM, PLAIN_Z, SHORTEST_STEP_D, SLACK_KM
from fleet.calc.explanations import (
    FIRST_REASON,
    STANDS,
    SWAP,
    WRONG,
    Weighed,
    explain,
)
from fleet.calc.judging import BEFORE, NEWEST, Judging
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

FUTURE_D = 1.0  # a clock or time zone may be off by so much; our choice
STUCK_D = (1.0, 3.0)  # our choice
STUCK_KM = 60.0  # our choice
SURE_FAULT = 0.8  # our choice
SURE_AS_IT_STANDS = 0.5  # our choice
KEPT_EVERY = 64  # accepted readings from one kept memory to the next
ROWS_AT_ONCE = 8192  # keeps the arrays of a block within a processor's cache

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
        One verdict per reading, new labels for readings of earlier calls, and memories to begin
        from when readings after them are judged again.

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
    judging = Judging.open(memory, batch, found, by_length)
    pending = judging.end - judging.first
    for k in range(int(pending.max(initial=0))):
        size = int(np.count_nonzero(pending > k))
        _judge_round(judging, k, size, screen)
        judging.keep(k, size, KEPT_EVERY)
    judging.close(memory)
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
        return np.asarray(within | np.isnan(rise_km))

    fits = passable(at - at0, here - km0) & passable(at1 - at, km1 - here)
    return np.asarray(fits & np.isfinite(here), dtype=np.bool_)


def _blank_judgement(memory: Memory, batch: Batch) -> Judgement:
    """Return the judgement of readings that are all accepted as they stand."""
    size, each = len(batch.at_d), np.diff(batch.start)
    total_km, provisional = batch.value_km.copy(), np.zeros(size, dtype=np.bool_)
    if memory.provisional.any():
        total_km += np.repeat(memory.offset_km, each)
        provisional = np.repeat(memory.provisional, each)
    return Judgement(
        verdict=np.full(size, ACCEPTED, dtype=np.int8),
        reason=np.zeros(size, dtype=np.int8),
        suggestion_km=np.full(size, np.nan),
        probability=np.full(size, np.nan),
        total_km=total_km,
        provisional=provisional,
        moves_base=np.zeros(size, dtype=np.bool_),
        late=np.zeros(size, dtype=np.bool_),
        rewritten=np.zeros(len(each), dtype=np.bool_),
        again=np.zeros(len(each), dtype=np.bool_),
    )


def _screen(batch: Batch, now_d: float) -> Codes:
    """Return what can be said of each reading without any memory."""
    screen = np.full(len(batch.at_d), OPEN, dtype=np.int8)
    screen[~(batch.value_km >= batch.confirmed_km) | (batch.value_km == np.inf)] = NO_NUMBER
    screen[batch.at_d > now_d + FUTURE_D] = FUTURE
    for fixed, kept in (
        (DECIDED_ACCEPT, KEEP_ACCEPTED),
        (DECIDED_HELD, KEEP_HELD),
        (DECIDED_REJECT, KEEP_REJECTED),
    ):
        screen[batch.fixed == fixed] = kept
    return screen


def _judge_round(judging: Judging, k: int, size: int, screen: Codes) -> None:
    """Judge the k-th pending reading of the first ``size`` meters."""
    blocks = [slice(i, min(i + ROWS_AT_ONCE, size)) for i in range(0, size, ROWS_AT_ONCE)]
    rest = np.concatenate([_accept_plain(judging, rows, k, screen) for rows in blocks])
    if len(rest):
        _Doubtful(judging, rest, k, screen).judge()


def _accept_plain(judging: Judging, rows: slice, k: int, screen: Codes) -> Ints:
    """Accept readings that are as expected, with nothing held before; return the other rows."""
    pos = judging.first[rows] + k
    at_d, km = judging.batch.at_d[pos], judging.batch.value_km[pos]
    base = judging.base(rows)
    step = base.step(at_d)
    as_expected = step.as_expected(km)
    moved_on = (at_d > base.at_d) & (km != base.km)
    mem = judging.memory
    undisturbed = (mem.held_count[rows] == 0) & ~mem.waiting[rows] & (screen[pos] == OPEN)
    taken = as_expected & moved_on & undisturbed
    judging.accept(rows, pos, base, step, taken)
    return np.asarray(np.flatnonzero(~taken) + rows.start)


class _Doubtful:
    """Readings of one round that need a closer look; ``some`` are places among them."""

    def __init__(self, judging: Judging, rows: Ints, k: int, screen: Codes) -> None:
        self.judging = judging
        self.rows = rows
        self.pos = judging.first[rows] + k
        self.at_d = judging.batch.at_d[self.pos]
        self.km = judging.batch.value_km[self.pos]
        self.screen = screen[self.pos]
        self.base = judging.base(rows)
        self.step = self.base.step(self.at_d)

    def judge(self) -> None:
        """Label the readings and update the memory."""
        subset = self._apply_decisions(np.arange(len(self.rows)))
        subset = self._accept_first(subset)
        subset = self._compare_moments(subset)
        subset = self._hold_what_continues_held(subset)
        subset = self._accept_as_expected(subset)
        if len(subset):
            self._explain(subset)
        self._remember_held()

    def _remember_held(self) -> None:
        """Note where something was held that the next reading may confirm."""
        found, pos = self.judging.found, self.pos
        held = (found.verdict[pos] == HELD) & (self.screen == OPEN) & ~found.moves_base[pos]
        held &= ~ELSEWHERE[found.reason[pos]]
        self.judging.memory.waiting[self.rows[held]] = True

    def _accept(self, subset: Ints) -> None:
        base, step = self.base.take(subset), self.step.take(subset)
        self.judging.accept(self.rows[subset], self.pos[subset], base, step)

    def _split(self, subset: Ints, out: Bools, verdict: int, reason: str) -> Ints:
        """Label those that are ``out`` and return the others."""
        if not out.any():
            return subset
        self.judging.label(self.pos[subset[out]], verdict, reason_code(reason))
        return np.asarray(subset[~out])

    def _apply_decisions(self, subset: Ints) -> Ints:
        """Do what is decided already, and reject what needs no memory to be refused."""
        if not self.screen.any():  # all are open
            return subset
        for kind, verdict, reason in (
            (FUTURE, REJECTED, "future_date"),
            (NO_NUMBER, REJECTED, "not_a_number"),
            (KEEP_HELD, HELD, "kept"),
            (KEEP_REJECTED, REJECTED, "kept"),
        ):
            subset = self._split(subset, self.screen[subset] == kind, verdict, reason)
        known = self.judging.memory.accepted[self.rows[subset]] > 0
        decided = (self.screen[subset] == KEEP_ACCEPTED) & known
        self._accept(subset[decided])
        return np.asarray(subset[~decided])

    def _accept_first(self, subset: Ints) -> Ints:
        mem = self.judging.memory
        first = mem.accepted[self.rows[subset]] == 0
        if not first.any():
            return subset
        rows = self.rows[subset[first]]
        mem.accepted[rows] = 1
        self.judging.count_from(rows, self.pos[subset[first]])
        return np.asarray(subset[~first])

    def _compare_moments(self, subset: Ints) -> Ints:
        """Find copies of an entry, entries that contradict it and entries that come late."""
        subset = self._split(subset, self._copied(subset), REJECTED, "duplicate")
        subset = self._split(subset, self._stuck(subset), HELD, "duplicate")
        contrary = self.at_d[subset] == self.base.at_d[subset]
        same = subset[contrary]
        source = self.judging.batch.source[self.pos[same]]
        contrary[contrary] = source == self.judging.last_source(self.rows[same])
        subset = self._split(subset, contrary, HELD, "contradicts_earlier_entry")
        late = self.at_d[subset] < self.base.at_d[subset]
        self.judging.found.late[self.pos[subset[late]]] = True
        return self._split(subset, late, HELD, "out_of_order")

    def _copied(self, subset: Ints) -> Bools:
        """Say which have moment and value of the last accepted reading or of one held since."""
        mem, rows, at_d, km = (
            self.judging.memory,
            self.rows[subset],
            self.at_d[subset],
            self.km[subset],
        )
        close_km = FALL_KM * mem.grain[rows] + SLACK_KM
        copied: Bools = (at_d == mem.last_at_d[rows]) & (np.abs(km - mem.last_km[rows]) <= close_km)
        for column in (BEFORE, NEWEST):
            counts = mem.held_count[rows] > NEWEST - column
            same = (at_d == mem.held_at_d[rows, column]) & counts
            copied |= same & (np.abs(km - mem.held_km[rows, column]) <= close_km)
        return copied

    def _stuck(self, subset: Ints) -> Bools:
        """Say which repeat the last value although the vehicle should have moved on."""
        after_d = self.at_d[subset] - self.base.at_d[subset]
        soon = (after_d >= STUCK_D[0] - SLACK_KM) & (after_d <= STUCK_D[1] + SLACK_KM)
        expected = self.step.mean_km[subset] > STUCK_KM * self.base.grain[subset]
        same: Bools = self.km[subset] == self.base.km[subset]
        return soon & expected & same

    def _hold_what_continues_held(self, subset: Ints) -> Ints:
        """Hold what follows two rising held readings better than the last accepted one."""
        mem, rows = self.judging.memory, self.rows[subset]
        held_km = mem.held_km[rows]
        held = (mem.held_count[rows] == HELD_KEPT) & (held_km[:, NEWEST] > held_km[:, BEFORE])
        if not held.any():
            return subset
        held[held] = self._continues_held(subset[held])
        part, rest = subset[held], self._split(subset, held, HELD, "agrees_with_held")
        leader = np.full(len(part), NO_LEADER)
        hold_or_rebase(self.judging, self.rows[part], self.pos[part], leader)
        return rest

    def _continues_held(self, subset: Ints) -> Bools:
        base, km = self.judging.base_held(self.rows[subset], NEWEST), self.km[subset]
        step = base.step(self.at_d[subset])
        follows = (np.abs(step.z(km)) < PLAIN_Z) & (self.at_d[subset] >= base.at_d)
        better: Bools = step.log_density(km) > self.step.take(subset).log_density(km)
        return follows & better

    def _accept_as_expected(self, subset: Ints) -> Ints:
        step, km = self.step.take(subset), self.km[subset]
        expected = step.as_expected(km)
        taken = subset[expected]
        accept_confirming(self.judging, self.rows[taken], self.pos[taken])
        return np.asarray(subset[~expected])

    def _explain(self, subset: Ints) -> None:
        """Choose among explanations, looking back first."""
        weighed = explain(self.step.take(subset), self.judging.typed(self.pos[subset]))
        turned = look_back(self.judging, self.rows[subset], self.pos[subset], weighed)
        subset, weighed = subset[~turned], weighed.take(~turned)
        leader, share = weighed.leader, weighed.share(weighed.leader)
        stands = (leader == STANDS) & (share > SURE_AS_IT_STANDS)
        self.judging.found.probability[self.pos[subset[stands]]] = share[stands]
        self._accept(subset[stands])
        self._refuse(subset[~stands], weighed.take(~stands))

    def _refuse(self, subset: Ints, weighed: Weighed) -> None:
        """Reject what is impossible and surely mistyped, hold the rest."""
        impossible = ~self.step.take(subset).possible(self.km[subset])
        cause = np.where(weighed.leader == STANDS, weighed.best_other, weighed.leader)
        share = weighed.share(cause)
        sure = impossible & (cause >= SWAP) & (cause <= WRONG) & (share >= SURE_FAULT)
        verdict = np.where(sure, REJECTED, HELD)
        pos, suggestion_km = self.pos[subset], weighed.suggestion(cause)
        self.judging.label(pos, verdict, cause + FIRST_REASON, suggestion_km, share)
        hold_or_rebase(self.judging, self.rows[subset], pos, weighed.leader)
