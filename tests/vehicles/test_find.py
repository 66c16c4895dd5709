import pytest

from fleet.people.roles import depots_of
from fleet.vehicles.find import find
from fleet.vehicles.models import Alias, Depot, Vehicle
from tests.cast import Cast, cast


@pytest.fixture
def people(db: None) -> Cast:
    return cast()


def seek(people: Cast, text: str) -> Vehicle | None:
    return find(text, depots_of(people.clerk))


@pytest.mark.parametrize("text", ["V-101", "v-101", "  V-101 "])
def test_a_fleet_number_finds_its_vehicle_in_any_case(people: Cast, text: str) -> None:
    assert seek(people, text) == people.van


def test_an_old_number_finds_the_vehicle(people: Cast) -> None:
    Alias.objects.create(vehicle=people.van, fleet_number="Old 7")
    assert seek(people, "OLD 7") == people.van


def test_a_number_in_use_wins_over_an_old_one(people: Cast) -> None:
    Alias.objects.create(vehicle=people.van, fleet_number="V-102")
    assert seek(people, "V-102") == people.second_van


def test_a_vehicle_of_another_depot_is_not_found(people: Cast) -> None:
    Alias.objects.create(vehicle=people.hill_van, fleet_number="Old 8")
    assert seek(people, "V-201") is None
    assert seek(people, "Old 8") is None
    assert find("V-201", Depot.objects.all()) == people.hill_van


@pytest.mark.parametrize("text", ["", " ", "V-10", "V-1%", "V_101", "V-101\0"])
def test_anything_else_finds_nothing(people: Cast, text: str) -> None:
    assert seek(people, text) is None
