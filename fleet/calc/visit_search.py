"""Build a plan at the bound's prices, then improve it by counted work.

Vehicles whose place matters most come first. Then some at a time are taken out and put back:
by reckoning with prices or without, and by small integer programs with the rest held.
"""

from collections.abc import Callable, Sequence

import numpy as np
from scipy import sparse

from fleet.calc import visit_solver
from fleet.calc.arrays import BoolArray, FloatArray, IntArray
from fleet.calc.visit_bound import Relaxed, Visit, rows_of
from fleet.calc.visit_columns import ALL_SUBSETS_UP_TO, Columns, Task, part_of
from fleet.calc.visit_days import Days, dearest_row
from fleet.calc.visit_effort import Effort
from fleet.calc.visit_exchange import exchange
from fleet.calc.visit_solution import Solution, best_sets

CUT_ROUNDS = 3  # of a day that cannot be shared out whole; our choice
PRICE_SHARES = (0.0, 0.5, 1.0)  # with how much of the prices vehicles are put back; our choice
NEAR_D = 2  # days about a day that a move looks at; our choice
LEFT_OUT_SHARE = 0.5  # of the moves, about a vehicle with something left out; our choice
GOOD_COLUMNS = 12  # among which such a move takes a day; our choice
MOVED = 5  # vehicles in a move; our choice
TIGHT_SHARE = 0.5  # of the cost is what scarce minutes are worth: a depot is tight; our choice
LOOSE_SHARE = 0.05  # of the cost lies between it and its bound by shares of visits; our choice
WINDOW_D, AMONG_D = 4, 12  # open days planned anew at once, side by side or among; our choice


class Search:
    """The work on one task."""

    def __init__(
        self,
        task: Task,
        cols: Columns,
        relaxed: Relaxed,
        effort: Effort,
        late: Callable[[], bool],
    ) -> None:
        self.task, self.cols, self.relaxed = task, cols, relaxed
        self.effort, self.late = effort, late
        self.random = np.random.default_rng(visit_solver.SEED)
        # a column's reduced cost less its services' own prices is what its minutes are worth
        self.priced = cols.saving_minor - self._minutes_worth()
        self.everything = float(task.leave_out_minor.sum())
        self.vehicles = np.flatnonzero(np.diff(cols.first) > 0)
        self.bound_minor = relaxed.bound_minor
        self.days: Days | None = None
        self.most = np.zeros(len(task.visit_minor))  # that a visit of each vehicle can save
        np.maximum.at(self.most, cols.vehicle, cols.saving_minor)
        self.could = np.zeros((len(task.visit_minor), task.days), dtype=bool)  # that it could come
        self.could[cols.vehicle, cols.day] = True

    def _minutes_worth(self) -> FloatArray:
        lasting = np.array([row.cumulative for row in self.task.rows], dtype=bool)
        price = self.relaxed.price
        summed = np.cumsum(price[:, ::-1], axis=1)[:, ::-1]
        by_day = np.where(lasting[:, None], summed, price)
        return np.asarray(np.einsum("jr,rj->j", self.cols.use, by_day[:, self.cols.day]))

    def gap_minor(self, solution: Solution) -> float:
        """By how much a better plan could be cheaper, at most [minor units]."""
        return self.everything - solution.saving_minor - self.bound_minor

    def near_enough(self, solution: Solution) -> bool:
        """Whether the gap is as small as is asked for."""
        cost = self.everything - solution.saving_minor
        share = self.effort.tight_gap if self._tight else self.effort.good_gap
        return self.gap_minor(solution) <= share * max(cost, 1.0)

    def best_of(self, solutions: Sequence[Solution]) -> Solution:
        """Choose the cheapest; of equals the last, which is the plan before."""
        best = solutions[0]
        for solution in solutions[1:]:
            if solution.saving_minor >= best.saving_minor and solution.chosen:
                best = solution
        return best

    def constructed(self) -> Solution:
        """Vehicles one by one, those first that lose most when their best day, or all, is gone."""
        found = [self._in_order(self._loss(vehicles_first)) for vehicles_first in (True, False)]
        return self.best_of(found)

    def _in_order(self, loss: FloatArray) -> Solution:
        solution = Solution(self.task, self.cols)
        order = self.vehicles[np.argsort(-loss, kind="stable")]
        for vehicle in order.tolist():
            solution.place_best(vehicle, self.priced)
        for vehicle in order.tolist():  # what the prices held off may have room after all
            if vehicle not in solution.chosen:
                solution.place_best(vehicle, self.cols.saving_minor)
        return solution

    def _loss(self, of_all: bool) -> FloatArray:
        """Reckon what each vehicle's visits save by the prices: in all, or over other days."""
        return np.array([self._saved(int(vehicle), of_all) for vehicle in self.vehicles])

    def _saved(self, vehicle: int, of_all: bool) -> float:
        first, end = int(self.cols.first[vehicle]), int(self.cols.first[vehicle + 1])
        best = best_sets(self.cols, vehicle, self.priced, np.ones(end - first, dtype=bool))
        saved = float(self.priced[best].sum())
        if of_all:
            return saved
        taken = np.isin(self.cols.day[first:end], self.cols.day[best])
        second = best_sets(self.cols, vehicle, self.priced, ~taken)
        return saved - float(self.priced[second].sum())

    def from_start(self, start: Sequence[Visit]) -> Solution:
        """Take up the plan before as far as it may still be made; add vehicles without a place."""
        solution = Solution(self.task, self.cols)
        wanted: dict[int, list[int]] = {}
        for vehicle, day, mask in start:
            here = slice(self.cols.first[vehicle], self.cols.first[vehicle + 1])
            same = (self.cols.day[here] == day) & (self.cols.mask[here] == mask)
            wanted.setdefault(vehicle, []).extend(
                (int(self.cols.first[vehicle]) + np.flatnonzero(same)).tolist()
            )
        for vehicle, columns in sorted(wanted.items()):
            solution.take(vehicle, columns)
        for vehicle in self.vehicles.tolist():
            if wanted and vehicle not in solution.chosen:
                solution.place_best(vehicle, self.priced)
        return solution

    def by_days(self, solution: Solution) -> Solution:
        """Raise the bound by sets of whole visits, and build a plan of the surest ones."""
        row = dearest_row(self.task, self.relaxed)
        most = self.effort.tight_columns if self._tight else self.effort.day_columns
        many = len(self.cols) > most
        if row is None or many or self.late() or self.near_enough(solution):
            return solution
        self.days = Days(self.task, self.cols, self.relaxed, row, self.late)
        self.days.approached()
        if self._all_sets:
            cost = self.everything - solution.saving_minor
            self.bound_minor = max(self.bound_minor, min(cost, self.days.bound_minor))
        found = Solution(self.task, self.cols)
        self._fill(found, self.days.dived())
        return self.best_of([found, solution])

    def _fill(self, solution: Solution, columns: Sequence[int]) -> None:
        """Put visits in as far as days can be shared out whole, those that save most first."""
        by_vehicle: dict[int, list[int]] = {}
        for column in sorted(columns, key=lambda j: (-self.cols.saving_minor[j], j)):
            by_vehicle.setdefault(int(self.cols.vehicle[column]), []).append(column)
        for vehicle, columns_of in by_vehicle.items():
            while (refused := solution.take(vehicle, sorted(columns_of))) is not None:
                columns_of.remove(refused)
        for vehicle in self.vehicles.tolist():
            if vehicle not in solution.chosen:
                solution.place_best(vehicle, self.cols.saving_minor)

    def _windows(self, solution: Solution) -> None:
        """Plan some days at a time anew as sets of whole visits."""
        exchange(solution, self.late)
        for number in range(self.effort.windows if self.days else 0):
            if self.days is None or self.late() or self.near_enough(solution):
                break
            before = solution.all_columns
            self._replace(solution, before, self.days.planned_anew(before, self._window(number)))
            exchange(solution, self.late)

    @property
    def _tight(self) -> bool:
        """Whether scarce minutes are worth so much that shares of visits say little."""
        scarce_minor = float((self.relaxed.price * np.maximum(self.task.capacity, 0.0)).sum())
        return scarce_minor > TIGHT_SHARE * max(self.relaxed.bound_minor, 1.0)

    @property
    def _all_sets(self) -> bool:
        """Whether all sets of services are columns, so that the bound of those is one for all."""
        return max(map(len, self.task.services_of), default=0) <= ALL_SUBSETS_UP_TO

    def _window(self, number: int) -> BoolArray:
        """Choose some open days: side by side, and every other time at random among more."""
        open_days = np.unique(self.cols.day)
        first = int(self.random.integers(max(1, len(open_days) - WINDOW_D + 1)))
        if number % 2:
            near = open_days[max(0, first - WINDOW_D) :][:AMONG_D]
            days = self.random.choice(near, min(WINDOW_D, len(near)), replace=False)
        else:
            days = open_days[first : first + WINDOW_D]
        return np.isin(np.arange(self.task.days), days)

    def _replace(self, solution: Solution, old: Sequence[int], new: Sequence[int]) -> None:
        """Put visits in the place of others, if each day can still be shared out whole."""
        changed = np.array(sorted(set(old) ^ set(new)), dtype=np.int64)
        vehicles = np.unique(self.cols.vehicle[changed]).tolist()
        before = {vehicle: solution.drop(vehicle) for vehicle in vehicles}
        columns = np.array(sorted(new), dtype=np.int64)
        if self._try(solution, columns[np.isin(self.cols.vehicle[columns], vehicles)]) is not None:
            self._put_back(solution, before)

    def improved(self, solution: Solution) -> Solution:
        """Spend the effort."""
        for number in range(self.effort.moves + self.effort.more_moves):
            if self.late() or self.gap_minor(solution) <= 0.5:
                return solution
            if number >= self.effort.moves and self.near_enough(solution):
                break
            self._move(solution)
        self._windows(solution)
        if not self.late() and self._whole(solution):
            return solution
        for number in range(self._programs(solution)):
            enough = number >= self.effort.programs and self.near_enough(solution)
            if self.late() or enough or self.gap_minor(solution) <= 0.5:
                break
            self._program(solution, number)
        return solution

    def _programs(self, solution: Solution) -> int:
        """How many small programs at most.

        Fewer once whole days were planned anew, and none where shares of visits then say so little
        of what is no part of a better plan that each is large.
        """
        if self.days is None:
            return self.effort.programs + self.effort.more_programs
        cost = self.everything - solution.saving_minor
        near = cost - self.relaxed.bound_minor <= LOOSE_SHARE * cost
        return self.effort.programs if near else 0

    def _near(
        self, solution: Solution, day: int, count: int, among: IntArray | None = None
    ) -> list[int]:
        """Vehicles that come in about a day, or could and do not, at random among equals."""
        among = self.vehicles if among is None else among
        days = solution.comes[among]
        days = np.where(days.any(axis=1, keepdims=True), days, self.could[among])
        apart = np.where(days, np.abs(np.arange(self.task.days) - day), self.task.days).min(axis=1)
        order = np.argsort(apart + self.random.random(len(apart)) * (NEAR_D + 1), kind="stable")
        return [int(among[at]) for at in order[:count]]

    def _move(self, solution: Solution) -> None:
        """Take some vehicles out and put them back in another order; keep it if no dearer."""
        moved = self._to_move(solution)
        before = {vehicle: solution.drop(vehicle) for vehicle in moved}
        old = sum(self.cols.saving_minor[j] for js in before.values() for j in js)
        share = PRICE_SHARES[int(self.random.integers(len(PRICE_SHARES)))]
        saving = self.cols.saving_minor + share * (self.priced - self.cols.saving_minor)
        worth = self.most[moved] * self.random.uniform(0.2, 1.0, len(moved))
        for at in np.argsort(-worth, kind="stable").tolist():
            solution.place_best(moved[at], saving)
        new = sum(self.cols.saving_minor[j] for v in moved for j in solution.chosen.get(v, ()))
        if new < old:
            self._put_back(solution, before)

    def _to_move(self, solution: Solution) -> list[int]:
        """Pick vehicles about a day at random.

        Every other time it is a day on which one could come that has something left out, the more
        likely the more that costs.
        """
        day = int(self.random.integers(self.task.days))
        lost = np.maximum(0.0, self.most - solution.saved_minor)
        if self.random.random() < LEFT_OUT_SHARE and lost.sum() > 0:
            vehicle = int(self.random.choice(len(lost), p=lost / lost.sum()))
            first, end = int(self.cols.first[vehicle]), int(self.cols.first[vehicle + 1])
            dear = np.argsort(-self.priced[first:end], kind="stable")[:GOOD_COLUMNS]
            day = int(self.cols.day[first + int(self.random.choice(dear))])
            near = [one for one in self._near(solution, day, MOVED) if one != vehicle]
            return [vehicle, *near]
        return self._near(solution, day, MOVED)

    def _put_back(self, solution: Solution, before: dict[int, tuple[int, ...]]) -> None:
        for vehicle in before:
            solution.drop(vehicle)
        for vehicle, columns in before.items():
            if columns and solution.take(vehicle, columns) is not None:
                raise ArithmeticError("a plan that held does not hold any more")

    def _program(self, solution: Solution, number: int) -> None:
        """Plan some vehicles anew by an integer program, the rest held."""
        worth = self.relaxed.price.sum(axis=0) + 1e-6
        day = int(self.random.choice(self.task.days, p=worth / worth.sum()))
        if number % 3 == 1:
            day = int(self.random.integers(self.task.days))
        among = self._contending() if number % 3 == 2 else self.vehicles
        vehicles = self._near(solution, day, self.effort.vehicles, among)
        self._solve_for(solution, sorted(vehicles), self.effort.nodes)

    def _contending(self) -> IntArray:
        """Vehicles that want something of the dearest row that not all of them want."""
        asks = np.zeros((len(self.most), len(self.task.rows)), dtype=bool)
        np.logical_or.at(asks, self.cols.vehicle, self.cols.use > 0)
        special = ~asks[self.vehicles].all(axis=0)
        price = np.where(special, self.relaxed.price.max(axis=1), 0.0)
        if not price.any():
            return self.vehicles
        return np.asarray(self.vehicles[asks[self.vehicles, int(np.argmax(price))]])

    def _whole(self, solution: Solution) -> bool:
        """Try the whole program where few columns could be in a better plan; tell if that ends it.

        The bound rises to what its search proves; not where a vehicle has so many services that
        some sets of them are no columns.
        """
        left = self.relaxed.reduced_minor <= self.gap_minor(solution) + 0.5
        if left.sum() <= self.effort.whole_columns:
            proved = self._solve_for(solution, self.vehicles.tolist(), self.effort.whole_nodes)
            if self._all_sets:
                cost = self.everything - solution.saving_minor
                self.bound_minor = max(self.bound_minor, min(cost, self.everything + proved))
        return self.gap_minor(solution) <= 0.5

    def _solve_for(self, solution: Solution, vehicles: Sequence[int], nodes: int) -> float:
        """Solve for some vehicles, sorted; give the bound of what those save, below 0."""
        before = {vehicle: solution.drop(vehicle) for vehicle in vehicles}
        old = {j for js in before.values() for j in js}
        first = self.cols.first
        here = np.concatenate([np.arange(first[v], first[v + 1]) for v in vehicles])
        gap = self.everything - self.relaxed.bound_minor - solution.saving_minor
        gap -= float(self.cols.saving_minor[sorted(old)].sum())
        room = (self.cols.use[here] <= solution.room[:, self.cols.day[here]].T + 1e-9).all(axis=1)
        hopeful = self.relaxed.reduced_minor[here] <= gap + 0.5
        here = here[(room & hopeful) | np.isin(here, sorted(old))]
        taken, bound = self._taken(solution, here, old, nodes)
        if not taken:
            self._put_back(solution, before)
        return bound

    def _taken(
        self, solution: Solution, here: IntArray, old: set[int], nodes: int
    ) -> tuple[bool, float]:
        """Solve for these columns and put the choice in if it is better and works out whole."""
        if not len(here):
            return False, 0.0
        part = part_of(self.cols, here)
        matrix, upper, _ = rows_of(self.task, part, solution.left)
        asked_of = matrix.getnnz(axis=1) > 0
        matrix, upper = matrix[asked_of], upper[asked_of]
        start = np.isin(here, sorted(old)).astype(np.float64)
        least = float(part.saving_minor @ start)
        bound = -np.inf
        for _ in range(1 + CUT_ROUNDS):
            found = visit_solver.integer(-part.saving_minor, matrix, upper, start, nodes=nodes)
            bound = max(bound, -np.inf if found is None else found.bound)
            if found is None or -found.value <= least + 0.5:
                return False, bound
            picked = here[found.x > 0.5]
            broken = self._try(solution, picked)
            if broken is None:
                return True, bound
            matrix, upper = _cut(matrix, upper, np.isin(here, broken))
        return False, bound

    def _try(self, solution: Solution, picked: IntArray) -> list[int] | None:
        """Put visits in; where a day cannot hold one, take all out and say which were on it."""
        by_vehicle: dict[int, list[int]] = {}
        for column in picked.tolist():
            by_vehicle.setdefault(int(self.cols.vehicle[column]), []).append(column)
        for vehicle, columns in by_vehicle.items():
            refused = solution.take(vehicle, columns)
            if refused is not None:
                for other in by_vehicle:
                    solution.drop(other)
                same_day = self.cols.day[picked] == self.cols.day[refused]
                return [int(one) for one in picked[same_day]]
        return None


def _cut(
    matrix: sparse.csr_matrix, upper: FloatArray, together: BoolArray
) -> tuple[sparse.csr_matrix, FloatArray]:
    """Forbid that some columns are all chosen."""
    row = sparse.csr_matrix(together.astype(np.float64)[None, :])
    return (
        sparse.vstack([matrix, row], format="csr"),
        np.append(upper, float(together.sum()) - 1.0),
    )
