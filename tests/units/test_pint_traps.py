"""Texts that a unit library reads wrongly or refuses: what the wrapper makes of each.

The behaviour of plain Pint named in the comments was observed with Pint 0.25.3.
"""

import subprocess
import sys
from collections.abc import Callable
from decimal import Decimal

import numpy as np
import pint
import pytest

from fleet import units
from fleet.units import UnitError

Taker = Callable[..., float]

READ = [
    (units.distance_km, "5 000 km", 5000.0),  # plain: 0 km, without an error
    (units.distance_km, "5,000 km", 5000.0),
    (units.temperature_c, "25 degC", 25.0),  # plain: raises
    (units.temperature_c, "-5 degC", -5.0),
    (units.temperature_c, "25 °C", 25.0),
    (units.temperature_c, "25 ℃", 25.0),
    (units.torque_nm, "30 Nm", 30.0),  # plain: number metre, a textile unit
    (units.torque_nm, "1 N-m", 1.0),  # plain: a subtraction
    (units.torque_nm, "1 newton_meter", 1.0),
    (units.torque_nm, "1 kgm", 9.80665),
    (units.distance_km, "12 KM", 12.0),  # plain: undefined
    (units.distance_km, "1 Mi", 1.609344),
]
POUND_FEET = [
    "1 ft_lb", "1 foot_pound", "1 ft lbf", "1 lbf·ft",
    "1 ft lb", "1 lb ft",  # plain: mass times length
    "1 ft-lb", "1 lbf-ft",  # plain: a subtraction
    "1 ftlb",  # plain: femto troy pound, a mass
    "1 lbft", "1 lbf_ft",  # plain: undefined
]  # fmt: skip
REFUSED = [
    (units.distance_km, "5.000,5 km", "5000.5"),  # plain: 5.0005 km
    (units.distance_km, "5.000 km", "5000"),
    (units.temperature_c, "25 C", "°C"),  # plain: coulomb
    (units.temperature_c, "25 F", "°F"),  # plain: farad
    (units.torque_nm, "20 nm", "N·m"),  # plain: nanometres
    (units.torque_nm, "20 nM", "N·m"),  # plain: nanomolar
    (units.torque_nm, "30 J", "N·m"),  # plain: equal to 30 N·m
    (units.torque_nm, "30 joule", "N·m"),
    (units.volume_l, "1 quart", "imp qt"),  # plain: the US liquid quart
    (units.volume_l, "1 qt", "US qt"),
    (units.volume_l, "1 pint", "imp pt"),
    (units.volume_l, "1 gallon", "imp gal"),
    (units.volume_l, "1 US dry quart", "US qt"),
    (units.volume_l, "1 bbl", "write L"),  # plain: 119 L
    (units.volume_l, "1 barrel", "write L"),
    (units.volume_l, "1 oz", "fl oz"),  # plain: a mass
    (units.hours_h, "1 month", "calendar"),  # plain: 730.5 h
    (units.hours_h, "1 year", "calendar"),  # plain: 8766 h
    (units.distance_km, "1 US survey mile", "write mi"),
    (units.distance_km, "1 PS", "km"),  # plain: petasiemens
    (units.torque_nm, "1 cv", "N·m"),
    (units.distance_km, "30 mpg", "km"),
    (units.distance_km, "5 m", "metre or mi"),
    (units.distance_km, "nan km", "digits"),  # plain: accepted
    (units.distance_km, "inf km", "digits"),
    (units.distance_km, "-5 km", "negative"),
    (units.distance_km, "12", "km"),  # plain: dimensionless
    (units.distance_km, "30 L", "unit of volume"),
    (units.volume_l, "5 km", "unit of distance"),
    (units.temperature_c, "-300 °C", "absolute zero"),
]


@pytest.mark.parametrize(("take", "text", "expected"), READ)
def test_misread_texts_are_read_as_meant(take: Taker, text: str, expected: float) -> None:
    assert take(text) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("text", POUND_FEET)
def test_every_spelling_of_the_pound_foot_is_one_torque(text: str) -> None:
    assert units.torque_nm(text) == pytest.approx(1.3558179483314004, rel=1e-12)  # NIST SP 811


@pytest.mark.parametrize(("take", "text", "remedy"), REFUSED)
def test_dangerous_texts_are_refused_with_a_remedy(take: Taker, text: str, remedy: str) -> None:
    with pytest.raises(UnitError) as refusal:
        take(text)
    assert remedy in str(refusal.value)


def test_inch_pounds_are_mapped() -> None:
    assert units.torque_nm("1 inch_pound") == pytest.approx(0.1129848290276167)  # NIST SP 811


def test_a_grouped_number_is_refused_where_the_comma_is_the_decimal_mark() -> None:
    with pytest.raises(UnitError, match="5 or 5000"):
        units.distance_km("5,000 km", decimal_mark=",")


def test_freezing_point_is_met_within_the_tolerance_of_the_criteria() -> None:
    assert abs(units.temperature_c(32, "degF")) < 1e-9  # plain floats give 5.68e-14


def test_temperatures_come_out_as_floats_that_can_be_averaged() -> None:
    # plain: adding two temperatures raises; mean of 20 and 22 by hand
    assert np.mean([units.temperature_c("20 °C"), units.temperature_c("22 °C")]) == 21.0


def test_a_difference_is_no_temperature() -> None:
    with pytest.raises(UnitError, match="temperature difference"):
        units.temperature_c(18, "delta_degF")


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -1.0, True, None, "", b"5", [5]])
def test_impossible_numbers_are_refused(number: object) -> None:
    with pytest.raises(UnitError):
        units.distance_km(number, "km")


def test_a_number_too_large_for_the_target_is_refused() -> None:
    with pytest.raises(UnitError, match="finite"):
        units.distance_km(1.7e308, "mi")


def test_a_bare_number_is_refused() -> None:
    with pytest.raises(UnitError, match="no unit"):
        units.distance_km(12)


def test_a_cell_that_contradicts_its_column_is_refused() -> None:
    with pytest.raises(UnitError, match="expected in km"):
        units.distance_km("5 mi", "km")


def test_a_cell_may_repeat_the_unit_of_its_column() -> None:
    assert units.distance_km("5 kilometres", "km") == 5.0


def test_a_quart_is_rounded_once_at_output() -> None:
    # a float registry gives 0.9463529459999998; 57.75 cubic inches are 0.946352946 L
    assert units.volume_l(Decimal(1), "US qt") == 0.946352946


def test_there_is_one_registry_for_the_process() -> None:
    assert units.registry() is units.registry()
    assert pint.application_registry.get() is units.registry()  # type: ignore[no-untyped-call]


def test_the_registry_is_built_on_first_use_only() -> None:
    probe = "import sys, fleet.units; sys.exit('pint' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", probe], check=False).returncode == 0
