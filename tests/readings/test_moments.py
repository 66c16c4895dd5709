"""Dates and times as sheets hold them; the expected instants are read off a calendar by hand."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import pytest

from fleet.readings.moments import (
    CellFault,
    day_first_of,
    local_noon_s,
    read_moment,
    read_month,
    to_utc_s,
    with_time,
)
from fleet.readings.spreadsheet import WITHOUT_VALUE


def wall(cell: object, day_first: bool | None = None) -> tuple[str, bool]:
    moment = read_moment(cell, day_first)
    text = datetime.fromtimestamp(moment.wall_s, UTC).strftime("%Y-%m-%d %H:%M:%S")
    return text, moment.time_known


DAY = ("2026-03-31 12:00:00", False)
TIMED = ("2026-03-31 14:05:00", True)


@pytest.mark.parametrize(
    "cell",
    [
        date(2026, 3, 31),
        datetime(2026, 3, 31),  # noqa: DTZ001 - a sheet knows no zones
        46112.0,  # days since 1899-12-30
        "46112",
        20260331.0,
        "20260331",
        "2026-03-31",
        "2026/3/31",
        "31.03.2026",
        "31/03/2026",
        "31-3-26",
        "31 March 2026",
        "31-Mar-26",
        "Mar 31, 2026",
        "Tuesday 31 March 2026",
        "2026-03-31 00:00:00",
        "31. März 2026",
        "Di, 31.03.2026",
        "31 mars 2026",
        "mardi 31 mars 2026",
        "31 de marzo de 2026",
    ],
)
def test_a_day_in_any_usual_form_is_noon_with_the_time_unknown(cell: object) -> None:
    assert wall(cell) == DAY


@pytest.mark.parametrize(
    "cell",
    [
        datetime(2026, 3, 31, 14, 4, 59, 999_900),  # noqa: DTZ001
        46112 + 845 / 1440,  # 14:05 is minute 845 of 1440
        "2026-03-31 14:05",
        "2026-03-31T14:05:00",
        "2026-03-31T14:05:00.4",
        "31.03.2026 14.05",
        "31/03/2026 2:05 pm",
        "31 Mar 2026, 2:05PM",
    ],
)
def test_a_time_of_day_is_kept_to_the_second(cell: object) -> None:
    assert wall(cell) == TIMED


def test_seconds_are_added_to_the_minutes() -> None:
    minute, second = (read_moment(f"2026-03-31 14:05:{part}").wall_s for part in ("00", "45"))
    assert second - minute == 45


@pytest.mark.parametrize(
    ("text", "offset_h"), [("Z", 0), (" UTC", 0), ("+02:00", 2), ("-0330", -3.5), ("+01", 1)]
)
def test_a_zone_behind_the_time_is_kept(text: str, offset_h: float) -> None:
    moment = read_moment(f"2026-03-31 14:05{text}")
    assert moment.offset_s == offset_h * 3600


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("yesterday", "no date"),
        ("31/02/2026", "does not exist"),
        ("2026-13-01", "does not exist"),
        ("2026-03-31 25:00", "does not exist"),
        ("2026-03-31 13:05 pm", "does not exist"),
        ("2026-03-31 14:05 CET", "cannot be read"),
        ("1026-03-31", "does not exist"),
        (12345.0, "no date"),
        (1e300, "no date"),
        (float("nan"), "no date"),
        (time(14, 5), "no date"),
        (WITHOUT_VALUE, "formula without a value"),
    ],
)
def test_what_is_no_date_is_refused_with_a_remedy(cell: object, words: str) -> None:
    with pytest.raises(CellFault, match=words) as fault:
        read_moment(cell)
    assert "write it as" in str(fault.value)


def test_no_example_stands_beside_a_day_that_does_not_exist() -> None:
    with pytest.raises(CellFault) as fault:
        read_moment("31.02.2026")
    assert str(fault.value) == (
        "holds “31.02.2026”, a day that does not exist: write it as YYYY-MM-DD, with the day that "
        "is right"
    )


def test_an_ambiguous_date_is_refused_naming_both_days() -> None:
    with pytest.raises(CellFault, match="3 April 2026 or 4 March 2026.*2026-04-03 or 2026-03-04"):
        read_moment("03/04/2026")


@pytest.mark.parametrize(
    ("column", "day_first"),
    [
        (["03/04/2026", "31/03/2026"], True),
        (["03/04/2026", "03/31/2026"], False),
        (["31/03/2026", "03/31/2026"], None),
        (["03/04/2026", "2026-03-31", 5.0], None),
        (["13.04.2026"], None),
    ],
)
def test_one_clear_date_settles_its_column(column: list[Any], day_first: bool | None) -> None:
    assert day_first_of(column) is day_first


def test_a_settled_column_reads_day_or_month_first() -> None:
    assert wall("03/04/2026", day_first=True)[0][:10] == "2026-04-03"
    assert wall("03/04/2026", day_first=False)[0][:10] == "2026-03-04"


def test_a_day_of_december_is_read_day_first_too() -> None:
    assert wall("03/12/2026", True) == wall("2026-12-03")
    assert wall("03/12/2026", False) == wall("2026-03-12")


def test_equal_day_and_month_need_no_settling() -> None:
    assert wall("04/04/2026")[0][:10] == "2026-04-04"


@pytest.mark.parametrize(
    "cell", [time(14, 5), "14:05", "2:05 pm", 845 / 1440, timedelta(minutes=845)]
)
def test_a_second_column_gives_the_time(cell: object) -> None:
    moment = with_time(read_moment("2026-03-31"), cell)
    assert (moment.wall_s % 86_400, moment.time_known) == (14 * 3600 + 5 * 60, True)


@pytest.mark.parametrize("cell", [time(23, 59, 59, 600_000), 86_399.6 / 86_400])
def test_the_last_half_second_of_a_day_is_of_that_day(cell: object) -> None:
    moment = with_time(read_moment("2026-03-31"), cell)
    assert moment.wall_s - read_moment("2026-03-31").wall_s == 43_199  # noon to 23:59:59


@pytest.mark.parametrize("cell", ["noon", 1.5, timedelta(days=2), date(2026, 3, 31)])
def test_what_is_no_time_is_refused(cell: object) -> None:
    with pytest.raises(CellFault, match="14:05"):
        with_time(read_moment("2026-03-31"), cell)


@pytest.mark.parametrize(
    "text", ["2026-02", "02/2026", "Feb 2026", "February 2026", "Feb-26", "2026 Feb"]
)
def test_a_month_means_noon_of_its_last_day(text: str) -> None:
    moment = read_month(text)
    assert moment is not None
    assert datetime.fromtimestamp(moment.wall_s, UTC) == datetime(2026, 2, 28, 12, tzinfo=UTC)


def test_a_month_without_a_year_takes_the_sheets_or_is_refused() -> None:
    assert read_month("Feb", 2026) == read_month("2026-02")
    with pytest.raises(CellFault, match="without a year"):
        read_month("Feb")


BERLIN = ["Europe/Berlin"]


def utc(text: str, zones: list[str]) -> tuple[str, int]:
    wall_s = np.array([read_moment(text).wall_s])
    utc_s, moved_s = to_utc_s(wall_s, np.zeros(1, np.int64), zones)
    return f"{datetime.fromtimestamp(int(utc_s[0]), UTC):%Y-%m-%d %H:%M}", int(moved_s[0])


def test_local_time_becomes_utc_in_winter_and_summer() -> None:
    assert utc("2026-01-15 14:05", BERLIN) == ("2026-01-15 13:05", 0)
    assert utc("2026-07-15 14:05", BERLIN) == ("2026-07-15 12:05", 0)


def test_a_time_that_did_not_exist_is_moved_forward() -> None:
    # clocks in Berlin went from 02:00 to 03:00 on 31 March 2024: 02:30 becomes 03:30 = 01:30 UTC
    assert utc("2024-03-31 02:30", BERLIN) == ("2024-03-31 01:30", 3600)


def test_of_an_hour_that_came_twice_the_first_is_taken() -> None:
    assert utc("2024-10-27 02:30", BERLIN) == ("2024-10-27 00:30", 0)


def test_zones_are_kept_apart() -> None:
    wall_s = np.array([read_moment("2026-01-15 12:00").wall_s] * 2)
    utc_s, _ = to_utc_s(wall_s, np.array([0, 1]), ["Asia/Kolkata", "America/Denver"])
    assert ((utc_s - wall_s) / 3600).tolist() == [-5.5, 7.0]


def test_today_is_the_local_day() -> None:
    now = datetime(2026, 3, 31, 23, 30, tzinfo=UTC)  # 1 April in Berlin
    noon_s = local_noon_s(now, ["Europe/Berlin", "UTC"])
    assert (noon_s[0] - noon_s[1]) == 86_400


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        *[("Okt 2026", "2026-10-31"), ("Dezember 26", "2026-12-31"), ("Jänner 2026", "2026-01-31")],
        *[("févr. 2026", "2026-02-28"), ("août 2026", "2026-08-31"), ("juil. 2026", "2026-07-31")],
        *[("enero de 2026", "2026-01-31"), ("dic 2026", "2026-12-31"), ("mayo 2026", "2026-05-31")],
    ],
)
def test_months_are_known_in_four_languages(text: str, expected: str) -> None:
    month = read_month(text)
    assert month is not None
    assert datetime.fromtimestamp(month.wall_s, UTC).date().isoformat() == expected


def test_the_first_of_a_month_in_french() -> None:
    assert wall("1er mars 2026")[0] == "2026-03-01 12:00:00"


def test_a_month_before_its_day_is_no_weekday() -> None:
    assert wall("Mar 3, 2026")[0] == "2026-03-03 12:00:00"


def test_a_very_long_text_is_no_date() -> None:
    with pytest.raises(CellFault, match="no date"):
        read_moment("3 Mar 2026" + " " * 50 + "x")
