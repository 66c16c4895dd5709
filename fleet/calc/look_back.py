"""A reading below the last accepted one may show that the last one was wrong."""

import numpy as np

from fleet.calc.expectations import Step
from fleet.calc.explanations import (
    FIRST_REASON,
    LATE,
    LOG_PRIORS,
    PRIORS,
    ROLLED,
    STANDS,
    SWAP,
    WRONG,
    Weighed,
    explain,
)
from fleet.calc.judging import Judging, Labels
from fleet.calc.rebase import AGREE_Z
from fleet.calc.verdict_rows import ACCEPTED, HELD, Bools, Floats, Ints

DOUBTFUL_LEADERS = np.isin(np.arange(len(PRIORS)), (ROLLED, LATE, WRONG, SWAP))


def look_back(judging: Judging, rows: Ints, pos: Ints, weighed: Weighed) -> Bools:
    """Hold the last accepted reading instead of a new one, where that explains both better.

    With the memory before the last accepted reading y0: the new one, y, must fit it within 4
    standard deviations, and the best other explanation of y0 with y as it stands must be likelier
    than y0 as it stands with the leading explanation of y.

    Parameters
    ----------
    judging
        The meters being judged.
    rows, pos
        Meters with a doubtful reading, and its place in the batch.
    weighed
        Explanations of those readings.

    Returns
    -------
    ndarray of bool
        Where the last accepted reading became held and the new one accepted.
    """
    turned = np.zeros(len(rows), dtype=np.bool_)
    candidates = _may_look_back(judging, rows, judging.batch.value_km[pos], weighed)
    step = judging.base_before(rows).step(judging.batch.at_d[pos])
    candidates &= np.abs(step.z(judging.batch.value_km[pos])) < AGREE_Z
    if not candidates.any():
        return turned
    turned[candidates] = _turn_likelier(
        judging, rows[candidates], pos[candidates], weighed.take(candidates), step.take(candidates)
    )
    return turned


def _turn_likelier(judging: Judging, rows: Ints, pos: Ints, weighed: Weighed, step: Step) -> Bools:
    """Turn to the new reading where both together are likelier that way, and say where."""
    step_before = judging.base_before(rows).step(judging.memory.last_at_d[rows])
    earlier = explain(step_before, judging.last_typed(rows))
    as_it_stands = LOG_PRIORS[STANDS] + step.log_density(judging.batch.value_km[pos])
    other = earlier.at(earlier.best_other) + as_it_stands
    wins = other > earlier.log[:, STANDS] + weighed.at(weighed.leader)
    _turn(judging, rows[wins], pos[wins], earlier.take(wins), step.take(wins))
    return np.asarray(wins, dtype=np.bool_)


def _may_look_back(judging: Judging, rows: Ints, km: Floats, weighed: Weighed) -> Bools:
    mem = judging.memory
    below = km < mem.last_km[rows]
    has_before = ~np.isnan(mem.prev_at_d[rows])
    doubtful = DOUBTFUL_LEADERS[weighed.leader]
    unheld = mem.held_count[rows] == 0
    may = below & has_before & ~judging.last_decided(rows) & (unheld | doubtful)
    return np.asarray(may, dtype=np.bool_)


def _turn(judging: Judging, rows: Ints, pos: Ints, earlier: Weighed, step: Step) -> None:
    """Restart from the reading before the last one and accept the new one."""
    mem, km = judging.memory, judging.batch.value_km[pos]
    _hold_the_last(judging, rows, earlier)
    base = judging.base_before(rows)
    mem.weight_d[rows], mem.weight_km[rows], mem.scatter[rows] = base.grown(step, km)
    judging.label(pos, ACCEPTED, 0)
    judging.found.rewritten[judging.meter[rows]] = True
    judging.count_from(rows, pos)


def _hold_the_last(judging: Judging, rows: Ints, earlier: Weighed) -> None:
    mem, other = judging.memory, earlier.best_other
    labels = Labels(
        judging.last_id(rows),
        np.full(len(rows), HELD),
        other + FIRST_REASON,
        earlier.suggestion(other),
        earlier.share(other, first=STANDS + 1),
        mem.last_km[rows] + mem.offset_km[rows],
        mem.provisional[rows],
    )
    judging.relabel(judging.last_pos[rows], labels)
