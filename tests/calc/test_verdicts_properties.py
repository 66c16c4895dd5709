"""Promises about verdicts that hold for any readings, clean or dirty."""

from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.calc.verdict_rows import Relabel
from fleet.calc.verdicts import (
    ACCEPTED,
    HELD,
    REASONS,
    REJECTED,
    Batch,
    Judgement,
    Memory,
    held_as_rows,
    held_from_rows,
    judge,
)

from .dirty_meters import FAULTS, MILE_KM, NOW_D, START_D, Fleet, clean_fleet, dirty_fleet, spoilt
from .plain_judge import PlainJudge

SEEDS = st.integers(0, 10**6)
COLUMNS = Relabel._fields[1:]


def rough_batch(meters: int, readings: int, seed: int) -> Batch:
    """Return readings with every kind of trouble: copies, odd units, decisions, lateness."""
    rng = np.random.default_rng(seed)
    fleet = dirty_fleet(meters, readings, seed, share=0.15)
    shape = fleet.km.shape
    unit_km = np.where(rng.random(shape) < 0.2, MILE_KM, 1.0)
    confirmed_km = np.repeat(np.where(rng.random(meters) < 0.2, 50_000.0, 0.0), readings)
    km = np.round(fleet.km / unit_km) * unit_km
    at_d = fleet.at_d.copy()
    for k in np.flatnonzero(rng.random(readings) < 0.1):
        if k:
            at_d[:, k] = at_d[:, k - 1] + float(rng.choice([0.0, 1.0]))
            km[:, k] = km[:, k - 1] + float(rng.choice([0.0, 1.0, 2.0]))
    km[rng.random(shape) < 0.01] = np.nan
    fixed = np.where(rng.random(shape) < 0.04, rng.integers(1, 4, shape), 0)
    fixed[np.isnan(km) & (fixed == 1)] = 0
    return Batch.of(
        np.arange(meters + 1) * readings,
        np.arange(km.size),
        np.sort(at_d, axis=1).ravel(),
        km.ravel() + confirmed_km,
        unit_km=unit_km.ravel(),
        confirmed_km=confirmed_km,
        source=rng.integers(0, 2, km.size),
        fixed=fixed.ravel(),
    )


def piece(batch: Batch, columns: slice) -> Batch:
    """Return some columns of a batch whose meters all have as many readings."""
    meters = len(batch.start) - 1
    parts = [getattr(batch, f.name).reshape(meters, -1)[:, columns] for f in fields(batch)[1:]]
    start = np.arange(meters + 1) * parts[0].shape[1]
    return Batch(start, *(part.ravel() for part in parts))


def stored_and_loaded(memory: Memory) -> Memory:
    """Pass a memory through plain numbers and lists, as a table would keep it."""
    plain = {
        f.name: getattr(memory, f.name).tolist()
        for f in fields(memory)
        if not f.name.startswith("held")
    }
    loaded = Memory.start(len(memory.accepted), 1, 1, 1)
    for name, values in plain.items():
        getattr(loaded, name)[:] = values
    held_from_rows(loaded, held_as_rows(memory))
    return loaded


def labels(found: Judgement, place: int) -> Relabel:
    row = [getattr(found, name)[place].item() for name in COLUMNS]
    return Relabel._make([-1, *row])


def by_id(batch: Batch, found: Judgement, before: dict[int, Relabel]) -> dict[int, Relabel]:
    """Return the labels in force after one more call."""
    new = {int(i): labels(found, place) for place, i in enumerate(batch.reading_id)}
    return {**before, **new, **{c.reading_id: c._replace(reading_id=-1) for c in found.changed}}


def as_text(labels_by_id: dict[int, Relabel]) -> dict[int, str]:
    return {i: str(label) for i, label in labels_by_id.items()}


@given(seed=SEEDS, cuts=st.sets(st.integers(1, 24), max_size=24))
@settings(max_examples=25, deadline=None)
def test_judging_in_pieces_gives_the_same_labels_and_memory(seed: int, cuts: set[int]) -> None:
    batch, whole, memory = rough_batch(6, 25, seed), memory_of(6), memory_of(6)
    at_once = by_id(batch, judge(whole, batch, NOW_D), {})
    so_far: dict[int, Relabel] = {}
    bounds = [0, *sorted(cuts), 25]
    for begin, end in zip(bounds, bounds[1:], strict=False):
        part = piece(batch, slice(begin, end))
        found = judge(memory, part, NOW_D)
        so_far = by_id(part, found, so_far)
        memory = stored_and_loaded(memory)
        for row in np.flatnonzero(found.again):
            so_far |= judged_again(batch, row, end, memory)
    assert as_text(so_far) == as_text(at_once)
    assert_same(stored_and_loaded(whole), memory)


def judged_again(batch: Batch, row: int, end: int, memory: Memory) -> dict[int, Relabel]:
    """Judge one meter from its first reading, as its caller does when asked to."""
    places = batch.start[row] + np.arange(end)
    rows = [getattr(batch, f.name)[places] for f in fields(batch)[1:]]
    alone, whole = memory_of(1), Batch(np.array([0, end]), *rows)
    labels_of_all = by_id(whole, judge(alone, whole, NOW_D), {})
    memory.put(np.array([row]), stored_and_loaded(alone))
    return labels_of_all


def assert_same(one: Memory, other: Memory) -> None:
    for f in fields(one):
        np.testing.assert_array_equal(getattr(one, f.name), getattr(other, f.name), f.name)


def memory_of(meters: int) -> Memory:
    return Memory.start(meters, 100.0, 0.4, 900.0)


def plain_verdicts(batch: Batch, row: int, judge_one: PlainJudge) -> dict[int, list[Any]]:
    for place in range(batch.start[row], batch.start[row + 1]):
        reading = {
            "id": place,
            "t": float(batch.at_d[place]),
            "y": float(batch.value_km[place]),
            "unit": float(batch.unit_km[place]),
            "c": float(batch.confirmed_km[place]),
            "source": int(batch.source[place]),
            "fixed": int(batch.fixed[place]),
        }
        judge_one.judge(reading, NOW_D)
    return judge_one.verdicts


@given(seed=SEEDS)
@settings(max_examples=25, deadline=None)
def test_the_fast_judge_equals_the_plain_one(seed: int) -> None:
    batch = rough_batch(8, 30, seed)
    found = judge(memory_of(8), batch, NOW_D)
    for row in range(8):
        plain = plain_verdicts(batch, row, PlainJudge(100.0, 0.4, 900.0))
        for place, (verdict, reason, _, total_km, provisional) in plain.items():
            here = (found.verdict[place], REASONS[found.reason[place]], found.provisional[place])
            assert here == (verdict, reason, provisional), (place - row * 30, plain[place])
            assert found.total_km[place] == pytest.approx(total_km, abs=1e-6, nan_ok=True)


@given(seed=SEEDS)
@settings(max_examples=15, deadline=None)
def test_an_hour_meter_equals_the_plain_judge(seed: int) -> None:
    fleet = dirty_fleet(8, 30, seed)
    batch = Batch.of(np.arange(9) * 30, np.arange(240), fleet.at_d.ravel(), fleet.km.ravel() / 10)
    found = judge(Memory.start(8, 10.0, 0.4, 24.0, 0.1), batch, NOW_D)
    for row in range(8):
        plain = plain_verdicts(batch, row, PlainJudge(10.0, 0.4, 24.0, 0.1))
        for place, label in plain.items():
            assert [found.verdict[place], REASONS[found.reason[place]]] == label[:2]


@given(seed=SEEDS)
@settings(max_examples=15, deadline=None)
def test_nothing_is_lost(seed: int) -> None:
    batch = rough_batch(5, 30, seed)
    found = judge(memory_of(5), batch, NOW_D)
    assert set(found.verdict.tolist()) <= {ACCEPTED, HELD, REJECTED}
    assert len(found.verdict) == 150
    told = (found.reason == 0) | (found.reason == REASONS.index("confirmed_by_the_next"))
    assert np.array_equal(found.verdict == ACCEPTED, told)


@given(seed=SEEDS)
@settings(max_examples=25, deadline=None)
def test_accepted_totals_never_fall_by_more_than_one_km(seed: int) -> None:
    fleet = dirty_fleet(20, 40, seed, share=0.2)
    found = judge(fleet.memory(), fleet.batch(), NOW_D)
    for row in range(20):
        part = slice(row * 40, row * 40 + 40)
        counted = (found.verdict[part] == ACCEPTED) | found.moves_base[part]
        assert np.diff(found.total_km[part][counted]).min(initial=0) >= -1.000001


@given(seed=SEEDS, kind=st.sampled_from(FAULTS), place=st.integers(0, 20))
@settings(max_examples=150, deadline=None)
def test_a_single_fault_never_locks_out_the_clean_readings_after_it(
    seed: int, kind: str, place: int
) -> None:
    fleet, rng = clean_fleet(4, 30, seed), np.random.default_rng(seed)
    for row in range(4):
        before_km = fleet.km[row, max(place - 1, 0)]
        fleet.km[row, place] = spoilt(kind, fleet.km[row, place], before_km, rng)
    found = judge(fleet.memory(), fleet.batch(), NOW_D)
    assert (found.verdict.reshape(4, 30)[:, place + 4 :] == ACCEPTED).all()


@given(seed=SEEDS)
@settings(max_examples=15, deadline=None)
def test_the_order_of_meters_does_not_matter(seed: int) -> None:
    batch = rough_batch(7, 25, seed)
    order = np.random.default_rng(seed).permutation(7)
    mixed = Batch(
        batch.start,
        *(getattr(batch, f.name).reshape(7, -1)[order].ravel() for f in fields(batch)[1:]),
    )
    memory, memory_mixed = memory_of(7), memory_of(7)
    straight = by_id(batch, judge(memory, batch, NOW_D), {})
    assert as_text(by_id(mixed, judge(memory_mixed, mixed, NOW_D), {})) == as_text(straight)
    assert_same(stored_and_loaded(memory.take(order)), stored_and_loaded(memory_mixed))


def test_meters_of_different_length_are_judged_like_each_alone() -> None:
    fleet = dirty_fleet(6, 30, 3, share=0.2)
    lengths = [3, 30, 0, 17, 30, 1]
    kept = np.concatenate([row * 30 + np.arange(n) for row, n in enumerate(lengths)])
    start = np.concatenate([[0], np.cumsum(lengths)])
    batch = Batch.of(start, kept, fleet.at_d.ravel()[kept], fleet.km.ravel()[kept])
    found = judge(memory_of(6), batch, NOW_D)
    for row, n in enumerate(lengths):
        alone = Batch.of([0, n], 0, fleet.at_d[row, :n], fleet.km[row, :n])
        expected = judge(memory_of(1), alone, NOW_D)
        assert np.array_equal(found.verdict[start[row] : start[row + 1]], expected.verdict)


def test_many_meters_are_judged_part_by_part(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet = dirty_fleet(10, 30, 4, share=0.2)
    whole = judge(fleet.memory(), fleet.batch(), NOW_D)
    monkeypatch.setattr("fleet.calc.verdicts.ROWS_AT_ONCE", 3)
    parts = judge(fleet.memory(), fleet.batch(), NOW_D)
    assert np.array_equal(whole.verdict, parts.verdict)
    assert np.array_equal(whole.total_km, parts.total_km)


def test_whole_numbers_are_judged_like_decimals() -> None:
    days, km = [20_000, 20_007, 20_014, 20_021], [1_000, 1_700, 24_000, 3_100]
    memory, memory_whole = memory_of(1), Memory.start(1, 100, 0.4, 900)
    decimals = judge(memory, Batch.of([0, 4], 0, np.array(days) + 0.0, np.array(km) + 0.0), NOW_D)
    whole = judge(memory_whole, Batch.of(np.array([0, 4]), 0, days, km), 30_000)
    assert np.array_equal(whole.verdict, decimals.verdict)
    assert np.array_equal(whole.total_km, decimals.total_km)
    assert memory_whole.scatter == memory.scatter


# Pass marks below: our choice, a little under what was measured on real city-bus odometers
# (recall .96 and right reason .90 for faults larger than a week's use, no false alarm).


@pytest.fixture(scope="module")
def judged_fleet() -> tuple[Fleet, Judgement]:
    """200 invented vehicles with 60 readings each, one reading in twenty at fault."""
    fleet = dirty_fleet(200, 60, 11)
    return fleet, judge(fleet.memory(), fleet.batch(), NOW_D)


def test_clean_readings_raise_no_alarm() -> None:
    fleet = clean_fleet(300, 60, 1)
    found = judge(fleet.memory(), fleet.batch(), NOW_D)
    assert (found.verdict != ACCEPTED).mean() <= 0.001


def test_most_large_faults_are_found_with_the_right_reason(
    judged_fleet: tuple[Fleet, Judgement],
) -> None:
    fleet, found = judged_fleet
    large = fleet.error_km > 7 * fleet.rate_km_per_day[:, None]
    caught = (found.verdict.reshape(large.shape) != ACCEPTED)[large]
    named = np.array(REASONS, dtype=object)[found.reason].reshape(large.shape)[large]
    assert caught.mean() >= 0.93
    assert (named == fleet.fault[large]).mean() >= 0.8


def test_clean_readings_among_faults_are_hardly_ever_held(
    judged_fleet: tuple[Fleet, Judgement],
) -> None:
    fleet, found = judged_fleet
    held = (found.verdict.reshape(fleet.km.shape) != ACCEPTED) & (fleet.fault == "")
    settling = np.zeros_like(held)
    lasting = np.isin(fleet.fault, ["rolled_back", "new_meter", "jump"])
    for later in (1, 2, 3):
        settling[:, later:] |= lasting[:, :-later]
    assert (held & ~settling).mean() <= 0.001


def test_time_is_days_since_the_epoch_so_a_later_start_changes_nothing() -> None:
    fleet = dirty_fleet(5, 30, 8)
    found = judge(fleet.memory(), fleet.batch(), NOW_D)
    moved = Fleet(fleet.at_d - START_D, fleet.km, fleet.rate_km_per_day, fleet.fault, fleet.km)
    again = judge(moved.memory(), moved.batch(), NOW_D)
    assert np.array_equal(found.verdict, again.verdict)
