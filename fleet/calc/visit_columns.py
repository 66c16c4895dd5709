"""Every visit that could be made: a vehicle, a day, and which of its services are done together.

The task is to choose among these columns. As columns the bound is tight, where a form with one
variable per service and day is not. A visit that costs more than leaving its services out is none.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from fleet.calc.arrays import BoolArray, FloatArray, IntArray
from fleet.calc.visit_rows import Row
from fleet.calc.whole_jobs import Crew

ALL_SUBSETS_UP_TO = 6  # services of a vehicle; our choice: 63 sets a day
MOST_REACHED = 20_000  # units of a row up to which sums are counted one by one; our choice


@dataclass(frozen=True)
class Task:
    """What is to be planned at one depot over H days, for v vehicles and n services.

    Parameters
    ----------
    vehicle : (n,)
        Vehicle of each service.
    cost_minor : (n, H)
        Cost of each service on each day; inf where it may not be done [minor units].
    leave_out_minor : (n,)
        Cost of leaving it to later [minor units].
    wait_min : (n,)
        Time the vehicle stands in its bay while nobody works [min].
    visit_minor : (v,)
        Cost of a visit by itself [minor units].
    rows
        What is limited.
    joins : (v, H)
        Days on which a vehicle comes in anyway: what joins pays for no visit and no set-up.
    crew
        Bays and mechanics, for visits as wholes; None to look at the rows only.
    """

    vehicle: IntArray
    cost_minor: FloatArray
    leave_out_minor: FloatArray
    wait_min: FloatArray
    visit_minor: FloatArray
    rows: tuple[Row, ...]
    joins: BoolArray
    crew: Crew | None = None

    @property
    def days(self) -> int:
        """How many days the plan has."""
        return int(self.cost_minor.shape[1])

    @cached_property
    def services_of(self) -> list[IntArray]:
        """Services of each vehicle, in order."""
        order = np.argsort(self.vehicle, kind="stable")
        edges = np.searchsorted(self.vehicle[order], np.arange(len(self.visit_minor) + 1))
        return [order[a:b] for a, b in zip(edges[:-1], edges[1:], strict=True)]

    @cached_property
    def capacity(self) -> FloatArray:
        """All rows' capacities, (R, H)."""
        shape = (len(self.rows), self.days)
        return np.array([row.capacity for row in self.rows], dtype=np.float64).reshape(shape)


@dataclass(frozen=True)
class Columns:
    """Visits that could be made, (j,), sorted by vehicle.

    Parameters
    ----------
    vehicle, day : (j,)
        Which vehicle comes in, and when.
    mask : (j,)
        Bits of the services done, counted among those of the vehicle.
    cost_minor : (j,)
        Of the visit and its services [minor units].
    saving_minor : (j,)
        What leaving its services out would cost more [minor units].
    use : (j, R)
        What it takes of each row.
    first : (v + 1,)
        Where the columns of each vehicle begin.
    split : (v, H)
        Days on which a vehicle's services may lie on separate columns only, as all of them
        together are too long: there two columns must not stand for two visits.
    """

    vehicle: IntArray
    day: IntArray
    mask: IntArray
    cost_minor: FloatArray
    saving_minor: FloatArray
    use: FloatArray
    first: IntArray
    split: BoolArray

    def __len__(self) -> int:
        return len(self.vehicle)


def columns(task: Task, keep: tuple[tuple[int, int, int], ...] = ()) -> Columns:
    """
    Make all columns that can be worth their cost.

    Parameters
    ----------
    task
        What is to be planned.
    keep
        Visits (vehicle, day, bits of services) of a plan in force: theirs stay whatever they cost,
        as long as they may be made at all.
    """
    wanted: dict[int, set[tuple[int, int]]] = {}
    for vehicle, day, mask in keep:
        wanted.setdefault(vehicle, set()).add((day, mask))
    split = np.zeros((len(task.visit_minor), task.days), dtype=bool)
    parts = [
        _of_vehicle(task, vehicle, services, wanted.get(vehicle, set()), split)
        for vehicle, services in enumerate(task.services_of)
    ]
    sizes = [len(part[0]) for part in parts]
    vehicle_of = np.repeat(np.arange(len(parts)), sizes)
    on, bits, cost, saving = (_joined([part[number] for part in parts]) for number in range(4))
    use = [part[4] for part in parts if len(part[4])]
    return Columns(
        vehicle=vehicle_of,
        day=on.astype(np.int64),
        mask=bits.astype(np.int64),
        cost_minor=cost,
        saving_minor=saving,
        use=np.concatenate(use) if use else np.zeros((0, len(task.rows))),
        first=np.concatenate(([0], np.cumsum(sizes))).astype(np.int64),
        split=split,
    )


def _joined(parts: list[FloatArray]) -> FloatArray:
    return np.concatenate(parts) if parts else np.zeros(0)


def _subsets(count: int, cost_minor: FloatArray) -> IntArray:
    """Give bits of the sets to look at: all of few services; of many, runs of those due first."""
    if count <= ALL_SUBSETS_UP_TO:
        return np.arange(1, 1 << count)
    order = np.argsort(np.argmin(cost_minor, axis=1), kind="stable")
    bits = 1 << order.astype(np.int64)
    runs = [bits[a:b].sum() for a in range(count) for b in range(a + 1, count + 1)]
    return np.unique(np.array(runs, dtype=np.int64))


def _of_vehicle(
    task: Task,
    vehicle: int,
    services: IntArray,
    wanted: set[tuple[int, int]],
    split: BoolArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    count = len(services)
    if not count:
        none = np.zeros(0)
        return none, none, none, none, np.zeros((0, len(task.rows)))
    masks = _subsets(count, task.cost_minor[services])
    kept = np.array(sorted({mask for _, mask in wanted}), dtype=np.int64)
    masks = np.union1d(masks, kept)
    holds = (masks[:, None] >> np.arange(count) & 1).astype(bool)
    own = np.where(np.isfinite(task.cost_minor[services]), task.cost_minor[services], 1e15)
    visit = np.where(task.joins[vehicle], 0.0, task.visit_minor[vehicle])
    cost = holds @ own + visit  # (masks, H)
    saving = (holds @ task.leave_out_minor[services])[:, None] - cost
    dear = own > task.leave_out_minor[services][:, None]
    has_dear = holds.astype(np.int64) @ dear.astype(np.int64) > 0
    worth = (saving > 0) & ~has_dear
    for on, mask in wanted:
        worth[np.searchsorted(masks, mask), on] = True
    at, day = np.nonzero(worth & (cost < 1e14))
    use = _use(task, vehicle, services, holds, at, day)
    can = (use <= task.capacity.T[day] + 1e-9).all(axis=1) if len(at) else np.zeros(0, dtype=bool)
    if task.crew is not None and len(at):
        can &= task.crew.fits_alone(vehicle, services, holds, at, day, ~task.joins[vehicle])
    split[vehicle, np.unique(day[~can])] = True
    if count > ALL_SUBSETS_UP_TO:
        split[vehicle] = True
    at, day, use = at[can], day[can], use[can]
    return (
        day.astype(np.float64), masks[at].astype(np.float64), cost[at, day], saving[at, day], use
    )  # fmt: skip


def _use(
    task: Task, vehicle: int, services: IntArray, holds: BoolArray, at: IntArray, day: IntArray
) -> FloatArray:
    use = np.zeros((len(at), len(task.rows)))
    alone = ~task.joins[vehicle][day]
    waits = (holds * task.wait_min[services]).max(axis=1)
    for number, row in enumerate(task.rows):
        use[:, number] = (holds @ row.use[services])[at] + row.set_up[vehicle] * alone
        if row.waits:
            use[:, number] += waits[at]
    return use


def part_of(cols: Columns, here: IntArray) -> Columns:
    """Make some of the columns columns of their own."""
    order = np.arange(len(cols.first) - 1)
    vehicle = cols.vehicle[here]
    return Columns(
        vehicle=vehicle,
        day=cols.day[here],
        mask=cols.mask[here],
        cost_minor=cols.cost_minor[here],
        saving_minor=cols.saving_minor[here],
        use=cols.use[here],
        first=np.concatenate((np.searchsorted(vehicle, order), [len(vehicle)])).astype(np.int64),
        split=cols.split,
    )


def cover_matrix(task: Task, cols: Columns) -> sparse.csr_matrix:
    """Which column does which service, (n, j)."""
    services_of = task.services_of
    rows: list[IntArray] = []
    at: list[IntArray] = []
    for vehicle in np.flatnonzero(np.diff(cols.first)).tolist():
        services = services_of[vehicle]
        here = np.arange(cols.first[vehicle], cols.first[vehicle + 1])
        bit, col = np.nonzero((cols.mask[here][None, :] >> np.arange(len(services))[:, None]) & 1)
        rows.append(services[bit])
        at.append(here[col])
    none = np.zeros(0, dtype=np.int64)
    pairs = (np.concatenate([none, *rows]), np.concatenate([none, *at]))
    shape = (len(task.vehicle), len(cols))
    return sparse.csr_matrix((np.ones(len(pairs[0])), pairs), shape=shape)


def capacity_matrix(
    task: Task, cols: Columns, capacity: FloatArray, *, lowered: bool = True
) -> tuple[sparse.csr_matrix, FloatArray, IntArray]:
    """
    Rows that can bind: matrix (q, j), upper bounds (q,), and which row and day each is, (q, 2).

    Of a part, a day counts only where fewer are there than on the day after. ``lowered``: each
    limit to what whole visits can take of it.
    """
    blocks, upper, names = [], [], []
    for number, row in enumerate(task.rows):
        use = cols.use[:, number]
        by_day = sparse.csr_matrix(
            (use, (cols.day, np.arange(len(cols)))), shape=(task.days, len(cols))
        )
        limit = capacity[number]
        if row.cumulative:
            by_day = sparse.csr_matrix(np.tri(task.days)) @ by_day
            tight = np.append(limit[:-1] < limit[1:], True)
        else:
            tight = np.ones(task.days, dtype=bool)
            limit = reachable(use, limit) if lowered else limit
        most = np.asarray(by_day.sum(axis=1)).ravel()
        days = np.flatnonzero(tight & (most > limit + 1e-9))
        blocks.append(by_day[days])
        upper.append(limit[days])
        names.append(np.column_stack((np.full(len(days), number), days)))
    if not blocks:
        return sparse.csr_matrix((0, len(cols))), np.zeros(0), np.zeros((0, 2), dtype=np.int64)
    return sparse.vstack(blocks, format="csr"), np.concatenate(upper), np.concatenate(names)


def reachable(use: FloatArray, limit: FloatArray) -> FloatArray:
    """
    Lower each limit to the most that whole visits can take of it.

    Of 130 minutes, jobs of 90 minutes use 90: what is left is nobody's, and the bound knows it.

    Parameters
    ----------
    use : (j,)
        What each column takes; where one is no whole number nothing is lowered.
    limit : (H,)
        Of each day.

    Examples
    --------
    >>> reachable(np.array([90.0, 60.0]), np.array([130.0, 170.0, 40.0]))
    array([ 90., 150.,   0.])
    """
    sizes = np.unique(use[use > 0])
    most = limit.max(initial=0.0)
    if most > MOST_REACHED or (sizes != np.rint(sizes)).any():
        return limit
    sums = 1  # a bit for each sum that can be reached
    everything = (1 << int(most) + 1) - 1
    for size in sizes.astype(int).tolist():
        step = size
        while step <= most:
            sums |= (sums << step) & everything
            step *= 2
    reached = np.flatnonzero([sums >> at & 1 for at in range(int(most) + 1)])
    at = np.searchsorted(reached, np.floor(limit), side="right") - 1
    return np.where(limit >= 0, reached[np.maximum(at, 0)].astype(np.float64), limit)


def one_a_day_matrix(cols: Columns) -> sparse.csr_matrix:
    """Rows that keep a vehicle from two visits on one day, where its columns alone would not."""
    here = np.flatnonzero(cols.split[cols.vehicle, cols.day]) if len(cols) else np.zeros(0, int)
    key = cols.vehicle[here] * cols.split.shape[1] + cols.day[here]
    _, row = np.unique(key, return_inverse=True)
    shape = (int(row.max()) + 1 if len(row) else 0, len(cols))
    return sparse.csr_matrix((np.ones(len(here)), (row, here)), shape=shape)
