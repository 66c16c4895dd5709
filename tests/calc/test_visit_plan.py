"""Plans against the case worked by hand, and against brute force."""

from dataclasses import replace
from itertools import permutations, product

import numpy as np
import pytest

from fleet.calc import visit_bound, visit_columns, visit_extra, visit_solver
from fleet.calc.visit_columns import Task
from fleet.calc.visit_effort import Effort
from fleet.calc.visit_plan import plan
from fleet.calc.visit_reasons import Around, Reason, reasons
from fleet.calc.visit_rows import Row
from fleet.calc.whole_jobs import Crew
from tests.calc import visit_cases as cases

SHORT = Effort(moves=30, programs=2, more_programs=2)


# All of it worked by brute force over the 81 plans, in fractions, when the case was set up.
@pytest.mark.parametrize(
    ("minutes", "skilled_min", "optimum"),
    [
        ((120, 210), (0, 90), 212),
        ((120, 220), (0, 90), 401 / 2),
        ((120, 180), (0, 90), 609 / 2),
        ((120, 190), (0, 90), 212),
        (None, None, 181),
        (None, (0, 90), 193),
    ],
)
def test_the_case_has_its_optimum(
    minutes: tuple[float, float] | None, skilled_min: tuple[float, float] | None, optimum: float
) -> None:
    found = plan(cases.case(minutes, skilled_min))
    assert found.cost_minor == optimum * cases.CENTS
    assert found.gap == 0


def test_the_case_is_planned_as_by_hand() -> None:
    found = plan(cases.case())
    assert found.day.tolist() == [0, 0, 1, 1]  # A in one visit on day 0, B and C on day 1
    assert found.visits == ((0, 0, 0b11), (1, 1, 1), (2, 1, 1))


def test_the_case_has_its_bound_and_its_next_best() -> None:
    task = cases.case()
    cols = visit_columns.columns(task)
    plain, _ = visit_bound.relax(task, cols, lowered=False)
    assert plain.bound_minor / cases.CENTS == pytest.approx(197.7727, abs=0.0001)
    assert cases.all_costs(task)[:2] == [21_200, 26_950]
    closer, _ = visit_bound.relax(task, cols)
    assert plain.bound_minor < closer.bound_minor <= 21_200


def test_c_is_left_out_for_want_of_time_with_180_minutes() -> None:
    task = cases.case((120, 180))
    found = plan(task)
    around = Around(task.cost_minor, np.zeros(2, dtype=bool), np.zeros((3, 2), dtype=bool))
    assert found.day.tolist() == [1, 1, 0, -1]
    told = reasons(task, found, around)
    assert told == [Reason.TIME, Reason.ON_TIME, Reason.ON_TIME, Reason.TIME]


@pytest.mark.parametrize(
    ("to_spare", "told"),
    [((1, 1, 0, 0, 1), Reason.SPARED), ((1, 1, 1, 0, 1), Reason.TIME), ((1,) * 5, Reason.TIME)],
)
def test_the_reason_of_a_late_day_is_what_stands_in_its_way_most_often(
    to_spare: tuple[int, ...], told: Reason
) -> None:
    """Day 0 is closed, day 1 has no minutes, day 4 is planned; of as many the first counts."""
    minutes = (0, 0, *(0 if spare else 60 for spare in to_spare[2:4]), 60)
    one, none = np.ones(1), np.zeros(1)
    task = Task(
        vehicle=np.zeros(1, dtype=np.int64),
        cost_minor=np.arange(5.0)[None],
        leave_out_minor=np.array([1e6]),
        wait_min=none,
        visit_minor=none,
        rows=(
            Row("mechanics", "mechanics", np.array(minutes, dtype=float), 60 * one, none),
            Row("vehicles", "vans", np.array(to_spare, dtype=float), none, one),
        ),
        joins=np.zeros((1, 5), dtype=bool),
    )
    closed = np.arange(5) == 0
    found = plan(task)
    assert found.day.tolist() == [4]
    assert reasons(task, found, Around(task.cost_minor, closed, np.zeros((1, 5), bool))) == [told]


def test_half_an_hour_is_told_where_ten_minutes_would_make_it_fit() -> None:
    # by hand: 190 minutes hold B (80) and C (110), 110 + 80 + 110 are just 120 + 180, so that
    # shares of visits need none; told in half hours
    task = cases.case((120, 180))
    assert visit_extra.least_minutes(task).sum() == 0
    extra = visit_extra.to_fit(task)
    assert extra.minutes[0].tolist() == [0, 30]
    assert (extra.found.day >= 0).all()


def test_who_works_on_a_day_works_the_extra_minutes_too() -> None:
    task = cases.case((120, 180))
    crew = Crew(
        bay_min=np.array([[480.0, 0]]), bay_fits=np.ones((3, 1), bool),
        mechanic_min=np.array([[120.0, 120], [0, 60]]), skills=np.zeros(2, np.int64),
        need=np.zeros(3, np.int64), work_min=np.zeros(3), second_min=np.zeros(3),
        wait_min=np.zeros(3), set_up_min=np.zeros(3), committed=((), ()),
    )  # fmt: skip
    more = np.zeros((len(task.rows), 2))
    more[0] = 30, 60
    wider = visit_extra.widened(replace(task, crew=crew), more)
    assert wider.rows[0].capacity.tolist() == [150, 240]
    assert wider.crew is not None
    assert wider.crew.mechanic_min.tolist() == [[150, 180], [0, 120]]
    assert wider.crew.bay_min.tolist() == [[510, 0]]


def test_minutes_are_bought_when_cheap_and_not_when_dear() -> None:
    task = cases.case()
    assert visit_extra.worth_buying(task, 100_000).sum() == 0
    assert visit_extra.worth_buying(task, 1).sum() > 0


@pytest.mark.parametrize("seed", range(8))
def test_small_tasks_cost_what_trying_every_plan_finds(seed: int) -> None:
    task = cases.small(seed)
    found = plan(task, effort=SHORT)
    assert found.cost_minor == cases.all_costs(task)[0]
    assert cases.cost_of(task, tuple(found.day.tolist())) == found.cost_minor
    assert found.linear_minor <= found.cost_minor + 1e-6


@pytest.mark.parametrize("seed", range(2))
def test_a_vehicle_with_many_services_is_planned_as_well_as_by_trying(seed: int) -> None:
    task = cases.small(seed, vehicles=1, days=3)
    many = replace_services(task, 7, seed)
    found = plan(many, effort=SHORT)
    least = cases.all_costs(many)[0]
    assert found.bound_minor <= least + 1e-6
    assert found.cost_minor == least


def replace_services(task: Task, count: int, seed: int) -> Task:
    """One vehicle with so many services that not every set of them is a column at once."""
    random = np.random.default_rng(seed)
    return replace(
        task,
        vehicle=np.zeros(count, dtype=np.int64),
        cost_minor=random.integers(0, 6_000, (count, 3)).astype(float),
        leave_out_minor=random.integers(3_000, 9_000, count).astype(float),
        wait_min=np.zeros(count),
        rows=(
            Row("mechanics", "mechanics", np.array([250.0, 200, 240]),
                random.integers(2, 7, count) * 10.0, np.full(1, 20.0)),
        ),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_assigning_jobs_to_agents_is_a_plan_without_visit_costs(seed: int) -> None:
    # generalised assignment: day = agent, job = vehicle with one service, nothing left out
    random = np.random.default_rng(seed)
    jobs, agents = 6, 3
    cost = random.integers(10, 50, (jobs, agents)).astype(float) * 100
    minutes = random.integers(10, 30, jobs).astype(float)
    limit = np.full(agents, np.ceil(minutes.sum() / agents * 1.15))
    task = Task(
        vehicle=np.arange(jobs),
        cost_minor=cost,
        leave_out_minor=np.full(jobs, 1e6),
        wait_min=np.zeros(jobs),
        visit_minor=np.zeros(jobs),
        rows=(Row("mechanics", "agents", limit, minutes, np.zeros(jobs)),),
        joins=np.zeros((jobs, agents), dtype=bool),
    )
    best = min(
        cost[range(jobs), days].sum()
        for days in map(list, product(range(agents), repeat=jobs))
        if (np.bincount(days, minutes, agents) <= limit).all()
    )
    assert plan(task, effort=SHORT).cost_minor == best


@pytest.mark.parametrize("seed", range(3))
def test_without_limits_each_vehicle_alone_is_the_optimum_and_the_bound(seed: int) -> None:
    task = replace(cases.small(seed), rows=())
    found = plan(task)
    assert found.cost_minor == pytest.approx(cases.all_costs(task)[0])
    assert found.linear_minor == pytest.approx(found.cost_minor)


def test_the_same_task_gives_the_same_plan() -> None:
    first, second = (plan(cases.small(5), effort=SHORT) for _ in range(2))
    assert first.visits == second.visits


def test_the_plan_before_stays_where_it_is_not_beaten() -> None:
    # B and C are alike and one place is free each day: either way round costs the same
    task = replace(
        cases.case((110, 110), None),
        cost_minor=np.full((4, 2), 1_000.0),
    )
    ways = [((1, first, 1), (2, 1 - first, 1)) for first in (0, 1)]
    small = replace(task, leave_out_minor=np.array([0.0, 0, 17_000, 19_200]))
    for start in ways:
        assert plan(small, start=start).visits == start


def test_a_start_that_cannot_be_made_any_more_does_no_harm() -> None:
    start = ((0, 0, 0b11), (1, 0, 1), (2, 0, 1))  # C on day 0, where nobody has the skill
    assert plan(cases.case(), start=start).cost_minor == 21_200


def test_a_vehicle_never_comes_twice_on_one_day() -> None:
    # each of two jobs fits the longest bay alone, both together do not: minutes would suffice
    task = cases.one_vehicle_two_long_jobs()
    found = plan(task)
    days = sorted(day for _, day, _ in found.visits)
    assert days == [0, 1]


def test_a_day_that_cannot_be_shared_out_whole_is_not_planned() -> None:
    # by hand: 3 · 320 min are no more than 2 · 480, and no two of them fit one mechanic
    found = plan(cases.three_long_jobs(days=1))
    assert sorted(found.day.tolist()) == [-1, 0, 0]
    later = plan(cases.three_long_jobs(days=2))
    assert sorted(later.day.tolist()) == [0, 0, 1]


def test_what_does_not_fit_whole_is_told_so() -> None:
    task = cases.three_long_jobs(days=1)
    found = plan(task)
    around = Around(task.cost_minor, np.zeros(1, dtype=bool), np.zeros((3, 1), dtype=bool))
    told = reasons(task, found, around)
    assert sorted(told) == [Reason.NOT_WHOLE, Reason.ON_TIME, Reason.ON_TIME]


@pytest.mark.parametrize("seed", range(4))
def test_days_of_visits_that_fit_are_shared_out_as_trying_finds(seed: int) -> None:
    task = cases.with_crew(seed)
    found = plan(task, effort=SHORT)
    assert found.cost_minor == cases.whole_costs(task)[0]


def test_a_joining_service_pays_for_no_visit() -> None:
    joins = np.zeros((3, 2), dtype=bool)
    joins[1, 0] = True
    found = plan(replace(cases.case(None, None), joins=joins))
    assert found.cost_minor == (181 - 50) * cases.CENTS  # by hand: B's visit stands


def test_a_safety_clock_ends_the_work_with_a_plan() -> None:
    found = plan(cases.case(), late=lambda: True)
    assert np.isfinite(found.cost_minor)
    assert found.bound_minor <= found.cost_minor


def test_the_solver_proves_a_knapsack() -> None:
    # by hand: of 60/10, 100/20, 120/30 the last two fit 50 and are worth 220
    from scipy import sparse

    matrix = sparse.csr_matrix(np.array([[10.0, 20, 30]]))
    solved = visit_solver.integer(np.array([-60.0, -100, -120]), matrix, np.array([50.0]))
    assert solved is not None
    assert (solved.value, solved.x.tolist()) == (-220, [0, 1, 1])


@pytest.mark.parametrize("order", list(permutations([90.0, 60.0])))
def test_a_limit_is_lowered_to_what_visits_can_take(order: tuple[float, ...]) -> None:
    # by hand: 90; 90 + 60; 60 · 2 + 90 = 210; nothing below 60; an overdrawn day stays
    limit = np.array([119.0, 170, 215, 40, -10])
    lowered = visit_columns.reachable(np.array(order), limit)
    assert lowered.tolist() == [90, 150, 210, 0, -10]
