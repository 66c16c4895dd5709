"""Held readings that agree with each other: the meter now counts from somewhere else.

Three in a row since the last accepted one (two when the last one points to a new meter) mean a
new meter, a roll-back or a jump. They stay held until a person settles them, and the meter counts
on from the last of them with a provisional offset. When the only accepted reading is what three
contradict, that first one was wrong: it becomes held and the three accepted.
"""

from dataclasses import replace

import numpy as np

from fleet.calc.docket import BEFORE, NEWEST, Docket, Labels
from fleet.calc.expectations import Base
from fleet.calc.explanations import NEW_METER
from fleet.calc.verdict_rows import (
    ACCEPTED,
    HELD,
    HELD_KEPT,
    Bools,
    Floats,
    Ints,
    reason_code,
)

AGREE_Z = 4.0
NO_LEADER = -1


def hold_or_rebase(docket: Docket, rows: Ints, pos: Ints, leader: Ints) -> None:
    """Remember readings just held or rejected, and move the base where they agree.

    Parameters
    ----------
    docket
        The meters being judged.
    rows, pos
        Meters whose reading has just been held or rejected, and its place in the batch.
    leader
        Likeliest explanation of that reading, ``NO_LEADER`` when none was weighed.
    """
    since = docket.memory.held_count[rows] > 0
    docket.hold(rows[~since], pos[~since])
    if since.any():
        _rebase_or_hold(docket, rows[since], pos[since], leader[since])


def _rebase_or_hold(docket: Docket, rows: Ints, pos: Ints, leader: Ints) -> None:
    """Do so for meters with readings held since the last accepted one."""
    mem = docket.memory
    newest = (mem.held_at_d[rows, NEWEST], mem.held_km[rows, NEWEST])
    pair = _agree(
        docket.base_held(rows, NEWEST), docket.batch.at_d[pos], docket.batch.value_km[pos]
    )
    earlier = _agree(docket.base_held(rows, BEFORE), *newest)
    three = pair & earlier & (mem.held_count[rows] == HELD_KEPT)
    only_one = (mem.accepted[rows] == 1) & ~mem.provisional[rows]
    wrong_start = three & only_one & ~docket.last_decided(rows)
    moved = (three & ~wrong_start) | (pair & (leader == NEW_METER) & ~three)
    if wrong_start.any():
        _start_again(docket, rows[wrong_start], pos[wrong_start])
    if moved.any():
        _move(docket, rows[moved], pos[moved], three[moved], leader[moved] == NEW_METER)
    stay = ~(wrong_start | moved)
    docket.hold(rows[stay], pos[stay])


def _agree(base: Base, at_d: Floats, km: Floats) -> Bools:
    """Say whether a reading may follow another one on the same meter."""
    step = base.step(at_d)
    rising = (km > base.km) & (at_d >= base.at_d)
    return rising & (np.abs(step.z(km)) < AGREE_Z) & step.possible(km)


def _move(docket: Docket, rows: Ints, pos: Ints, three: Bools, renewed: Bools) -> None:
    """Count on from the newest of two or three agreeing readings, with a provisional offset."""
    mem = docket.memory
    column = np.where(three, BEFORE, NEWEST)
    oldest_km = mem.held_km[rows, column]
    base = docket.base(rows)
    expected_km = base.km + base.step(mem.held_at_d[rows, column]).mean_km
    below = np.where(renewed, reason_code("new_meter"), reason_code("rolled_back"))
    reason = np.where(oldest_km > base.km, reason_code("jump"), below)
    mem.offset_km[rows] += expected_km - oldest_km
    mem.provisional[rows] = True
    _relabel_held(docket, rows[three], BEFORE, HELD, reason[three])
    _relabel_held(docket, rows, NEWEST, HELD, reason)
    docket.label(pos, HELD, reason)
    docket.shift_totals(rows, pos)
    docket.found.moves_base[pos] = True
    docket.found.rewritten[docket.meter[rows]] = True
    mem.prev_at_d[rows] = mem.prev_km[rows] = np.nan
    docket.count_from(rows, pos)


def _relabel_held(docket: Docket, rows: Ints, column: int, verdict: int, reason: Ints) -> None:
    """Give remembered held readings a new label, counted with their meter's present offset."""
    mem = docket.memory
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
    docket.relabel(docket.held_pos[rows, column], labels)


def _start_again(docket: Docket, rows: Ints, pos: Ints) -> None:
    """Hold the only accepted reading and accept the three that contradict it, without offset."""
    mem, batch = docket.memory, docket.batch
    _drop_the_first(docket, rows)
    mem.offset_km[rows] = 0.0
    none = np.zeros(len(rows), dtype=np.int64)
    _relabel_held(docket, rows, BEFORE, ACCEPTED, none)
    _relabel_held(docket, rows, NEWEST, ACCEPTED, none)
    docket.label(pos, ACCEPTED, none)
    docket.shift_totals(rows, pos)
    oldest = replace(
        docket.base_held(rows, BEFORE),
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
    docket.found.rewritten[docket.meter[rows]] = True
    docket.count_from(rows, pos)


def _drop_the_first(docket: Docket, rows: Ints) -> None:
    mem = docket.memory
    none = np.full(len(rows), np.nan)
    labels = Labels(
        docket.last_id(rows),
        np.full(len(rows), HELD),
        np.full(len(rows), reason_code("contradicted_by_later")),
        suggestion_km=none,
        probability=none,
        total_km=mem.last_km[rows] + mem.offset_km[rows],
        provisional=mem.provisional[rows],
    )
    docket.relabel(docket.last_pos[rows], labels)


def _grown_to(base: Base, at_d: Floats, km: Floats) -> Base:
    """Return the base after one more accepted reading."""
    weight_d, weight_km, scatter = base.grown(base.step(at_d), km)
    return replace(base, at_d=at_d, km=km, weight_d=weight_d, weight_km=weight_km, scatter=scatter)
