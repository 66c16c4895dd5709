"""A reading held alone may be confirmed by the next one: then it was right, only unexpected.

The first full month after a vehicle stood looks like too much. When the next reading is as
expected and the held one lies between it and the last accepted one, on a way that the vehicle can
have gone, nobody need look: of 457 planted errors one lay so (measured).
"""

from __future__ import annotations

import numpy as np

from fleet.calc.expectations import FALL_KM, SHORTEST_STEP_D, SLACK_KM
from fleet.calc.judging import Judging
from fleet.calc.verdict_rows import (
    ACCEPTED,
    FREE,
    HELD,
    REASONS,
    Bools,
    Floats,
    Ints,
    reason_code,
)

# Another value for the moment of an accepted reading, or one out of order, is not between.
ELSEWHERE = np.isin(REASONS, ("contradicts_earlier_entry", "out_of_order"))  # by reason code


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
        _accept_held(judging, rows[here], *_confirmed(judging, rows[here], pos[here]))
    base = judging.base(rows)
    judging.accept(rows, pos, base, base.step(judging.batch.at_d[pos]))


def _confirmed(judging: Judging, rows: Ints, pos: Ints) -> tuple[Ints, Ints]:
    """Return the held readings that lie on a possible way from the last accepted ones to ``pos``.

    For each the place of its meter among ``rows``, rising, and its own in the batch.
    """
    owner, between = _between(judging, rows, pos)
    batch, mem = judging.batch, judging.memory
    first, last = _ends(owner, len(rows))
    from_d = np.where(first, mem.last_at_d[rows[owner]], np.roll(batch.at_d[between], 1))
    from_km = np.where(first, mem.last_km[rows[owner]], np.roll(batch.value_km[between], 1))
    step_km = batch.value_km[between] - from_km
    top = mem.top_km_per_day[rows[owner]]
    fits = (step_km >= 0) | first
    fits &= _can_be(batch.at_d[between] - from_d, step_km, top)
    onwards_d = batch.at_d[pos[owner]] - batch.at_d[between]
    onwards_km = batch.value_km[pos[owner]] - batch.value_km[between]
    fits &= _can_be(onwards_d, onwards_km, top) | ~last
    whole = np.ones(len(rows), dtype=np.bool_)
    whole[owner[~fits]] = False
    return owner[whole[owner]], between[whole[owner]]


def _between(judging: Judging, rows: Ints, pos: Ints) -> tuple[Ints, Ints]:
    """Return the free readings held since the last accepted ones, below those at ``pos``."""
    found, batch, mem = judging.found, judging.batch, judging.memory
    since = np.maximum(judging.last_pos[rows] + 1, judging.first[rows])
    count = pos - since
    owner = np.repeat(np.arange(len(rows)), count)
    place = np.arange(len(owner)) + np.repeat(since - np.cumsum(count) + count, count)
    row, at_d, km = rows[owner], batch.at_d[place], batch.value_km[place]
    held = (found.verdict[place] == HELD) & (batch.fixed[place] == FREE)
    held &= ~ELSEWHERE[found.reason[place]]
    held &= km >= mem.last_km[row] - FALL_KM * mem.grain[row] - SLACK_KM
    held &= km <= batch.value_km[pos[owner]]
    held &= (at_d > mem.last_at_d[row]) & (at_d < batch.at_d[pos[owner]])
    return owner[held], place[held]


def _ends(owner: Ints, owners: int) -> tuple[Bools, Bools]:
    """Say which entries are the first and which the last of their owners."""
    changes = np.diff(owner, prepend=-1, append=owners) != 0
    return changes[:-1], changes[1:]


def _can_be(days: Floats, rise_km: Floats, top_km_per_day: Floats) -> Bools:
    most_km = top_km_per_day * (np.maximum(days, SHORTEST_STEP_D) + 1) + SLACK_KM
    return np.asarray(rise_km <= most_km)


def _accept_held(judging: Judging, rows: Ints, owner: Ints, between: Ints) -> None:
    """Accept held readings of each meter one after another, as if they had been expected."""
    first = np.searchsorted(owner, owner)
    turn = np.arange(len(owner)) - first
    for k in range(int(turn.max(initial=-1)) + 1):
        owners, pos = rows[owner[turn == k]], between[turn == k]
        base = judging.base(owners)
        judging.accept(owners, pos, base, base.step(judging.batch.at_d[pos]))
        judging.label(pos, ACCEPTED, reason_code("confirmed_by_the_next"))
