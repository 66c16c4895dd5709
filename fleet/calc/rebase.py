"""Held readings that agree with each other: the meter now counts from somewhere else.

Three in a row since the last accepted one (two when the last one points to a new meter) mean a
new meter, a roll-back or a jump. They stay held until a person settles them, and the meter counts
on from the last of them with a provisional offset. When the only accepted reading is what three
contradict, that first one was wrong: it becomes held and the three accepted.
"""

from dataclasses import replace

import numpy as np

from fleet.calc.expectations import Base
from fleet.calc.explanations import NEW_METER
from fleet.calc.judging import BEFORE, NEWEST, Judging, Labels
from fleet.calc.verdict_rows import (
    ACCEPTED,
    HELD,
    HELD_KEPT,
    Bools,
    Floats,
    Ints,
    reason_code,
)

AGREE_Z = 4.0  # our choice
NO_LEADER = -1


def hold_or_rebase(judging: Judging, rows: Ints, pos: Ints, leader: Ints) -> None:
    """Remember readings just held or rejected, and move the base where they agree.

    Parameters
    ----------
    judging
        The meters being judged.
    rows, pos
        Meters whose reading has just been held or rejected, and its place in the batch.
    leader
        Likeliest explanation of that reading, ``NO_LEADER`` when none was weighed.
    """
    since = judging.memory.held_count[rows] > 0
    judging.hold(rows[~since], pos[~since])
    if since.any():
        _rebase_or_hold(judging, rows[since], pos[since], leader[since])


def _rebase_or_hold(judging: Judging, rows: Ints, pos: Ints, leader: Ints) -> None:
    """Do so for meters with readings held since the last accepted one."""
    mem = judging.memory
    newest = (mem.held_at_d[rows, NEWEST], mem.held_km[rows, NEWEST])
    pair = _agree(
        judging.base_held(rows, NEWEST), judging.batch.at_d[pos], judging.batch.value_km[pos]
    )
    earlier = _agree(judging.base_held(rows, BEFORE), *newest)
    three = pair & earlier & (mem.held_count[rows] == HELD_KEPT)
    only_one = (mem.accepted[rows] == 1) & ~mem.provisional[rows]
    wrong_start = three & only_one & ~judging.last_decided(rows)
    moved = (three & ~wrong_start) | (pair & (leader == NEW_METER) & ~three)
    if wrong_start.any():
        _start_again(judging, rows[wrong_start], pos[wrong_start])
    if moved.any():
        _move(judging, rows[moved], pos[moved], three[moved], leader[moved] == NEW_METER)
    stay = ~(wrong_start | moved)
    judging.hold(rows[stay], pos[stay])


def _agree(base: Base, at_d: Floats, km: Floats) -> Bools:
    """Say whether a reading may follow another one on the same meter."""
    step = base.step(at_d)
    rising = (km > base.km) & (at_d >= base.at_d)
    return rising & (np.abs(step.z(km)) < AGREE_Z) & step.possible(km)


def _move(judging: Judging, rows: Ints, pos: Ints, three: Bools, renewed: Bools) -> None:
    """Count on from the newest of two or three agreeing readings, with a provisional offset."""
    mem = judging.memory
    column = np.where(three, BEFORE, NEWEST)
    oldest_km = mem.held_km[rows, column]
    base = judging.base(rows)
    expected_km = base.km + base.step(mem.held_at_d[rows, column]).mean_km
    below = np.where(renewed, reason_code("new_meter"), reason_code("rolled_back"))
    reason = np.where(oldest_km > base.km, reason_code("jump"), below)
    mem.offset_km[rows] += expected_km - oldest_km
    mem.provisional[rows] = True
    _relabel_held(judging, rows[three], BEFORE, HELD, reason[three])
    _relabel_held(judging, rows, NEWEST, HELD, reason)
    judging.label(pos, HELD, reason)
    judging.shift_totals(rows, pos)
    judging.found.moves_base[pos] = True
    judging.found.rewritten[judging.meter[rows]] = True
    mem.prev_at_d[rows] = mem.prev_km[rows] = np.nan
    judging.count_from(rows, pos)


def _relabel_held(judging: Judging, rows: Ints, column: int, verdict: int, reason: Ints) -> None:
    """Give remembered held readings a new label, counted with their meter's present offset."""
    mem = judging.memory
    none = np.full(len(rows), np.nan)
    labels = Labels(
        mem.held_id[rows, column],
        np.full(len(rows), verdict),
        reason,
        suggestion_km=none,
        probability=none,
        total_km=mem.held_km[rows, column] + mem.offset_km[rows],
        provisional=mem.provisional[rows],
    )
    judging.relabel(judging.held_pos[rows, column], labels)


def _start_again(judging: Judging, rows: Ints, pos: Ints) -> None:
    """Hold the only accepted reading and accept the three that contradict it.

    No offset is there: with one the reading counted from would be provisional.
    """
    mem, batch = judging.memory, judging.batch
    _drop_the_first(judging, rows)
    none = np.zeros(len(rows), dtype=np.int64)
    _relabel_held(judging, rows, BEFORE, ACCEPTED, none)
    _relabel_held(judging, rows, NEWEST, ACCEPTED, none)
    judging.label(pos, ACCEPTED, none)
    judging.shift_totals(rows, pos)
    oldest = replace(
        judging.base_held(rows, BEFORE),
        weight_d=np.zeros(len(rows)),
        weight_km=np.zeros(len(rows)),
        scatter=np.ones(len(rows)),
    )
    middle = _grown_to(oldest, mem.held_at_d[rows, NEWEST], mem.held_km[rows, NEWEST])
    newest = _grown_to(middle, batch.at_d[pos], batch.value_km[pos])
    mem.prev_at_d[rows], mem.prev_km[rows] = middle.at_d, middle.km
    mem.prev_weight_d[rows], mem.prev_weight_km[rows] = middle.weight_d, middle.weight_km
    mem.weight_d[rows], mem.weight_km[rows] = newest.weight_d, newest.weight_km
    mem.scatter[rows] = newest.scatter
    mem.accepted[rows] = 3
    judging.found.rewritten[judging.meter[rows]] = True
    judging.count_from(rows, pos)


def _drop_the_first(judging: Judging, rows: Ints) -> None:
    mem = judging.memory
    none = np.full(len(rows), np.nan)
    labels = Labels(
        judging.last_id(rows),
        np.full(len(rows), HELD),
        np.full(len(rows), reason_code("contradicted_by_later")),
        suggestion_km=none,
        probability=none,
        total_km=mem.last_km[rows],
        provisional=mem.provisional[rows],
    )
    judging.relabel(judging.last_pos[rows], labels)


def _grown_to(base: Base, at_d: Floats, km: Floats) -> Base:
    """Return the base after one more accepted reading."""
    weight_d, weight_km, scatter = base.grown(base.step(at_d), km)
    return replace(base, at_d=at_d, km=km, weight_d=weight_d, weight_km=weight_km, scatter=scatter)
