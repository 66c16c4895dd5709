import pytest

from fleet.units import UnitError
from fleet.vehicles.own_unit import figures, from_own, in_own, in_words, odometer_unit, units_of
from tests import scene

SPACE = "\N{NARROW NO-BREAK SPACE}"


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (16_093.44, "mi", f"10,000{SPACE}mi"),  # 1 mi = 1.609344 km, exact
        (16_093.44, "km", f"16,093{SPACE}km"),
        (120.5, "h", f"120.5{SPACE}h"),
        (120.0, "h", f"120{SPACE}h"),
    ],
)
def test_a_value_is_said_in_the_instruments_unit(value: float, unit: str, words: str) -> None:
    assert in_words(value, unit) == words


def test_what_is_given_in_a_unit_comes_back_in_km() -> None:
    assert from_own(10_000, "mi") == pytest.approx(16_093.44)
    assert in_own(from_own(10_000, "mi"), "mi") == pytest.approx(10_000)
    assert figures(16_093.44, "mi") == "10,000 mi"
    with pytest.raises(UnitError):
        from_own(5, "litres")


@pytest.mark.django_db
def test_the_unit_is_that_of_the_odometer_and_km_without_one() -> None:
    miles, bare = scene.van("V-1"), scene.van("V-2")
    miles.meters.update(unit="mi")
    miles.meters.create(kind="hours", unit="h")
    bare.meters.all().delete()
    assert units_of([miles.pk, bare.pk]) == {miles.pk: "mi"}
    assert (odometer_unit(miles.pk), odometer_unit(bare.pk)) == ("mi", "km")
