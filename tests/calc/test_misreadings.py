"""Faults put into clean readings: what they are, where they fall, and that a seed fixes them."""

import numpy as np
import pytest

from fleet.calc import misreadings
from fleet.calc.misreadings import FAULTS, Given
from fleet.calc.usage import Events

RNG = np.random.default_rng


def events(meters: int = 40, each: int = 100) -> Events:
    at_d = np.tile(18_000 + 7.0 * np.arange(each), meters)
    km = np.tile(20_000 + 700.0 * np.arange(each), meters)
    return Events.of(np.arange(meters + 1) * each, at_d, km)


def ones(given: Events) -> np.ndarray:
    return np.ones(given.km.size)


# By hand for a reading of 123,456 after 122,900.
@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("last_digit_lost", {12_345}),
        ("leading_digit_lost", {23_456}),
        ("miles_for_km", {76_712}),  # 123,456 / 1.609344
        ("extra_digit", set(range(1_234_560, 1_234_570))),
        ("digits_swapped", {213_456, 132_456, 124_356, 123_546, 123_465}),
        ("noted_late", set(range(122_700, 122_881))),
        ("new_meter", set(range(401))),
    ],
)
def test_each_fault_gives_what_a_person_would_type(kind: str, expected: set[int]) -> None:
    given = Given(123_456, 122_900, 1.0)
    assert {FAULTS[kind](given, RNG(seed)) for seed in range(60)} <= expected


def test_a_wrong_digit_changes_exactly_one() -> None:
    for seed in range(50):
        wrong = str(FAULTS["wrong_digit"](Given(123_456, 122_900, 1.0), RNG(seed))).zfill(6)
        assert sum(a != b for a, b in zip(wrong, "123456", strict=True)) == 1


def test_miles_are_taken_for_km_the_other_way_on_a_meter_in_miles() -> None:
    assert FAULTS["miles_for_km"](Given(10_000, 9_900, 1.609344), RNG(1)) == 16_093


def test_one_reading_in_twenty_is_spoilt_in_equal_parts_and_never_the_first() -> None:
    clean = events()
    found = misreadings.single_faults(clean, ones(clean), 7)
    spoilt = found.kind != ""
    assert spoilt.mean() == pytest.approx(0.05, abs=0.01)
    assert not spoilt[clean.offsets[:-1]].any()
    assert {kind: (found.kind == kind).sum() for kind in FAULTS}.keys() == set(found.kind[spoilt])
    np.testing.assert_array_equal(found.value_km[~spoilt], clean.km[~spoilt])
    np.testing.assert_allclose(found.off_km, abs(found.value_km - clean.km))


def test_a_seed_gives_the_same_faults_again() -> None:
    clean = events()
    first, again, other = (misreadings.single_faults(clean, ones(clean), s) for s in (7, 7, 8))
    np.testing.assert_array_equal(first.value_km, again.value_km)
    assert (first.value_km != other.value_km).any()


def test_a_break_shifts_all_that_follow_on_that_meter_alone() -> None:
    clean = events()
    found = misreadings.lasting_breaks(clean, ones(clean), 3)
    shift_km = (found.value_km - clean.km).reshape(40, 100)
    assert set(found.kind[found.kind != ""]) <= set(misreadings.LASTING)
    assert (found.kind != "").sum() == pytest.approx(40 * 1.9 * 0.1, abs=8)  # 1.9 years each
    steps = np.count_nonzero(np.diff(shift_km, axis=1), axis=1)
    np.testing.assert_array_equal(steps, (found.kind.reshape(40, 100) != "").sum(axis=1))
    assert (shift_km[:, 0] == 0).all()


def test_back_dated_entries_have_a_reading_after_them_and_half_carry_a_fault() -> None:
    clean = events()
    found = misreadings.back_dated(clean, ones(clean), 5)
    assert found.late.mean() == pytest.approx(0.05, abs=0.01)
    assert not found.late[clean.offsets[1:] - 1].any()
    assert (found.kind[found.late] != "").mean() == pytest.approx(0.5, abs=0.15)
    assert (found.kind[~found.late] == "").all()
