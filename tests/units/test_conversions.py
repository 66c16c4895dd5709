"""Conversions against NIST SP 811 (2008), appendices B.8 and B.9, and exact definitions."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet import units

EXACT = [
    # yard and pound agreement of 1959 with standard gravity: 0.3048 x 0.45359237 x 9.80665
    (units.torque_nm, 1, "lbf·ft", 1.3558179483314004),
    (units.torque_nm, 30, "lbf·ft", 40.674538449942012),  # the same, times 30
    (units.torque_nm, 1, "lbf·in", 0.1129848290276167),  # the same, divided by 12
    (units.torque_nm, 1, "kgf·m", 9.80665),  # standard gravity, SP 811 B.8, exact
    (units.torque_nm, 1, "kgf·cm", 0.0980665),  # the same, divided by 100
    (units.distance_km, 1, "mi", 1.609344),  # SP 811 B.8, exact
    (units.distance_km, 250_000, "mi", 402_336.0),  # hand calculation from 1.609344
    (units.volume_l, 1, "US qt", 0.946352946),  # 57.75 cubic inches, NIST Handbook 44 App. C
    (units.volume_l, 1, "US gal", 3.785411784),  # 231 cubic inches
    (units.volume_l, 1, "US pt", 0.473176473),  # half a quart
    (units.volume_l, 1, "imp gal", 4.54609),  # SP 811 B.8, exact
    (units.volume_l, 1, "imp qt", 1.1365225),  # a quarter of 4.54609
    (units.volume_l, 1, "imp pt", 0.56826125),  # an eighth of 4.54609
    (units.hours_h, 365, "d", 3.1536e7 / 3600),  # SP 811 B.8: a year of 365 d in seconds
]
PRINTED = [
    # SP 811 B.8 as printed, with half a unit of the last printed digit
    (units.torque_nm, "lbf·ft", 1.355818, 5e-7),
    (units.torque_nm, "lbf·in", 0.1129848, 5e-8),
    (units.volume_l, "US qt", 0.9463529, 5e-8),
    (units.volume_l, "US gal", 3.785412, 5e-7),
    (units.volume_l, "US pt", 0.4731765, 5e-8),
    (units.volume_l, "US fl oz", 0.02957353, 5e-9),
    (units.volume_l, "imp fl oz", 0.02841306, 5e-9),
]
FAHRENHEIT = [(32, 0.0), (212, 100.0), (-40, -40.0), (90, 32.2222222222), (0, -17.7777777778)]
RATIOS = [
    # what a figure becomes when it is typed in the wrong unit: products of exact definitions
    (units.torque_nm, "lbf·ft", "N·m", 1.3558179),
    (units.torque_nm, "N·m", "lbf·ft", 0.73756215),
    (units.torque_nm, "lbf·in", "N·m", 0.11298483),
    (units.torque_nm, "N·m", "lbf·in", 8.8507458),
    (units.torque_nm, "lbf·ft", "lbf·in", 12.0),
    (units.torque_nm, "kgf·m", "N·m", 9.80665),
    (units.torque_nm, "N·m", "kgf·m", 0.10197162),
    (units.torque_nm, "kgf·m", "lbf·ft", 7.2330139),
    (units.torque_nm, "lbf·ft", "kgf·m", 0.13825495),
    (units.torque_nm, "kgf·cm", "N·m", 0.0980665),
    (units.distance_km, "mi", "km", 1.609344),
    (units.distance_km, "km", "mi", 0.62137119),
    (units.volume_l, "US qt", "L", 0.94635295),
    (units.volume_l, "imp qt", "L", 1.1365225),
    (units.volume_l, "US gal", "L", 3.7854118),
    (units.volume_l, "imp gal", "L", 4.54609),
    (units.volume_l, "US pt", "L", 0.47317647),
]
Taker = Callable[[object, str], float]


@pytest.mark.parametrize(("take", "number", "unit", "expected"), EXACT)
def test_exact_definitions_hold(take: Taker, number: float, unit: str, expected: float) -> None:
    assert take(number, unit) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("take", "unit", "printed", "half_digit"), PRINTED)
def test_printed_factors_are_met(take: Taker, unit: str, printed: float, half_digit: float) -> None:
    assert abs(take(1, unit) - printed) <= half_digit


@pytest.mark.parametrize(("fahrenheit", "celsius"), FAHRENHEIT)
def test_fahrenheit_follows_the_published_formula(fahrenheit: float, celsius: float) -> None:
    # SP 811 B.9: t/°C = (t/°F - 32) / 1.8
    assert units.temperature_c(fahrenheit, "°F") == pytest.approx(celsius, abs=1e-9)


@pytest.mark.parametrize(("take", "typed", "meant", "ratio"), RATIOS)
def test_a_wrong_unit_shows_as_its_ratio(take: Taker, typed: str, meant: str, ratio: float) -> None:
    assert take(1, typed) / take(1, meant) == pytest.approx(ratio, rel=1e-7)


def test_a_mile_is_exact_to_the_last_bit() -> None:
    assert units.distance_km(1, "mi") == 1.609344  # SP 811 B.8, exact decimal


def test_plug_torques_in_pound_feet_become_newton_metres() -> None:
    # worked example of common practice, no source; factor as above
    newton_metres = [units.torque_nm(f"{given} lbf·ft") for given in (29, 33, 18)]
    assert newton_metres == pytest.approx([39.31872, 44.74199, 24.40472], abs=5e-6)


def test_distances_are_shown_in_miles() -> None:
    # 10 000 / 1.609344
    assert units.distance_mi(10_000) == pytest.approx(6213.711922373339, rel=1e-12)


def test_torques_are_shown_in_pound_feet() -> None:
    # hand calculation: 39.31872050161058 / 1.3558179483314004 = 29 (rel 1e-9 of printed digits)
    assert units.torque_lbfft(39.31872) == pytest.approx(29.0, rel=1e-7)


def test_printed_trip_limits_in_km_and_miles_differ_by_47_metres() -> None:
    # owner's manuals print 8 km and 5 mi as the same limit; 5 x 1.609344 = 8.04672
    assert units.distance_km("5 mi") - 8.0 == pytest.approx(0.04672, abs=1e-12)


@given(st.floats(min_value=0, max_value=1e9))
def test_miles_come_back_as_they_went(distance_mi: float) -> None:
    back = units.distance_mi(units.distance_km(distance_mi, "mi"))
    assert math.isclose(back, distance_mi, rel_tol=1e-12, abs_tol=1e-300)


@given(st.floats(min_value=0, max_value=1e6))
def test_pound_feet_come_back_as_they_went(torque: float) -> None:
    back = units.torque_lbfft(units.torque_nm(torque, "lbf·ft"))
    assert math.isclose(back, torque, rel_tol=1e-12, abs_tol=1e-300)


@given(st.floats(min_value=-459, max_value=1e4))
def test_fahrenheit_agrees_with_plain_arithmetic(fahrenheit: float) -> None:
    celsius = units.temperature_c(fahrenheit, "degF")
    assert math.isclose(celsius * 1.8 + 32, fahrenheit, rel_tol=1e-12, abs_tol=1e-9)
