"""Which column holds what; the layouts are made up here, as people might draw them."""

import time
from datetime import date
from typing import Any

import pytest

from fleet.readings.headings import Shape, Shapeless, find_shape, letter


def shape(*rows: list[Any], name: str = "S") -> Shape:
    found = find_shape(name, rows)
    assert isinstance(found, Shape), found
    return found


def message(*rows: list[Any]) -> str:
    found = find_shape("March", rows)
    assert isinstance(found, Shapeless)
    return found.message


LONG = {"vehicle": 0, "date": 1, "odometer": 2}


@pytest.mark.parametrize(
    "row",
    [
        ["Vehicle", "Date", "Odometer"],
        ["FLEET NO.", "Reading date", "Mileage"],
        ["Fleet number", "Date/Time", "Odometer [km]"],
        ["Véhicle #", "date_read", "ODO"],
        ["Van no", "Day", "km"],
        ["Unit", "Date", "Miles"],
        ["Asset ID", "Time", "Odometer (end of day)"],
        ["Truck", "Taken on", "Latest odometer value"],
        ["Fahrzeug", "Datum", "Kilometerstand"],
        ["Fzg.-Nr.", "Ablesedatum", "km-Stand [km]"],
        ["Wagennummer", "Tag", "Zählerstand"],
        ["Véhicule", "Date", "Kilométrage"],
        ["N° de véhicule", "Date du relevé", "Compteur (km)"],
        ["Vehículo", "Fecha", "Kilometraje"],
        ["N.º de vehículo", "Fecha de lectura", "Lectura del odómetro"],
    ],
)
def test_headings_match_generously(row: list[str]) -> None:
    assert shape(row).columns == LONG


def test_every_optional_column_is_found() -> None:
    row = ["Note", "Time", "Engine hours", "Unit", "Odometer", "Date", "Vehicle", "Depot"]
    assert shape(row).columns == {
        **{"note": 0, "time": 1, "hours": 2, "unit": 3},
        **{"odometer": 4, "date": 5, "vehicle": 6},
    }


def test_headings_may_stand_below_a_title() -> None:
    found = shape(["Odometers of all vehicles", "", ""], ["", "", ""], ["Vehicle", "Date", "km"])
    assert (found.heading_row, found.columns) == (3, LONG)


@pytest.mark.parametrize(
    ("heading", "unit"),
    [("Odometer [mi]", "mi"), ("Odometer (km)", "km"), ("Miles", "mi"), ("Odometer", None)],
)
def test_a_unit_in_the_heading_is_kept(heading: str, unit: str | None) -> None:
    assert shape(["Vehicle", "Date", heading]).odometer_unit == unit


def test_an_exact_heading_wins_over_a_similar_one() -> None:
    row = ["Vehicle", "Date", "Odometer", "Previous odometer"]
    assert shape(row).columns["odometer"] == 2


def days(*cells: Any, title: str = "", name: str = "S") -> list[str]:
    found = shape([title], ["Vehicle", *cells], name=name)
    return [
        str(date.fromordinal(day.moment.wall_s // 86_400 + date(1970, 1, 1).toordinal()))
        for day in found.days
    ]


def test_dates_as_headings_make_a_wide_sheet() -> None:
    assert days(date(2026, 1, 5), "2026-02-05", "05.03.2026", 46112.0) == [
        *("2026-01-05", "2026-02-05", "2026-03-05", "2026-03-31")
    ]


def test_months_as_headings_mean_their_last_day() -> None:
    assert days("Jan 2026", "2026-02", "Mar 26 [km]") == ["2026-01-31", "2026-02-28", "2026-03-31"]


def test_months_take_the_year_of_the_title_or_the_sheet() -> None:
    assert days("Jan", "Feb", title="Odometers 2026") == ["2026-01-31", "2026-02-28"]
    assert days("Jan", name="2025") == ["2025-01-31"]


def test_a_year_below_the_headings_is_of_its_row_alone() -> None:
    rows = [["Vehicle", "Jan", "Feb"], ["V-1", "100", "seen 2024"], ["V-2", "in 2024", "9"]]
    assert "without a year" in find_shape("", rows).message


def test_the_first_headings_that_work_are_taken_though_fuller_ones_follow() -> None:
    first, fuller = ["Vehicle", "Date", "Odometer"], ["Vehicle", "Date", "Odometer", "Unit"]
    assert shape(first, ["V-1", "2026-03-01", "100", "km"], fuller).heading_row == 1


def test_where_nothing_looks_like_headings_no_row_is_named() -> None:
    found = find_shape("", [["yes"], ["no"]])
    assert isinstance(found, Shapeless)
    assert found.heading_row == 0


def test_what_stands_far_behind_in_a_long_heading_is_not_looked_at() -> None:
    assert isinstance(shape(["Vehicle", "Date", " " * 192 + "Odometer"]), Shape)
    assert message(["Vehicle", "Date", " " * 193 + "Odometer"])


def test_months_without_any_year_are_refused() -> None:
    assert "B1" in message(["Vehicle", "Jan", "Feb"])
    assert "without a year" in message(["Vehicle", "Jan", "Feb"])


def test_open_date_headings_settle_each_other_or_are_refused() -> None:
    assert days("03/04/2026", "31/03/2026") == ["2026-04-03", "2026-03-31"]
    assert "3 April 2026 or 4 March 2026" in message(["Vehicle", "03/04/2026"])


def test_columns_that_are_no_dates_are_passed_over() -> None:
    found = shape(["Depot", "Vehicle", "Jan 2026", "Average"])
    assert [day.column for day in found.days] == [2]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (["Vehicle", "Odometer"], "no heading for the date in row 1"),
        (["Date", "Odometer"], "no heading for the vehicle in row 1"),
        (["Vehicle", "Date", "Colour"], "no heading for the odometer in row 1"),
        (["Vehicle", "Date", "Odometer", "Mileage"], r"the odometer \(C1 and D1\)"),
        (["a", "b"], "no heading row with vehicle, date and odometer: name the columns"),
        ([], "no heading row"),
    ],
)
def test_what_is_missing_or_doubled_is_named(row: list[str], words: str) -> None:
    with pytest.raises(AssertionError, match=words):
        raise AssertionError(message(row))


def test_of_rows_that_lack_as_much_the_first_is_told_of() -> None:
    assert "no heading for the date in row 1" in message(["Vehicle", "Km"], ["Vehicle", "Date"])
    assert "no heading for the odometer in row 2" in message(
        ["Vehicle"], ["Vehicle", "Date"], ["Vehicle"]
    )
    # columns of days count as one heading
    assert "in row 1" in message(["Km", "31/03/2026", "01/04/2026"], ["Vehicle", "Km"])


def test_columns_are_lettered_as_in_a_spreadsheet() -> None:
    assert [letter(column) for column in (0, 25, 26, 399)] == ["A", "Z", "AA", "OJ"]


@pytest.mark.parametrize("heading", ["(" * 25_000, "[" * 25_000, "([" * 12_500, "March " * 5_000])
def test_a_long_heading_is_looked_at_in_part_only(heading: str) -> None:
    begun = time.thread_time()
    assert shape([*("Vehicle", "Date", "Odometer"), heading]).columns == LONG
    # 25,000 letters looked at from each opening bracket took some seconds
    assert time.thread_time() - begun < 0.5


@pytest.mark.parametrize(
    "row",
    [
        ["Bemerkung", "Uhrzeit", "Betriebsstunden", "Einheit", "Tachostand", "Datum", "Fahrzeug"],
        ["Remarques", "Heure", "Heures moteur", "Unité", "Kilométrage", "Jour", "Véhicule"],
        ["Notas", "Hora", "Horas de motor", "Unidad", "Odómetro", "Fecha", "Vehículo"],
    ],
)
def test_optional_columns_are_found_in_other_languages(row: list[str]) -> None:
    assert shape(row).columns == {
        **{"note": 0, "time": 1, "hours": 2, "unit": 3},
        **{"odometer": 4, "date": 5, "vehicle": 6},
    }


def test_a_registration_is_no_fleet_number() -> None:
    assert shape(["Kennzeichen", "Fahrzeug", "Datum", "km"]).columns["vehicle"] == 1


def test_months_in_other_languages_make_a_wide_sheet() -> None:
    assert days("Jän 2026", "Févr. 2026", "marzo 2026") == [
        "2026-01-31",
        "2026-02-28",
        "2026-03-31",
    ]


@pytest.mark.parametrize(("heading", "unit"), [("Meilen", "mi"), ("Millas", "mi"), ("Stand", None)])
def test_units_in_other_languages(heading: str, unit: str | None) -> None:
    assert shape(["Fahrzeug", "Datum", heading]).odometer_unit == unit


def test_a_row_without_vehicle_and_meter_is_no_row_of_headings() -> None:
    # a list of absences, say: nothing of it is a reading
    assert message(["Date", "Driver"]) == message(["Driver"])
    assert message(["Date", "Driver"]).startswith("Sheet “March” has no heading row with vehicle")
