"""Visits that could be made, and sharing a day out, against every possibility tried one by one."""

from itertools import combinations, product

import numpy as np
import pytest

from fleet.calc import visit_columns, whole_jobs
from fleet.calc.visit_columns import Columns, Task
from fleet.calc.visit_rows import Row, unions
from fleet.calc.whole_jobs import Committed, Crew, Piece
from tests.calc.visit_cases import small


def plain(task: Task, vehicle: int) -> dict[tuple[int, int], tuple[float, float, list[float]]]:
    """By day and bits of services: cost, saving, and what it takes of each row."""
    services = np.flatnonzero(task.vehicle == vehicle).tolist()
    found = {}
    for day, size in product(range(task.days), range(1, len(services) + 1)):
        for picked in combinations(range(len(services)), size):
            mine = [services[at] for at in picked]
            joins = bool(task.joins[vehicle, day])
            cost = sum(task.cost_minor[one, day] for one in mine)
            cost += 0 if joins else task.visit_minor[vehicle]
            left_out = sum(task.leave_out_minor[one] for one in mine)
            dear = any(task.cost_minor[one, day] > task.leave_out_minor[one] for one in mine)
            use = [
                sum(row.use[one] for one in mine)
                + (0 if joins else row.set_up[vehicle])
                + (max(task.wait_min[one] for one in mine) if row.waits else 0)
                for row in task.rows
            ]
            fits = all(
                taken <= row.capacity[day] + 1e-9 for taken, row in zip(use, task.rows, strict=True)
            )
            if fits and not dear and left_out > cost:
                found[day, sum(1 << at for at in picked)] = (cost, left_out - cost, use)
    return found


def with_waits(seed: int) -> Task:
    """A small task whose visits wait in the bay, and some of which join what stands."""
    task = small(seed)
    random = np.random.default_rng(seed + 100)
    bays = Row("bays", "bays", task.rows[0].capacity, task.rows[0].use, task.rows[0].set_up,
               waits=True)  # fmt: skip
    return Task(
        vehicle=task.vehicle,
        cost_minor=task.cost_minor,
        leave_out_minor=task.leave_out_minor,
        wait_min=random.integers(0, 4, len(task.vehicle)) * 10.0,
        visit_minor=task.visit_minor,
        rows=(*task.rows, bays),
        joins=random.random(task.joins.shape) < 0.2,
    )


@pytest.mark.parametrize("seed", range(12))
def test_columns_are_all_visits_that_fit_and_cost_less_than_leaving_out(seed: int) -> None:
    task = with_waits(seed)
    cols = visit_columns.columns(task)
    for vehicle in range(len(task.visit_minor)):
        told = {
            (int(cols.day[j]), int(cols.mask[j])): (
                cols.cost_minor[j], cols.saving_minor[j], cols.use[j].tolist(),
            )
            for j in range(cols.first[vehicle], cols.first[vehicle + 1])
        }  # fmt: skip
        expected = plain(task, vehicle)
        assert told.keys() == expected.keys()
        for key, (cost, saving, use) in expected.items():
            assert told[key][0] == pytest.approx(cost)
            assert told[key][1] == pytest.approx(saving)
            assert told[key][2] == pytest.approx(use)
    assert cols.vehicle.tolist() == sorted(cols.vehicle.tolist())
    assert cols.first[-1] == len(cols)


@pytest.mark.parametrize("seed", range(6))
def test_rows_say_which_column_does_what_and_takes_what_of_each_day(seed: int) -> None:
    task = with_waits(seed)
    cols = visit_columns.columns(task)
    cover = visit_columns.cover_matrix(task, cols).toarray()
    of = task.services_of
    for j in range(len(cols)):
        mine = of[cols.vehicle[j]]
        done = [mine[at] for at in range(len(mine)) if int(cols.mask[j]) >> at & 1]
        assert np.flatnonzero(cover[:, j]).tolist() == sorted(done)
    matrix, upper, names = visit_columns.capacity_matrix(task, cols, task.capacity, lowered=False)
    dense, rows = matrix.toarray(), {}
    for number, row in enumerate(task.rows):
        for day in range(task.days):
            days = range(day + 1) if row.cumulative else [day]
            taken = [cols.use[j, number] if cols.day[j] in days else 0.0 for j in range(len(cols))]
            same = row.cumulative and day + 1 < task.days
            slack = same and row.capacity[day] >= row.capacity[day + 1]
            if sum(taken) > row.capacity[day] + 1e-9 and not slack:
                rows[number, day] = (taken, row.capacity[day])
    assert [tuple(one) for one in names.tolist()] == list(rows)
    for at, (taken, limit) in enumerate(rows.values()):
        assert (dense[at].tolist(), upper[at]) == (pytest.approx(taken), limit)


def test_a_visit_in_force_stays_whatever_it_costs_if_it_may_be_made() -> None:
    task = small(3)
    plain_keys = {(v, *key) for v in range(4) for key in plain(task, v)}
    every = {
        (v, day, mask)
        for v in range(4)
        for day in range(task.days)
        for mask in range(1, 1 << len(task.services_of[v]))
    }
    dropped = sorted(every - plain_keys)
    kept = visit_columns.columns(task, keep=tuple(dropped))
    told = set(zip(kept.vehicle.tolist(), kept.day.tolist(), kept.mask.tolist(), strict=True))
    for vehicle, day, mask in dropped:
        mine = [one for at, one in enumerate(task.services_of[vehicle]) if mask >> at & 1]
        use = [sum(row.use[mine]) + row.set_up[vehicle] for row in task.rows]
        fits = all(t <= row.capacity[day] + 1e-9 for t, row in zip(use, task.rows, strict=True))
        may = bool(np.isfinite(task.cost_minor[mine, day]).all()) and fits
        assert ((vehicle, day, mask) in told) is may
    assert plain_keys <= told


def test_of_many_services_runs_of_those_due_first_are_looked_at() -> None:
    # seven services whose cheapest days are 6, 5, … 0: runs in that order, 7 · 8 / 2 of them
    cost = np.full((7, 7), 100.0)
    cost[np.arange(7), 6 - np.arange(7)] = 0.0
    runs = {sum(1 << (6 - at) for at in range(a, b)) for a in range(7) for b in range(a + 1, 8)}
    assert set(visit_columns._subsets(7, cost).tolist()) == runs
    assert visit_columns._subsets(6, cost[:6]).tolist() == list(range(1, 64))


@pytest.mark.parametrize("seed", range(8))
def test_a_limit_is_lowered_to_the_largest_sum_below_it(seed: int) -> None:
    random = np.random.default_rng(seed)
    sizes = random.integers(3, 30, 3).astype(float)
    limits = random.integers(-5, 90, 6).astype(float) + random.choice([0, 0.5], 6)
    sums = {0.0}
    for _ in range(40):
        sums |= {one + size for one in sums for size in sizes if one + size <= 100}
    expected = [
        max((s for s in sums if s <= one), default=0) if one >= 0 else one for one in limits
    ]
    assert visit_columns.reachable(np.append(sizes, 0.0), limits).tolist() == expected
    broken = np.append(sizes, 7.5)  # no whole number: nothing is lowered
    assert visit_columns.reachable(broken, limits).tolist() == limits.tolist()


def test_columns_of_one_vehicle_and_day_that_are_split_have_a_row_together() -> None:
    def cols(split: bool) -> Columns:
        many = np.array([0, 0, 0, 1, 1])
        return Columns(
            vehicle=many, day=np.array([0, 0, 1, 0, 0]), mask=np.array([1, 2, 1, 1, 2]),
            cost_minor=np.zeros(5), saving_minor=np.zeros(5), use=np.zeros((5, 0)),
            first=np.array([0, 3, 5]), split=np.array([[split, split], [False, False]]),
        )  # fmt: skip

    assert visit_columns.one_a_day_matrix(cols(True)).toarray().tolist() == [
        [1, 1, 0, 0, 0],
        [0, 0, 1, 0, 0],
    ]
    assert visit_columns.one_a_day_matrix(cols(False)).shape == (0, 5)
    part = visit_columns.part_of(cols(True), np.array([1, 3]))
    assert (part.vehicle.tolist(), part.mask.tolist(), part.first.tolist()) == (
        *([0, 1], [2, 1], [0, 1, 2]),
    )


# --- sharing a day out -----------------------------------------------------------------------
def any_way(pieces: list[Piece], minutes: list[float]) -> bool:
    """Whether some way of giving each piece to one of its places works, all ways tried."""
    for places in product(*(piece.places for piece in pieces)):
        used = [0.0] * len(minutes)
        for piece, place in zip(pieces, places, strict=True):
            used[place] += piece.minutes
        apart = all(
            piece.apart_from < 0 or places[piece.apart_from] != place
            for piece, place in zip(pieces, places, strict=True)
        )
        if apart and all(one <= limit for one, limit in zip(used, minutes, strict=True)):
            return True
    return False


@pytest.mark.parametrize("share", [whole_jobs.share_out, whole_jobs.share_evenly])
def test_a_day_is_shared_out_where_there_is_a_way_and_only_there(share: object) -> None:
    random = np.random.default_rng(8)
    ways = 0
    for _ in range(150):
        bays, count = int(random.integers(1, 4)), int(random.integers(1, 6))
        minutes = random.integers(5, 13, bays).astype(float).tolist()
        pieces = []
        for at in range(count):
            able = tuple(np.flatnonzero(random.random(bays) < 0.75).tolist())
            other = int(random.integers(at)) if at and random.random() < 0.3 else -1
            pieces.append(Piece(float(random.integers(1, 9)), able, other))
        places = share(pieces, minutes)  # type: ignore[operator]
        assert (places is not None) is any_way(pieces, minutes)
        if places is None:
            continue
        ways += 1
        fixed = [Piece(piece.minutes, (place,), piece.apart_from)
                 for piece, place in zip(pieces, places, strict=True)]  # fmt: skip
        assert any_way(fixed, minutes)
        assert all(place in piece.places for piece, place in zip(pieces, places, strict=True))
    assert 30 < ways < 120


def test_work_is_spread_over_whoever_has_most_left_and_stays_beside_who_does_it() -> None:
    pieces = [Piece(100, (0, 1)), Piece(80, (0, 1)), Piece(60, (0, 1))]
    # by hand: 100 to the first, 80 to the second, who has 400 left; 60 again to the second
    assert whole_jobs.share_evenly(pieces, [480, 480]) == [0, 1, 1]
    assert whole_jobs.share_out(pieces, [480, 480]) == [0, 0, 0]  # the fullest first
    assert whole_jobs.share_evenly(pieces, [480, 480], beside=[7, 8, 7]) == [0, 1, 0]


def crew(**given: object) -> Crew:
    """Two bays, of which the second vehicle fits one; two mechanics, of whom one has the skill."""
    fields = {
        "bay_min": np.array([[480.0], [300.0]]),
        "bay_fits": np.array([[True, True], [False, True]]),
        "mechanic_min": np.array([[480.0], [240.0]]),
        "skills": np.array([0b01, 0b11]),
        "need": np.array([0b01, 0b10, 0]),
        "work_min": np.array([200.0, 100.0, 50.0]),
        "second_min": np.array([0.0, 30.0, 0.0]),
        "wait_min": np.array([60.0, 90.0, 0.0]),
        "set_up_min": np.array([20.0, 20.0]),
        "committed": ((),),
    }
    return Crew(**(fields | given))  # type: ignore[arg-type]


def alone(of: Crew, vehicle: int, services: list[int], *, joins: bool = False) -> bool:
    holds = np.ones((1, len(services)), dtype=bool)
    at = np.zeros(1, dtype=np.int64)
    found = of.fits_alone(vehicle, np.array(services), holds, at, at, np.array([not joins]))
    return bool(found[0])


def test_whoever_can_do_all_that_is_asked_is_able() -> None:
    assert [crew().able(need) for need in (0, 0b01, 0b10, 0b11, 0b100)] == [
        *((0, 1), (0, 1), (1,), (1,), ()),
    ]


@pytest.mark.parametrize(
    ("vehicle", "services", "given", "fits"),
    [
        (0, [0], {}, True),
        (0, [0, 1], {"work_min": np.array([120.0, 100, 50])}, True),  # 240 of the one able
        (0, [0, 1], {"work_min": np.array([121.0, 100, 50])}, False),
        (0, [0], {"work_min": np.array([400.0, 0, 0])}, True),  # 20 + 400 + 60 of 480
        (0, [0], {"work_min": np.array([401.0, 0, 0])}, False),
        (1, [0], {"work_min": np.array([220.0, 0, 0])}, True),  # 300 in the only bay that it fits
        (1, [0], {"work_min": np.array([221.0, 0, 0])}, False),
        (0, [1], {"mechanic_min": np.array([[29.0], [240.0]])}, False),  # no second person
        (0, [1], {"mechanic_min": np.array([[30.0], [240.0]])}, True),
        (0, [2], {"mechanic_min": np.array([[0.0], [240.0]])}, True),  # none is needed
        (0, [1], {"skills": np.array([0b01, 0b01])}, False),
        (0, [2], {"bay_fits": np.zeros((2, 2), dtype=bool)}, False),
    ],
)
def test_a_visit_alone_has_a_bay_a_mechanic_and_a_second_person(
    vehicle: int, services: list[int], given: dict[str, object], fits: bool
) -> None:
    assert alone(crew(**given), vehicle, services) is fits
    shared = crew(**given).share_day(0, [(vehicle, services, False)])
    assert (shared is not None) is fits


def test_what_joins_pays_for_no_set_up() -> None:
    exact = crew(work_min=np.array([420.0, 0, 0]))
    assert not alone(exact, 0, [0])
    assert alone(exact, 0, [0], joins=True)


def test_visits_that_stand_take_their_places_first() -> None:
    stands = Committed(400.0, 230.0, (0,), (1,), second_min=10.0)
    of = crew(committed=((stands,),))
    bays, people, second = of.pieces(0, [(0, [0], False), (1, [2], True)])
    assert [(one.minutes, one.places) for one in bays] == [
        *((400, (0,)), (280, (0, 1)), (50, (1,))),
    ]
    assert [(one.minutes, one.places) for one in people] == [
        *((230, (1,)), (220, (0, 1)), (50, (0, 1))),
    ]
    assert [(one.minutes, one.places, one.apart_from) for one in second] == [(10, (0, 1), 0)]
    assert of.share_whole_day(0, [(0, [0], False)]) == ([0, 1], [1, 0])
    assert of.share_day(0, [(0, [0], False)]) == ([1], [0])
    assert of.share_day(0, [(0, [1], False)]) is None  # 10 minutes of the one who is able are left
    found = of.set_out(0, [(1, [2], True)])
    assert found == ([0, 1], [1, 0])


def test_every_union_of_few_kinds_of_work_has_a_row_and_of_many_pairs_and_all() -> None:
    few, many = np.array([0, 1, 2, 4, 8, 16]), np.array([1, 2, 4, 8, 16, 32])
    assert len(unions(few)) == 2**5 - 1
    assert sorted(map(len, unions(many))) == [1] * 6 + [2] * 15 + [6]
    assert unions(np.array([0, 0])) == []
