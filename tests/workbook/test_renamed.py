"""A fleet number that was renamed without its previous one is asked about, never guessed."""

from datetime import date
from typing import Any

import pytest

from fleet.vehicles.models import Vehicle
from tests.workbook.small import (
    OF_THE_VAN,
    Sheets,
    faults_of,
    load_small,
    small_workbook,
    vehicle,
)

pytestmark = pytest.mark.django_db


def renamed(**more: Any) -> Sheets:
    """The small book a month later, in which V-1 is called N-7 all at once."""
    return {"Vehicles": [vehicle("N-7", **more)]}


def test_a_new_number_in_place_of_one_just_like_it_is_asked_about() -> None:
    load_small(small_workbook())
    (fault,) = faults_of(renamed())
    assert fault == (
        "Vehicles, row 2, column 'Fleet number': 'N-7' is new, and the book no longer has V-1, "
        "which joined on the same day and is of the same type and depot; if it was renumbered, "
        "write V-1 under 'Previous fleet numbers', and if this is another vehicle, write none "
        "there."
    )
    assert Vehicle.objects.get().fleet_number == "V-1"


def test_the_previous_number_answers_it() -> None:
    load_small(small_workbook())
    load_small(renamed(**{"Previous fleet numbers": "V-1"}))
    assert Vehicle.objects.get().fleet_number == "N-7"


@pytest.mark.parametrize("word", ["none", " None "])
def test_none_answers_that_it_is_another_vehicle(word: str) -> None:
    load_small(small_workbook())
    sheets = renamed(**{"Previous fleet numbers": word})
    assert load_small(sheets).counts["Vehicles"].added == 1
    assert Vehicle.objects.count() == 2
    assert not Vehicle.objects.get(fleet_number="N-7").aliases.exists()
    assert load_small(sheets).changes == 0
    assert load_small(renamed()).changes == 0  # it is known now, so nobody asks again


def test_a_book_that_still_has_the_other_is_not_asked() -> None:
    load_small(small_workbook())
    sheets = small_workbook()
    sheets["Vehicles"].append(vehicle("N-7"))
    assert load_small(sheets).counts["Vehicles"].added == 1


@pytest.mark.parametrize(
    "other",
    [
        {"Joined on": date(2023, 1, 10)},
        {"Registration": "XB 2"},
        {"VIN": "1M8GDM9AXKP042788"},  # the check-digit example of 49 CFR 565
    ],
)
def test_what_the_papers_tell_apart_is_not_asked_about(other: dict[str, Any]) -> None:
    sheets = small_workbook()
    sheets["Vehicles"][0] |= {"Registration": "XA 1", "VIN": "11111111111111111"}
    load_small(sheets)
    same = {"Registration": "XA 1", "VIN": "11111111111111111"}
    assert len(faults_of(renamed(**same))) == 1
    assert faults_of(renamed(**same | other)) == []


def test_another_depot_or_type_is_another_vehicle() -> None:
    load_small(small_workbook())
    sheets = {name: small_workbook()[name] for name in ("Depots", "Vehicle types")}
    sheets["Depots"][0] |= {"Depot": "hill"}
    sheets["Vehicle types"][0] |= {"Vehicle type": "lorry"}
    load_small(sheets)
    assert faults_of(renamed(**{"Depot": "hill"})) == []
    assert faults_of({"Vehicles": [vehicle("N-8", **{"Vehicle type": "lorry"})]}) == []


def test_a_sold_vehicle_was_not_renumbered() -> None:
    sheets = small_workbook()
    sheets["Vehicles"][0]["Status"] = "sold"
    load_small(sheets)
    assert faults_of(renamed()) == []


def test_a_vehicle_whose_row_has_a_fault_of_its_own_is_in_the_book() -> None:
    load_small(small_workbook())
    sheets = small_workbook()
    sheets["Vehicles"] = [vehicle("V-1", **{"Joined on": "soon"}), vehicle("N-7")]
    (fault,) = faults_of(sheets)
    assert "'soon' is not a date" in fault


def test_dropped_zeros_are_no_new_number() -> None:
    sheets = small_workbook()
    sheets["Vehicles"] = [vehicle("001012")]
    sheets |= {sheet: [] for sheet in OF_THE_VAN}
    load_small(sheets)
    assert faults_of({"Vehicles": [vehicle(1012.0)]}) == []


def test_many_alike_are_named_up_to_three() -> None:
    sheets = small_workbook()
    sheets["Vehicles"] = [vehicle(f"V-{number}") for number in range(1, 6)]
    load_small(sheets)
    (fault,) = faults_of(renamed())
    assert "the book no longer has V-1 or V-2 or V-3 or 2 more, which joined" in fault
