import pytest

from fleet.due.models import ServiceDone
from fleet.vehicles.models import Alias, Vehicle
from tests.workbook.small import faults_of, load_small, small_workbook, vehicle

pytestmark = pytest.mark.django_db


def test_a_fleet_number_typed_as_a_number_is_its_digits() -> None:
    sheets = small_workbook()
    sheets["Vehicles"].append(vehicle(1012.0))
    sheets["Service history"][0]["Fleet number"] = 1012.0
    load_small(sheets)
    assert ServiceDone.objects.get().vehicle.fleet_number == "1012"


def test_zeros_that_the_spreadsheet_dropped_are_found_again() -> None:
    sheets = small_workbook()
    sheets["Vehicles"].append(vehicle("001012"))
    load_small(sheets)
    sheets["Vehicles"][1]["Fleet number"] = 1012.0
    sheets["Service history"][0]["Fleet number"] = 1012.0
    loaded = load_small(sheets)
    assert loaded.counts["Vehicles"].unchanged == 2
    assert ServiceDone.objects.filter(vehicle__fleet_number="001012").count() == 1


def test_dropped_zeros_that_fit_two_vehicles_are_refused() -> None:
    sheets = small_workbook()
    sheets["Vehicles"] += [vehicle("01012"), vehicle("001012")]
    load_small(sheets)
    sheets["Vehicles"][1]["Fleet number"] = 1012.0
    (fault,) = faults_of(sheets)
    assert "'1012' can mean 01012 or 001012" in fault


def test_case_and_blanks_do_not_matter() -> None:
    sheets = small_workbook()
    sheets["Service history"][0] |= {"Fleet number": "  v-1 ", "Service": "Gearbox-Oil"}
    assert faults_of(sheets) == []
    assert ServiceDone.objects.get().vehicle.fleet_number == "V-1"


def test_a_renumbered_vehicle_keeps_its_history() -> None:
    load_small(small_workbook())
    sheets = small_workbook()
    sheets["Vehicles"] = [vehicle("N-7", **{"Previous fleet numbers": "V-1"})]
    loaded = load_small(sheets)  # the other sheets still say V-1
    assert loaded.counts["Vehicles"].changed == loaded.changes == 1
    assert Vehicle.objects.get().fleet_number == "N-7"
    assert Alias.objects.get().fleet_number == "V-1"
    assert load_small(sheets).changes == 0


def test_a_previous_number_cannot_be_given_to_another_vehicle() -> None:
    sheets = small_workbook()
    sheets["Vehicles"] = [vehicle("N-7", **{"Previous fleet numbers": "V-1"})]
    load_small(sheets)
    (fault,) = faults_of({"Vehicles": [vehicle("v-1")]})
    assert "'v-1' is a previous number of N-7; write that" in fault


def test_a_number_in_use_cannot_be_anothers_previous_one() -> None:
    sheets = small_workbook()
    sheets["Vehicles"].append(vehicle("V-2"))
    load_small(sheets)
    sheets["Vehicles"][1]["Previous fleet numbers"] = "V-1"
    (fault,) = faults_of(sheets)
    assert fault.endswith("'V-1' is a number of V-1; take it out here.")
