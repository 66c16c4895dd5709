"""Rows to entries, column by column: what each cell becomes, and which sentence names it."""

import json
from datetime import UTC, date, datetime, time
from typing import Any

import numpy as np
import pytest

from fleet.readings import entries as made
from fleet.readings.entries import NO_OFFSET, Entries, Hints, from_plain, raw_rows, to_plain
from fleet.readings.headings import Shape, Shapeless, find_shape, letter
from fleet.readings.moments import day_first_of
from fleet.readings.unpack import MARK, WITHOUT_VALUE

DAY = date(2026, 3, 31)
NOON = int(datetime(2026, 3, 31, 12, tzinfo=UTC).timestamp())
HEAD = ["Vehicle", "Date", "Odometer"]


def read(head: list[Any], *rows: list[Any], hints: Hints = Hints()) -> Entries:  # noqa: B008
    shape = find_shape("March", [head])
    assert isinstance(shape, Shape), shape
    kept = [(10 + at, row) for at, row in enumerate(rows)]
    read_rows = made.wide_entries if shape.wide else made.long_entries
    return read_rows("March", shape, kept, hints)


def nan(*values: float | None) -> list[float]:
    return [np.nan if value is None else value for value in values]


def test_a_long_row_is_an_entry_with_all_that_it_says() -> None:
    head = ["Note", "Engine hours", "Unit", "Time", *HEAD]
    found = read(
        head,
        ["ok", 20.5, "mi", "14:05", "V-1", DAY, 100],
        ["", "", "", "", 1012.0, datetime(2026, 3, 31, 9, 30), "7 700 km"],  # noqa: DTZ001
    )
    assert len(found) == 2
    assert (found.sheet, found.rows, found.columns) == ("March", [10, 11], ["", ""])
    assert list(found.vehicles) == ["V-1", 1012.0]
    assert found.moments.wall_s.tolist() == [NOON + 7_500, NOON - 9_000]
    assert found.moments.time_known.tolist() == [True, True]
    assert found.moments.offset_s.tolist() == [NO_OFFSET] * 2
    assert found.moments.month_from_s.tolist() == [NO_OFFSET] * 2
    assert found.odometers.values.tolist() == [100, 7_700]
    assert found.odometers.units == {1: "km"}
    assert found.units == ["mi", None]
    assert found.hours is not None
    np.testing.assert_equal(found.hours.values.tolist(), nan(20.5, None))
    assert list(found.notes) == ["ok", ""]
    assert (found.faults, found.hours_faults) == ({}, {})
    assert json.loads(found.raw[0]) == ["ok", 20.5, "mi", "14:05", "V-1", "2026-03-31", 100]


def test_a_unit_column_wins_over_the_heading_and_that_over_nothing() -> None:
    head = ["Vehicle", "Date", "Odometer [mi]", "Unit"]
    found = read(head, ["V-1", DAY, 1, ""], ["V-1", DAY, 1, "km"], ["V-1", DAY, 1, "furlong"])
    assert found.units == ["mi", "km", "mi"]
    assert list(found.faults) == [2]
    assert found.faults[2].startswith("D12 holds “furlong”, which is no unit of a meter")
    assert read(HEAD, ["V-1", DAY, 1]).units == [None]


@pytest.mark.parametrize(
    ("head", "row", "said"),
    [
        (HEAD, ["V-1", "soon", 1], "B10 holds “soon”, which is no date:"),
        (["Vehicle", "Date", "Time", "Odometer"], ["V-1", DAY, "late", 1],
         "C10 holds “late”, whose time cannot be read"),
        (["Vehicle", "Date", "Time", "Odometer"], ["V-1", DAY, 1.5, 1],
         "C10 holds “1.5”, which is no time of day"),
        (HEAD, ["V-1", DAY, "n/a"], "C10 is no number."),
        (HEAD, ["V-1", DAY, ""], "C10 holds nothing: write the reading."),
        (["Vehicle", "Date", "Engine hours"], ["V-1", DAY, ""],
         "C10 holds nothing: write the reading."),
        (HEAD, ["", DAY, 5], "A10 holds nothing where the vehicle should stand: write its number."),
        (HEAD, [DAY, DAY, 5], "A10 holds “2026-03-31” where the vehicle should stand"),
        (HEAD, [True, DAY, 5], "A10 holds “True” where the vehicle should stand"),
        (HEAD, [WITHOUT_VALUE, DAY, 5], "A10 holds a formula without a value, not a vehicle."),
        (HEAD, ["Total", DAY, 5], "Row 10 adds up others (“Total”): a totals row is not read."),
        (HEAD, ["", "Sum", 5], "Row 10 adds up others (“Sum”): a totals row is not read."),
        (HEAD, ["", "", 5], "Row 10 has neither vehicle nor date: taken for a totals row, it is "
                            "not read."),
    ],
)  # fmt: skip
def test_what_cannot_be_taken_names_its_cell(head: list[str], row: list[Any], said: str) -> None:
    found = read(head, row, ["V-2", DAY, *([""] if "Time" in head else []), 7])
    assert list(found.faults) == [0]
    assert found.faults[0].startswith(said)


@pytest.mark.parametrize("vehicle", ["V-1", 1012.0, 1012, "Totalled van", "Summer", "5"])
def test_names_and_numbers_are_vehicles(vehicle: object) -> None:
    assert read(HEAD, [vehicle, DAY, 5]).faults == {}


@pytest.mark.parametrize(
    "word",
    ["Total", "Grand total", "Subtotal", "Gesamtsumme", "Zwischensumme", "Sous-total", "Suma",
     "Average", "Mean", "Count of vans", "Anzahl", "totals 2026", "Total " + "x" * 59],
)  # fmt: skip
def test_rows_that_add_up_others_are_known_by_their_word(word: str) -> None:
    assert "adds up others" in read(HEAD, [word, DAY, 5]).faults[0]


def test_a_very_long_text_is_no_word_for_a_total() -> None:
    assert read(HEAD, ["Total " + "x" * 60, DAY, 5]).faults == {}


def test_hours_that_cannot_be_read_leave_the_odometer_as_it_is() -> None:
    head = [*HEAD, "Engine hours"]
    found = read(head, ["V-1", DAY, 5, "x"], ["V-1", DAY, "", "x"], ["V-1", DAY, "", 7.5],
                 ["V-1", DAY, "", ""])  # fmt: skip
    assert list(found.hours_faults) == [0, 1]
    assert found.hours_faults[0].startswith("D10 is no number.")
    assert found.faults == {3: "C13 holds nothing: write the reading."}


def test_the_first_fault_of_a_row_is_told_but_one_of_its_vehicle_goes_before() -> None:
    assert read(HEAD, ["V-1", "soon", "n/a"]).faults[0].startswith("B10")
    assert read(HEAD, ["", "soon", "n/a"]).faults[0].startswith("A10")


# --- wide ------------------------------------------------------------------------------------
def test_each_filled_cell_of_a_wide_row_is_an_entry_of_its_column() -> None:
    head = ["Unit", "Vehicle", date(2026, 1, 31), "Feb 2026 [mi]", "2026-03-31 14:05"]
    found = read(head, ["", "V-1", 100, "", "x"], ["km", "V-2", "", 0, 300])
    assert (found.rows, found.columns) == ([10, 10, 11, 11], ["C", "E", "D", "E"])
    assert found.vehicles == ["V-1", "V-1", "V-2", "V-2"]
    np.testing.assert_equal(found.odometers.values.tolist(), nan(100, None, 0, 300))
    assert found.units == [None, None, "km", "km"]
    assert found.moments.time_known.tolist() == [False, True, False, True]
    begin = int(datetime(2026, 2, 1, tzinfo=UTC).timestamp())
    assert found.moments.month_from_s.tolist() == [NO_OFFSET, NO_OFFSET, begin, NO_OFFSET]
    assert found.moments.wall_s[[0, 2, 3]].tolist() == [
        int(datetime(2026, *when, tzinfo=UTC).timestamp())
        for when in ((1, 31, 12), (2, 28, 12), (3, 31, 14, 5))
    ]
    assert list(found.faults) == [1]
    assert found.faults[1].startswith("E10 is no number.")
    assert [json.loads(one) for one in found.raw] == [
        ["V-1", "2026-01-31", 100],
        ["V-1", "2026-03-31 14:05", "x"],
        ["V-2", "Feb 2026 [mi]", 0],
        ["V-2", "2026-03-31 14:05", 300],
    ]


def test_a_wide_sheets_headings_give_units_and_its_rows_vehicles() -> None:
    found = read(["Vehicle", "Jan 2026 [mi]", "Feb 2026 (km)"], ["V-1", 1, 2], ["Total", 3, 4])
    assert found.units == ["mi", "km"] * 2
    assert {at: one[:6] for at, one in found.faults.items()} == {2: "Row 11", 3: "Row 11"}
    assert read(["Vehicle", "2026-01-05 00:00+02:00"], ["V-1", 1]).moments.offset_s.tolist() == [
        7_200
    ]


# --- columns of dates ------------------------------------------------------------------------
def moments(*cells: Any, times: tuple[Any, ...] = (), day_first: bool | None = None) -> Any:
    return made.read_moments(cells, times, day_first)


def test_typed_dates_are_read_alike_by_the_column_and_one_by_one() -> None:
    typed = [DAY, datetime(2026, 3, 31, 14, 5, 0, 600_000), datetime(2026, 3, 31),  # noqa: DTZ001
             datetime(2026, 3, 31, 14, 5, 0, 499_999), date(1965, 3, 31)]  # noqa: DTZ001  # fmt: skip
    at_once = moments(*typed)
    one_by_one = moments(*typed, "2026-03-31")
    assert at_once.wall_s.tolist() == one_by_one.wall_s.tolist()[:-1]
    assert at_once.time_known.tolist() == one_by_one.time_known.tolist()[:-1]
    assert at_once.wall_s.tolist()[:4] == [NOON, NOON + 7_501, NOON, NOON + 7_500]
    assert at_once.time_known.tolist() == [False, True, False, True, False]


def test_blank_times_beside_typed_dates_change_nothing() -> None:
    assert moments(DAY, DAY, times=("", "")).wall_s.tolist() == [NOON, NOON]
    found = moments(DAY, DAY, DAY, times=("", time(12, 5), "x"))
    assert found.wall_s.tolist() == [NOON, NOON + 300, 0]
    assert found.time_known.tolist() == [False, True, False]
    assert list(found.faults) == [2]


def test_a_zone_and_a_fault_stay_in_their_place_and_the_column_says_how_dates_begin() -> None:
    found = moments("03/04/2026", "x", "2026-03-31 14:05+01:00", day_first=True)
    april = int(datetime(2026, 4, 3, 12, tzinfo=UTC).timestamp())
    assert found.wall_s.tolist() == [april, 0, NOON + 7_500]
    assert found.offset_s.tolist() == [NO_OFFSET, NO_OFFSET, 3_600]
    assert list(found.faults) == [1]
    assert list(moments("03/04/2026").faults) == [0]
    assert read(HEAD, ["V-1", "03/04/2026", 5], hints=Hints(day_first=True)).faults == {}
    assert read(HEAD, ["V-1", DAY, "12,345"], hints=Hints(decimal_mark=",")).odometers.values == [
        12.345
    ]


# --- as plain values -------------------------------------------------------------------------
@pytest.mark.parametrize("head", [[*HEAD, "Engine hours"], HEAD])
def test_entries_come_back_from_their_plain_values_as_they_were(head: list[str]) -> None:
    found = read(head, ["V-1", DAY, "7 mi", *["x"] * (len(head) - 3)])
    back = from_plain(to_plain(found))
    assert to_plain(back) == to_plain(found)
    assert (back.hours is None) is (len(head) == 3)
    assert (back.odometers.units, back.moments.wall_s.tolist()) == ({0: "mi"}, [NOON])
    back.odometers.values[0] = 8  # a copy that may be written to


def test_what_looks_like_a_plain_array_and_is_none_stays_as_it_is() -> None:
    for value in ((made._ARRAY, "<f8"), ("x", "<f8", b""), [made._ARRAY, "<f8", b""], "x"):
        assert made._array_or_same(value) is value


def test_rows_are_kept_as_given() -> None:
    assert raw_rows([]) == []
    rows = [
        ["a,\nb", 1.5, "],\n[", date(2026, 3, 1)],
        [None, True, time(9, 5), date(2026, 3, 2)],
        ["größe", 2, datetime(2026, 3, 1, 9, 5), date(2026, 3, 3)],  # noqa: DTZ001
    ]
    assert raw_rows(rows) == [
        r'["a,\nb", 1.5, "],\n[", "2026-03-01"]',
        '[null, true, "09:05:00", "2026-03-02"]',
        '["größe", 2, "2026-03-01 09:05:00", "2026-03-03"]',
    ]
    assert raw_rows([["größe", f"{MARK}formula"]]) == ['["größe", "formula"]']


def test_days_and_instants_stand_for_the_same_whether_alone_or_mixed() -> None:
    day, instant = date(2026, 3, 31), datetime(2026, 3, 31, 9, 5)  # noqa: DTZ001
    noon_s, at_s = 1_774_958_400, 1_774_947_900  # date -u -d "2026-03-31 12:00" +%s, 09:05
    for cells, wall_s in (
        ((day,), [noon_s]),
        ((instant,), [at_s]),
        ((day, instant), [noon_s, at_s]),
    ):
        found = made.read_moments(cells)
        assert found.wall_s.tolist() == wall_s
        assert found.time_known.tolist() == [one == at_s for one in wall_s]


def test_rows_below_headings_that_cannot_be_used_are_kept_with_why() -> None:
    found = made.unusable_entries("S", [(3, ["a"]), (5, ["b"])], "doubled")
    assert (len(found), found.rows, found.columns) == (2, [3, 5], ["", ""])
    assert found.faults == {0: "doubled", 1: "doubled"}
    assert found.raw == ['["a"]', '["b"]']
    assert (list(found.vehicles), found.units) == (["", ""], [None, None])
    assert np.isnan(found.odometers.values).all()
    assert found.moments.wall_s.tolist() == [0, 0]


# --- headings --------------------------------------------------------------------------------
def shapeless(*rows: list[Any], name: str = "") -> Shapeless:
    found = find_shape(name, rows)
    assert isinstance(found, Shapeless)
    return found


@pytest.mark.parametrize(("above", "found"), [(49, True), (50, False)])
def test_headings_are_looked_for_in_the_first_fifty_rows(above: int, found: bool) -> None:
    rows = [["x"]] * above + [HEAD]
    shape = find_shape("S", rows)
    assert isinstance(shape, Shape) is found
    assert shape.heading_row == (50 if found else 0)


def test_the_row_that_lacks_least_is_told() -> None:
    found = shapeless(["Odometer"], ["Vehicle", "Odometer"], ["Vehicle"])
    assert found.heading_row == 2
    assert found.message.startswith("The file has no heading for the date in row 2: name")
    assert shapeless(["Odometer"], ["Date", "Odometer", "Jan 2026"]).heading_row == 2
    assert shapeless(["x"]).message.startswith("The file has no heading row with vehicle")
    assert shapeless(["Vehicle"], name="A").message.startswith(
        "Sheet “A” has no heading for the date and the odometer in row 1"
    )


@pytest.mark.parametrize(
    ("serial", "is_day"),
    [(39_999.0, False), (40_000.0, True), (60_000.0, True), (60_001.0, False)],
)
def test_a_number_is_a_heading_of_a_day_between_2009_and_2064(serial: float, is_day: bool) -> None:
    assert isinstance(find_shape("S", [["Vehicle", serial]]), Shape) is is_day


def test_only_a_single_year_above_is_taken_for_months() -> None:
    def first(*rows: list[Any], name: str = "S") -> int | None:
        found = find_shape(name, [*rows, ["Vehicle", "Mar"]])
        if isinstance(found, Shapeless):
            return None
        return datetime.fromtimestamp(found.days[0].moment.wall_s, UTC).year

    assert first(["Odometers 2026"]) == 2026
    assert first(["Odometers", "2026"], ["of 2026"]) == 2026
    assert first(["2025"], ["2026"]) is None
    assert first(["1953"]) is None  # no fleet is so old
    assert first(["1953 and 2026"]) == 2026
    assert first(["12026"]) is None
    assert first(name="2026") == 2026
    assert first() is None


def test_headings_of_a_wide_sheet_settle_each_other_and_keep_what_they_say() -> None:
    found = find_shape(
        "S", [["Vehicle", "Unit", "Note", "03/04/2026 (km)", 46_112.0, "31/03/2026"]]
    )
    assert isinstance(found, Shape)
    assert found.columns == {"vehicle": 0, "unit": 1}
    assert [(day.column, day.heading, day.unit) for day in found.days] == [
        (3, "03/04/2026 (km)", "km"), (4, "46112", None), (5, "31/03/2026", None),
    ]  # fmt: skip
    assert day_first_of(["03/04/2026 (km)", "31/03/2026"]) is True
    doubled = shapeless(["Vehicle", "Van", "Jan 2026"])
    assert doubled.message.startswith(
        "The file has more than one heading for the vehicle (A1 and B1)"
    )


@pytest.mark.parametrize(
    ("column", "letters"),
    [(0, "A"), (1, "B"), (25, "Z"), (26, "AA"), (51, "AZ"), (52, "BA"), (701, "ZZ"), (702, "AAA")],
)
def test_columns_are_lettered(column: int, letters: str) -> None:
    assert letter(column) == letters
