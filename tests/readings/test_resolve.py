"""Entries to readings: whose meter, which instant in UTC, which unit, and what is kept of a row."""

from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pytest

from fleet.calc.arrays import KM_PER_MILE
from fleet.readings import entries as made
from fleet.readings.entries import Entries, Hints
from fleet.readings.headings import Shape, find_shape
from fleet.readings.resolve import Resolved, clipped, resolve
from fleet.readings.roll import Roll, key_of, name_of
from fleet.vehicles.models import Alias, Meter, Vehicle
from tests.cast import Cast, cast, vehicle
from tests.kept import kept

pytestmark = pytest.mark.django_db
RECEIVED = datetime(2026, 3, 20, 9, tzinfo=UTC)
DAY = date(2026, 3, 10)
HEAD = ["Vehicle", "Date", "Odometer"]


@kept
def people() -> Cast:
    """Depots in Berlin: UTC+1 in winter, UTC+2 from 29 March 2026 on."""
    return cast()


def read(head: list[Any], *rows: list[Any], sheet: str = "March") -> Entries:
    shape = find_shape("", [head])
    assert isinstance(shape, Shape)
    given = made.wide_entries if shape.wide else made.long_entries
    return given(sheet, shape, [(2 + at, row) for at, row in enumerate(rows)], Hints())


def resolved(
    head: list[Any], *rows: list[Any], unit: Any = None, depots: Any = None, sheet: str = "March"
) -> Resolved:
    return resolve(read(head, *rows, sheet=sheet), Roll(depots), unit, RECEIVED)


def outcomes(found: Resolved) -> list[str]:
    return [str(one) for one in found.rows["outcome"]]


def test_a_known_vehicles_row_waits_with_its_reading(people: Cast) -> None:
    found = resolved(HEAD, ["V-101", DAY, 100], ["nobody", DAY, 200], ["v-201", DAY, "300 mi"])
    assert outcomes(found) == ["waiting", "unknown vehicle", "waiting"]
    assert found.rows["vehicle_id"].tolist() == [people.van.pk, None, people.hill_van.pk]
    assert found.rows["named"].tolist() == ["", "nobody", ""]
    assert found.rows["row"].tolist() == [2, 3, 4]
    assert found.row_of.tolist() == [0, 2]
    assert found.hours.tolist() == [False, False]
    readings = found.readings
    assert readings["vehicle_id"].tolist() == [people.van.pk, people.hill_van.pk]
    meters = [one.meters.get().pk for one in (people.van, people.hill_van)]
    assert readings["meter_id"].tolist() == meters
    assert readings["value"].tolist() == [100, 300]
    assert readings["unit"].tolist() == ["km", "mi"]
    assert readings["meter_value"].tolist() == [100, pytest.approx(300 * KM_PER_MILE)]
    assert readings["time_known"].tolist() == [False, False]
    # 12 o'clock in Berlin is 11 o'clock UTC
    assert readings["taken_at"].tolist() == [datetime(2026, 3, 10, 11)] * 2  # noqa: DTZ001


def test_a_unit_is_the_cells_else_the_rows_else_the_files_else_the_meters(people: Cast) -> None:
    Meter.objects.filter(vehicle=people.van).update(unit="mi")
    head = [*HEAD, "Unit"]
    rows = [["V-101", DAY, 1, ""], ["V-102", DAY, 1, ""], ["V-101", DAY, "2 km", ""],
            ["V-102", DAY, 3, "mi"]]  # fmt: skip
    assert resolved(head, *rows).readings["unit"].tolist() == ["mi", "km", "km", "mi"]
    assert resolved(head, *rows, unit="mi").readings["unit"].tolist() == ["mi", "mi", "km", "mi"]
    assert resolved(head, *rows, unit="km").readings["unit"].tolist() == ["km", "km", "km", "mi"]


@pytest.mark.parametrize(
    ("cell", "unit", "said"),
    [
        ("5 km", "mi", "Row 2 gives the odometer in km, but its column says mi: make them agree."),
        ("5 mi", "mi", ""),
        ("5 km", "", ""),
        ("5 h", "", "Row 2 has an odometer in hours: write km or mi."),
        (5, "h", "Row 2 has an odometer in hours: write km or mi."),
        (1e15, "", ""),
        (1.1e15, "", "Row 2 holds 1.1e+15, too large for any meter: correct it."),
        (-1.1e15, "", "Row 2 holds -1.1e+15, too large for any meter: correct it."),
    ],
)
def test_units_that_do_not_agree_and_figures_too_large_are_refused(
    people: Cast, cell: object, unit: str, said: str
) -> None:
    found = resolved([*HEAD, "Unit"], ["V-101", DAY, cell, unit], ["V-102", DAY, 1, ""])
    assert found.rows["message"].tolist() == [said, ""]
    assert outcomes(found) == ["unreadable" if said else "waiting", "waiting"]
    assert found.row_of.tolist() == [1] if said else [0, 1]


def test_hours_are_readings_of_a_meter_of_their_own(people: Cast) -> None:
    head = [*HEAD, "Engine hours"]
    found = resolved(head, ["V-101", DAY, 100, 7.5], ["V-102", DAY, "", 8], ["V-201", DAY, 1, "x"],
                     ["V-201", DAY, "", "x"])  # fmt: skip
    assert outcomes(found) == ["waiting", "waiting", "unreadable", "unreadable"]
    assert found.row_of.tolist() == [0, 2, 0, 1]
    assert found.hours.tolist() == [False, False, True, True]
    assert found.readings["unit"].tolist() == ["km", "km", "h", "h"]
    assert found.readings["meter_value"].tolist() == [100, 1, 7.5, 8]
    made_for = Meter.objects.filter(kind="hours").order_by("vehicle__pk")
    assert [one.vehicle for one in made_for] == [people.van, people.second_van]
    assert found.readings["meter_id"].tolist()[2:] == [one.pk for one in made_for]
    taken, not_taken = found.rows["message"].tolist()[2:]
    assert taken.startswith("The odometer was taken, but D4 is no number.")
    assert not_taken.startswith("D5 is no number.")


def test_what_cannot_be_read_has_no_reading_and_says_why(people: Cast) -> None:
    found = resolved([*HEAD, "Engine hours"], ["V-101", "soon", 5, "x"], ["nobody", "soon", 5, 1])
    assert outcomes(found) == ["unreadable", "unreadable"]
    assert found.rows["message"][0].startswith("B2 holds “soon”")
    assert len(found.row_of) == 0
    assert found.rows["vehicle_id"].tolist() == [people.van.pk, None]
    assert found.rows["named"].tolist() == ["", ""]


# 20 March 2026, 10 o'clock in Berlin, is when the file came
@pytest.mark.parametrize(
    ("heading", "instant", "said"),
    [
        ("Feb 2026", (2026, 2, 28, 11), ""),
        ("Mar 2026", (2026, 3, 20, 11), "The month is still running: taken as read on 20 March"),
        ("Apr 2026", (2026, 4, 30, 10), ""),  # a month ahead is what it says
    ],
)
def test_a_month_still_running_is_read_today(
    people: Cast, heading: str, instant: tuple[int, ...], said: str
) -> None:
    found = resolved(["Vehicle", heading], ["V-101", 100])
    assert found.readings["taken_at"].tolist() == [datetime(*instant)]  # type: ignore[misc]  # noqa: DTZ001
    assert found.rows["message"][0].startswith(said)
    assert bool(found.rows["message"][0]) is bool(said)


def test_a_month_that_ends_today_has_ended(people: Cast) -> None:
    last = datetime(2026, 3, 31, 5, tzinfo=UTC)
    found = resolve(read(["Vehicle", "Mar 2026"], ["V-101", 5]), Roll(), None, last)
    assert found.rows["message"].tolist() == [""]
    begun = datetime(2026, 4, 1, 5, tzinfo=UTC)  # the first day of a month that is running
    found = resolve(read(["Vehicle", "Apr 2026"], ["V-101", 5]), Roll(), None, begun)
    assert found.rows["message"][0].endswith("taken as read on 1 April 2026.")


def test_an_hour_that_clocks_left_out_is_moved_forward_and_said(people: Cast) -> None:
    rows = [["V-101", f"2026-03-29 {clock}", 5] for clock in ("01:59", "02:30", "03:00", "02:30Z")]
    found = resolved(HEAD, *rows)
    assert [one.strftime("%H:%M") for one in found.readings["taken_at"].tolist()] == [
        *("00:59", "01:30", "01:00", "02:30"),
    ]
    assert found.rows["message"].tolist() == [
        *("", "02:30 did not exist on 29 March 2026, when clocks went forward: taken as 03:30."),
        *("", ""),
    ]


def test_a_zone_as_written_wins_over_the_depots(people: Cast) -> None:
    rows = [["V-101", f"2026-01-10 12:00{zone}", 5] for zone in ("", "Z", "+05:30", "-01:00")]
    found = resolved(HEAD, *rows)
    assert [one.strftime("%H:%M") for one in found.readings["taken_at"].tolist()] == [
        *("11:00", "12:00", "06:30", "13:00"),
    ]


def test_each_vehicle_has_the_zone_of_its_depot(people: Cast) -> None:
    people.hill.zone = "America/New_York"
    people.hill.save()
    found = resolved(HEAD, ["V-101", DAY, 1], ["V-201", DAY, 1], ["V-102", DAY, 1])
    # 12 o'clock on 10 March 2026: summer time in New York, UTC-4
    assert [one.hour for one in found.readings["taken_at"].tolist()] == [11, 16, 11]


def test_without_any_vehicle_every_row_is_of_an_unknown_one(people: Cast) -> None:
    found = resolved(HEAD, ["V-101", DAY, 1], [1012.0, DAY, 1], depots=[])
    assert outcomes(found) == ["unknown vehicle"] * 2
    assert found.rows["named"].tolist() == ["V-101", "1012"]
    assert len(found.readings["value"]) == 0


def test_of_long_names_and_notes_as_much_is_kept_as_there_is_room_for(people: Cast) -> None:
    found = resolved([*HEAD, "Note"], ["V-101", DAY, 1, "n" * 301], ["x" * 41, DAY, 1, ""],
                     sheet="s" * 41)  # fmt: skip
    assert found.readings["note"].tolist() == ["n" * 299 + "…"]
    assert found.rows["named"].tolist() == ["", "x" * 40]
    assert found.rows["sheet"].tolist() == ["s" * 40] * 2


@pytest.mark.parametrize(
    ("text", "most", "kept"), [("abc", 3, "abc"), ("abcd", 3, "ab…"), ("", 3, "")]
)
def test_a_text_is_clipped_with_a_mark(text: str, most: int, kept: str) -> None:
    assert clipped(text, most) == kept
    assert clipped("x" * 300) == "x" * 300
    assert clipped("x" * 301) == "x" * 299 + "…"


# --- whom a cell means -----------------------------------------------------------------------
@pytest.mark.parametrize(
    ("cell", "name"),
    [
        (1012.0, "1012"),
        (1012, "1012"),
        (123_456_789_012_345.0, "123456789012345"),
        (" a  b\n", "a b"),
        ("007", "007"),
    ],
)
def test_a_cell_is_called_as_it_was_typed(cell: object, name: str) -> None:
    assert name_of(cell) == name
    assert key_of(f" {name.lower()} ") == name.upper()


def test_digits_are_matched_with_and_without_noughts_in_front(people: Cast) -> None:
    for number in ("00", "0045", "45000", "123456789012345"):
        vehicle(number, people.plain, people.van_type)
    roll = Roll()
    for cell, number in {
        45.0: "0045", "45": "0045", "45.00": "0045", "000045": "0045", 45_000.0: "45000",
        0.0: "00", "123456789012345.0": "123456789012345",
    }.items():  # fmt: skip
        place = roll.find(cell)
        assert isinstance(place, int), cell
        assert roll.fleet_numbers[place] == number
    for cell in ("45.5", "4500", "-45", "1234567890123456"):
        assert "is no known fleet number" in str(roll.find(cell))


def test_at_most_three_are_named_that_a_cell_can_be_or_resembles(people: Cast) -> None:
    for number in ("012", "0012", "00012", "000012", "V-1010", "V-1011", "V-1012", "V-1013"):
        vehicle(number, people.plain, people.van_type)
    roll = Roll()
    assert str(roll.find("12")) == "“12” can be 012, 0012, 00012: write the fleet number in full."
    said = str(roll.find("V-101O"))
    assert said.count("V-10") == 1 + 3
    assert len(roll.meant("V-101O")) == 3


def test_what_a_name_may_stand_for_is_its_registration_or_the_same_but_for_marks(
    people: Cast,
) -> None:
    Vehicle.objects.filter(pk=people.hill_van.pk).update(registration="AB 12")
    Alias.objects.create(vehicle=people.second_van, fleet_number="V.10-1")
    roll = Roll()
    assert roll.meant(" ab  12 ") == ("V-201",)
    assert set(roll.meant("V/101")) == {"V-101", "V-102"}  # both but for marks
    assert roll.meant("v_201") == ("V-201",)
    assert roll.meant("V-210")[0] == "V-201"  # two letters swapped
    assert roll.meant("zebra") == roll.meant("--") == ()


def test_what_a_person_said_of_a_file_counts_for_it_and_is_no_number_of_its_own(
    people: Cast,
) -> None:
    roll = Roll(treat_as={"the old one": "v-101", "V-102": "V-201", "lost": "nobody"})
    assert roll.find("The  Old One") == roll.find("V-101")
    assert roll.find("V-102") != roll.find("V-201")  # a fleet number is whose it is
    assert isinstance(roll.find("lost"), str)
    assert "Similar" not in str(roll.find("the old on"))


def test_depots_narrow_whom_a_cell_may_mean_and_whose_meters_there_are(people: Cast) -> None:
    roll = Roll(["hill"])
    assert roll.ids.tolist() == [people.hill_van.pk]
    assert isinstance(roll.find("V-101"), str)
    ids, units = roll.meters(Meter.Kind.KM, np.array([0, 0]))
    assert ids.tolist() == [people.hill_van.meters.get().pk] * 2
    assert units.tolist() == ["km"] * 2
    assert roll.zones == ["Europe/Berlin"]
    assert Roll([]).zones == ["UTC"]
