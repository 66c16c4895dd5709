"""A reading held alone may be confirmed by the next one: then it was right, only unexpected.

The first full month after a vehicle stood looks like too much. When the next reading is as
expected and the held one lies between it and the last accepted one, on a way that the vehicle can
have gone, nobody need look: of 457 planted errors one lay so (measured).
"""

from __future__ import annotations

import numpy as np

from fleet.calc.expectations import FALL_KM, SHORTEST_STEP_D, SLACK_KM
from fleet.calc.judging import Judging
from fleet.calc.verdict_rows import ACCEPTED, FREE, HELD, Ints, reason_code

# Another value for the moment of an accepted reading, or one out of order, is not between.
ELSEWHERE = np.array([reason_code("contradicts_earlier_entry"), reason_code("out_of_order")])


def accept_confirming(judging: Judging, rows: Ints, pos: Ints) -> None:
    """Accept readings that are as expected, and with them what they confirm.

    Parameters
    ----------
    judging
        The meters being judged.
    rows, pos
        Meters with a reading as expected, and its place in the batch. Where something has been
        held in an earlier call, the meter is marked to be judged again from its first reading.
    """
    waiting = np.flatnonzero(judging.memory.waiting[rows])
    if len(waiting):
        held_before = judging.held_in_earlier_call(rows[waiting])
        judging.found.again[judging.meter[rows[waiting[held_before]]]] = True
        here = waiting[~held_before]
        pairs = zip(rows[here].tolist(), pos[here].tolist(), strict=True)
        _accept_held(judging, rows[here], [_confirmed(judging, *pair) for pair in pairs])
    base = judging.base(rows)
    judging.accept(rows, pos, base, base.step(judging.batch.at_d[pos]))


def _confirmed(judging: Judging, row: int, pos: int) -> Ints:
    """Places of the readings held since the last accepted one that lie on a possible way."""
    found, batch, mem = judging.found, judging.batch, judging.memory
    since = int(max(judging.last_pos[row] + 1, judging.first[row]))
    between_pos: Ints = np.arange(since, pos)
    between_pos = between_pos[
        (found.verdict[between_pos] == HELD) & (batch.fixed[between_pos] == FREE)
    ]
    at_d, km = batch.at_d[between_pos], batch.value_km[between_pos]
    least_km = mem.last_km[row] - FALL_KM * mem.grain[row] - SLACK_KM
    between = (km >= least_km) & (km <= batch.value_km[pos])
    between &= (at_d > mem.last_at_d[row]) & (at_d < batch.at_d[pos])
    between_pos = between_pos[between & ~np.isin(found.reason[between_pos], ELSEWHERE)]
    way_d = np.concatenate(([mem.last_at_d[row]], batch.at_d[between_pos], [batch.at_d[pos]]))
    way_km = np.concatenate(
        ([mem.last_km[row]], batch.value_km[between_pos], [batch.value_km[pos]])
    )
    step_d, step_km = np.maximum(np.diff(way_d), SHORTEST_STEP_D), np.diff(way_km)
    rising = (step_km[1:-1] >= 0).all()
    possible = (step_km <= mem.top_km_per_day[row] * (step_d + 1) + SLACK_KM).all()
    return np.asarray(between_pos if rising and possible else between_pos[:0])


def _accept_held(judging: Judging, rows: Ints, places: list[Ints]) -> None:
    """Accept held readings of each meter one after another, as if they had been expected."""
    for k in range(max((len(between_pos) for between_pos in places), default=0)):
        has = np.array([len(between_pos) > k for between_pos in places])
        pos = np.array(
            [between_pos[k] for between_pos in places if len(between_pos) > k], dtype=np.int64
        )
        owners = rows[has]
        base = judging.base(owners)
        judging.accept(owners, pos, base, base.step(judging.batch.at_d[pos]))
        judging.label(pos, ACCEPTED, reason_code("confirmed_by_the_next"))
