"""Plan whole days: which visits go together on a day, as sets of visits that fit its minutes.

Where a day holds a few visits, shares of them fill its minutes to the last, and the bound lies far
below any plan. Sets of whole visits waste what they must. The best set of a day at given prices of
services is a knapsack; a linear program over the sets found so far gives the next prices. Its bound
is near what plans can reach, and fixing its surest sets one after another makes a plan.
"""

import math
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from scipy import sparse

from fleet.calc import visit_columns, visit_solver
from fleet.calc.arrays import BoolArray, FloatArray, IntArray
from fleet.calc.visit_bound import Relaxed
from fleet.calc.visit_columns import Columns, Task

Basis = visit_solver.Basis
DaySet = tuple[int, tuple[int, ...]]  # day, columns
SetColumn = tuple[IntArray, FloatArray, float]  # rows, what it takes of them, what it saves
MOST_STEPS = 400  # into which a day's minutes are cut where they have no common measure; our choice
ROUNDS, DIVE_ROUNDS = 30, 4  # of prices, at the beginning and after each set is fixed; our choice
REACH_MINOR = 300.0  # by which a price may move at first [minor units]; our choice
WIDER, NARROWER = 1.3, 0.7  # the reach after a round that raised the bound, or did not
NEAR, DIVE_NEAR = 0.0005, 0.003  # share of the cost at which prices are near enough; our choice
SET_NODES = 20  # of a program over sets of some days; our choice
KEPT_SHARE = 0.8  # of the best prices, in those that are tried next while diving; our choice
AT_ONCE, SURE = 2, 0.5  # sets fixed at once at most, if as sure as this; our choice


def best_set(limit: int, size: IntArray, vehicle: IntArray, worth: FloatArray) -> list[int]:
    """
    Choose items worth most together within a limit, at most one of a vehicle.

    Parameters
    ----------
    limit
        Steps there are.
    size, vehicle, worth : (k,)
        Steps that each takes, whose it is (rising), and what it is worth (above 0).

    Examples
    --------
    >>> best_set(5, np.array([3, 2, 4]), np.array([0, 1, 1]), np.array([6.0, 4, 7]))
    [0, 1]
    """
    best = np.zeros(limit + 1)
    taken: list[IntArray] = []
    edges = [*np.flatnonzero(np.diff(vehicle, prepend=-1)).tolist(), len(vehicle)]
    for begin, end in zip(edges[:-1], edges[1:], strict=True):
        with_it, by = best.copy(), np.full(limit + 1, -1, dtype=np.int64)
        for item in range(begin, end):
            if size[item] > limit:
                continue
            reached = best[: limit + 1 - size[item]] + worth[item]
            better = reached > with_it[size[item] :]
            with_it[size[item] :][better] = reached[better]
            by[size[item] :][better] = item
        taken.append(by)
        best = with_it
    return _traced(taken, size, limit)


def _traced(taken: list[IntArray], size: IntArray, limit: int) -> list[int]:
    items: list[int] = []
    for by in reversed(taken):
        if by[limit] >= 0:
            items.append(int(by[limit]))
            limit -= int(size[by[limit]])
    return items[::-1]


def dearest_row(task: Task, relaxed: Relaxed) -> int | None:
    """Find the daily row whose minutes are worth most together; None where none is worth any."""
    daily = np.array([not row.cumulative for row in task.rows], dtype=bool)
    worth = (relaxed.price * np.maximum(task.capacity, 0.0)).sum(axis=1) * daily
    return int(np.argmax(worth)) if len(worth) and worth.max() > 0 else None


class Days:
    """Sets of visits of each day that fit one row whole; the other rows are limits beside it."""

    def __init__(
        self, task: Task, cols: Columns, relaxed: Relaxed, row: int, late: Callable[[], bool]
    ) -> None:
        self.task, self.cols, self.late = task, cols, late
        cover = visit_columns.cover_matrix(task, cols)
        limits, upper, names = visit_columns.capacity_matrix(task, cols, task.capacity)
        beside = np.flatnonzero(names[:, 0] != row)
        names = names[beside]
        self.matrix = sparse.vstack([cover, limits[beside]], format="csr")
        self.upper = np.concatenate((np.ones(cover.shape[0]), upper[beside]))
        self.services = cover.shape[0]
        self.price = np.concatenate(
            (relaxed.service_minor, relaxed.price[names[:, 0], names[:, 1]])
        )
        self.everything = float(task.leave_out_minor.sum())
        self._cut_up(row)
        self.known: dict[DaySet, SetColumn] = {}
        self.all_open = np.ones(len(cols), dtype=bool)
        self.bound_minor, sets = self._tried(self.price, self.all_open, self.upper)
        self.sets = self._added(sets)

    def _cut_up(self, row: int) -> None:
        """Count minutes in steps: up, so that sets fit; down as well, for the bound."""
        use, limit = self.cols.use[:, row], np.maximum(self.task.capacity[row], 0.0)
        sizes = np.unique(use)
        whole = bool((sizes == np.rint(sizes)).all())
        step_min = float(math.gcd(*sizes.astype(int).tolist())) if whole else 0.0
        step_min = max(step_min, float(limit.max(initial=0.0)) / MOST_STEPS, 1e-6)
        self.limit = np.floor(limit / step_min + 1e-9).astype(np.int64)
        self.size = np.ceil(use / step_min - 1e-9).astype(np.int64)
        self.least_size = np.floor(use / step_min + 1e-9).astype(np.int64)

    def approached(self) -> None:
        """Better the prices from where they are, each within a reach, till they are near enough."""
        reach = REACH_MINOR
        for _ in range(ROUNDS):
            if self.late():
                break
            price, value, outside = self._near_prices(reach)
            bound, sets = self._tried(price, self.all_open, self.upper)
            new = self._added(sets)
            self.sets += new
            better = bound > self.bound_minor
            if better:
                self.bound_minor, self.price = bound, price
            if not new or (outside < 1 and value - self.bound_minor <= NEAR * value):
                break
            reach *= WIDER if better else NARROWER
        bound, _ = self._tried(self.price, self.all_open, self.upper, self.least_size)
        self.bound_minor = min(bound, self.bound_minor)

    def dived(self) -> list[int]:
        """Fix the surest sets one after another, with prices bettered in between; columns."""
        fixed: list[int] = []
        open_to, sets, upper = self.all_open, self.sets, self.upper
        while open_to.any() and not self.late():
            shares, sets = self._shares_after(open_to, upper, sets)
            surest = self._surest(shares, sets, upper)
            for day, columns in surest:
                fixed += columns
                open_to = open_to & (self.cols.day != day)
            upper = self._left(fixed)
            open_to = open_to & ~self._done(upper)
            if not surest:
                break
            sets = [one for one in sets if open_to[list(one[1])].all()]
        return fixed

    def planned_anew(self, chosen: Sequence[int], days: BoolArray) -> list[int]:
        """Plan some days anew, the rest held: all columns, as before where nothing is better."""
        inside = days[self.cols.day[chosen]]
        rest: list[int] = np.array(chosen)[~inside].tolist()
        upper = self._left(rest)
        open_to = days[self.cols.day] & ~self._done(upper)
        now = self._sets_of(np.array(chosen)[inside].tolist())
        self._added(now)
        open_sets = [one for one in self.known if open_to[list(one[1])].all()]
        _, sets = self._shares_after(open_to, upper, open_sets, near=NEAR / 10, rounds=ROUNDS)
        matrix, saving = self._matrix_of(sets)
        bounds = np.concatenate((np.maximum(upper, 0.0), np.ones(self.task.days)))
        start = np.array([one in now for one in sets], dtype=np.float64)
        found = visit_solver.integer(-saving, matrix, bounds, start, nodes=SET_NODES)
        if found is None or -found.value <= saving @ start + 0.5:
            return list(chosen)
        return rest + [j for at in np.flatnonzero(found.x > 0.5) for j in sets[at][1]]

    def _sets_of(self, columns: Sequence[int]) -> list[DaySet]:
        by_day: dict[int, list[int]] = {}
        for column in sorted(columns):
            by_day.setdefault(int(self.cols.day[column]), []).append(column)
        return [(day, tuple(columns_of)) for day, columns_of in sorted(by_day.items())]

    def _left(self, fixed: Sequence[int]) -> FloatArray:
        return np.asarray(self.upper - np.asarray(self.matrix[:, fixed].sum(axis=1)).ravel())

    def _done(self, upper: FloatArray) -> BoolArray:
        """Columns that hold a service which is done already."""
        done = (upper[: self.services] < 0.5).astype(np.float64)
        return np.asarray(self.matrix[: self.services].T @ done > 0.5)

    def _shares_after(
        self,
        open_to: BoolArray,
        upper: FloatArray,
        sets: list[DaySet],
        near: float = DIVE_NEAR,
        rounds: int = DIVE_ROUNDS,
    ) -> tuple[FloatArray, list[DaySet]]:
        """Better the prices of what is open; give shares of the sets, and the sets."""
        kept = self.price
        bound, new = self._tried(kept, open_to, upper)
        sets = sets + self._added(new)
        shares, price, value, basis = self._program(sets, upper)
        for _ in range(rounds):
            if value - bound <= near * abs(bound) or self.late():
                break
            fresh: list[DaySet] = []
            for one in (price, KEPT_SHARE * kept + (1 - KEPT_SHARE) * price):
                reached, new = self._tried(one, open_to, upper)
                fresh += self._added(new)
                if reached > bound:
                    bound, kept = reached, one
            if not fresh:
                break
            sets = sets + fresh
            shares, price, value, basis = self._program(sets, upper, basis)
        return shares, sets

    def _surest(self, shares: FloatArray, sets: list[DaySet], upper: FloatArray) -> list[DaySet]:
        """Choose sets with the largest shares that share no day and together pass no row."""
        chosen: list[DaySet] = []
        left = upper
        for at in np.argsort(-shares, kind="stable").tolist():
            full = len(chosen) >= AT_ONCE or shares[at] < SURE
            if shares[at] <= 0 or (chosen and full and shares[at] < 1 - 1e-6):
                break
            day, columns = sets[at]
            own = np.asarray(self.matrix[:, list(columns)].sum(axis=1)).ravel()
            if all(day != other for other, _ in chosen) and (own <= left + 1e-9).all():
                chosen.append(sets[at])
                left = left - own
        return chosen

    def _added(self, sets: Sequence[DaySet]) -> list[DaySet]:
        new = [one for one in sets if one not in self.known]
        if new:
            self.known.update(zip(new, self._columns_of(new), strict=True))
        return new

    def _columns_of(self, sets: list[DaySet]) -> Iterator[SetColumn]:
        """Add up what each set takes of every row, that of its day last, and what it saves."""
        count = [len(columns) for _, columns in sets]
        inside = [column for _, columns in sets for column in columns]
        at = np.repeat(np.arange(len(sets)), count)
        of = sparse.csc_matrix((np.ones(len(inside)), (inside, at)), (len(self.cols), len(sets)))
        taken = sparse.csc_matrix(self.matrix @ of)
        saving = np.asarray(of.T @ self.cols.saving_minor, dtype=np.float64)
        for number, (day, _) in enumerate(sets):
            here = slice(*taken.indptr[number : number + 2])
            rows = np.append(taken.indices[here], len(self.upper) + day)
            yield rows, np.append(taken.data[here], 1.0), float(saving[number])

    def _tried(
        self,
        price: FloatArray,
        open_to: BoolArray,
        upper: FloatArray,
        size: IntArray | None = None,
    ) -> tuple[float, list[DaySet]]:
        """Give the bound at some prices, and the best set of each day."""
        size = self.size if size is None else size
        worth = self.cols.saving_minor - self.matrix.T @ price
        here = self._rising(np.flatnonzero(open_to & (worth > 1e-6)), size, worth)
        edges = np.searchsorted(self.cols.day[here], np.arange(self.task.days + 1)).tolist()
        bound, sets = self.everything - float(upper @ price), []
        for day in range(self.task.days):
            of = here[edges[day] : edges[day + 1]]
            if len(of):
                best = of[best_set(self.limit[day], size[of], self.cols.vehicle[of], worth[of])]
                bound -= float(worth[best].sum())
                sets.append((day, tuple(best.tolist())))
        return bound, [one for one in sets if one[1]]

    def _rising(self, here: IntArray, size: IntArray, worth: FloatArray) -> IntArray:
        """Columns by day and vehicle that are worth more than every shorter one of theirs there."""
        day, vehicle = self.cols.day[here], self.cols.vehicle[here]
        order = np.lexsort((-worth[here], size[here], vehicle, day))
        here, of = here[order], day[order] * len(self.task.visit_minor) + vehicle[order]
        apart = worth[here].max(initial=0.0) + 1.0  # so that those of one come after another's
        level = worth[here] + apart * np.cumsum(np.diff(of, prepend=of[:1]) > 0)
        best = np.maximum.accumulate(level)
        return np.asarray(here[np.diff(best, prepend=-1.0) > 0])

    def _matrix_of(self, sets: list[DaySet]) -> tuple[sparse.csc_matrix, FloatArray]:
        """Rows of a program over sets, one set a day at most; and what each saves."""
        if not sets:
            return sparse.csc_matrix((len(self.upper) + self.task.days, 0)), np.zeros(0)
        rows, taken, saving = zip(*(self.known[one] for one in sets), strict=True)
        edges = np.concatenate(([0], np.cumsum([len(one) for one in rows])))
        shape = (len(self.upper) + self.task.days, len(sets))
        inside = (np.concatenate(taken), np.concatenate(rows), edges)
        return sparse.csc_matrix(inside, shape), np.array(saving)

    def _program(
        self, sets: list[DaySet], upper: FloatArray, begin: Basis | None = None
    ) -> tuple[FloatArray, FloatArray, float, Basis | None]:
        """Shares of the sets that cost least, prices, that cost, and where more sets begin."""
        if not sets:
            return np.zeros(0), np.zeros(len(upper)), self.everything, None
        matrix, saving = self._matrix_of(sets)
        bounds = np.concatenate((np.maximum(upper, 0.0), np.ones(self.task.days)))
        solved = visit_solver.linear(-saving, matrix, bounds, begin=begin)
        price = solved.price[: len(upper)]
        return solved.x, price, self.everything + solved.value, solved.basis

    def _near_prices(self, reach: float) -> tuple[FloatArray, float, float]:
        """Prices within a reach of the best so far; the cost; how much lies beyond the reach.

        A row may be passed, or sold, at the price where its reach ends.
        """
        matrix, saving = self._matrix_of(self.sets)
        count, rows = len(self.sets), len(self.upper)
        most, least = self.price + reach, np.maximum(self.price - reach, 0.0)
        one = sparse.identity(rows)
        beyond = sparse.vstack([sparse.hstack([-one, one]), sparse.csr_matrix(
            (self.task.days, 2 * rows))])  # fmt: skip
        solved = visit_solver.linear(
            np.concatenate((-saving, most, -least)),
            sparse.csr_matrix(sparse.hstack([matrix, beyond])),
            np.concatenate((self.upper, np.ones(self.task.days))),
        )
        outside = float(solved.x[count:].sum())
        return solved.price[:rows], self.everything + solved.value, outside
