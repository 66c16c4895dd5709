"""Which vehicle a cell means; the fleet numbers are invented."""

import pytest

from fleet.readings.roll import Roll
from fleet.vehicles.models import Alias, Meter, Vehicle
from tests.cast import Cast, cast, vehicle
from tests.kept import kept


@kept
def people() -> Cast:
    made = cast()
    Alias.objects.create(vehicle=made.van, fleet_number="OLD 7")
    for number in ("001012", "2013", "0002013", "03000", "3000x"):
        vehicle(number, made.plain, made.van_type)
    return made


def named(roll: Roll, cell: object) -> str:
    found = roll.find(cell)
    assert isinstance(found, int), found
    return roll.fleet_numbers[found]


@pytest.mark.parametrize(
    ("cell", "number"),
    [
        ("V-101", "V-101"),
        (" v-101 ", "V-101"),
        ("old  7", "V-101"),
        (2013.0, "2013"),
        ("2013.0", "2013"),
        (1012.0, "001012"),
        ("1012", "001012"),
        (3000.0, "03000"),
        ("0003000", "03000"),
    ],
)
def test_a_cell_means_one_vehicle(people: Cast, cell: object, number: str) -> None:
    assert named(Roll(), cell) == number


def test_the_present_number_wins_over_an_old_one(people: Cast) -> None:
    Alias.objects.create(vehicle=people.van, fleet_number="2013")
    assert named(Roll(), "2013") == "2013"


def test_several_padded_numbers_are_named_not_chosen(people: Cast) -> None:
    vehicle("00001012", people.plain, people.van_type)
    assert "can be 001012, 00001012" in str(Roll().find(1012.0))


@pytest.mark.parametrize("cell", ["V_101", "V101", "V-1O1", "V-110", "V-1001", "V-11"])
def test_a_misspelling_is_pointed_out_and_not_taken(people: Cast, cell: str) -> None:
    found = str(Roll().find(cell))
    assert f"“{cell}” is no known fleet number" in found
    assert "V-101" in found.split("Similar:")[1]


def test_what_resembles_nothing_gets_no_suggestion(people: Cast) -> None:
    assert "Similar" not in str(Roll().find("Zebra"))


def test_a_registration_is_recognised_and_not_taken(people: Cast) -> None:
    Vehicle.objects.filter(pk=people.van.pk).update(registration="AB 12")
    assert "is the registration of V-101" in str(Roll().find("ab 12"))


def test_vehicles_of_other_depots_are_neither_found_nor_named(people: Cast) -> None:
    found = str(Roll(["plain"]).find("V-201"))
    assert "is no known fleet number" in found
    assert "V-201" not in found.split("Similar")[-1]


def test_a_meter_is_made_when_a_reading_proves_it(people: Cast) -> None:
    roll = Roll()
    place = roll.find("V-101")
    ids, units = roll.meters(Meter.Kind.HOURS, roll.zone[[place]] * 0 + place)
    meter = Meter.objects.get(vehicle=people.van, kind=Meter.Kind.HOURS)
    assert (ids.tolist(), units.tolist()) == ([meter.pk], ["h"])


def test_the_fingerprint_moves_with_the_numbers_that_can_be_matched(people: Cast) -> None:
    before = Roll().fingerprint()
    assert Roll().fingerprint() == before
    vehicle("NEW", people.plain, people.van_type)
    assert Roll().fingerprint() != before


def test_the_roll_is_gathered_in_two_queries_and_looked_up_in_none(
    people: Cast, django_assert_num_queries: object
) -> None:
    with django_assert_num_queries(2):  # type: ignore[operator]
        roll = Roll()
        for cell in ("V-101", "V-102", "nobody", 1012.0) * 50:
            roll.find(cell)
