"""Limits of dates and times, each at both sides; days are counted by hand or by ``date``."""

import calendar
from datetime import UTC, date, datetime, time, timedelta
from itertools import product

import numpy as np
import pytest

from fleet.readings.moments import (
    MONTHS,
    CellFault,
    Moment,
    day_first_of,
    is_open,
    local_noon_s,
    read_moment,
    read_month,
    shown,
    to_utc_s,
    with_time,
)
from fleet.readings.unpack import WITHOUT_VALUE


def second(*when: int) -> int:
    return int(datetime(*when, tzinfo=UTC).timestamp())  # type: ignore[misc]


def of(cell: object, day_first: bool | None = None) -> tuple[int, bool, int | None]:
    moment = read_moment(cell, day_first)
    assert moment.month_from_s is None
    return moment.wall_s, moment.time_known, moment.offset_s


def fault(cell: object, day_first: bool | None = None) -> str:
    with pytest.raises(CellFault) as found:
        read_moment(cell, day_first)
    return str(found.value)


# by hand: day 0 of a sheet is 30 December 1899, so 20,000 is 3 October 1954, 80,000 11 January 2119
@pytest.mark.parametrize(
    ("cell", "when"),
    [
        (20_000, (1954, 10, 3, 12)),
        (19_999.999, None),
        (80_000, (2119, 1, 11, 12)),
        (80_000.5, (2119, 1, 11, 12)),
        (80_001, None),
        (46_112.25, (2026, 3, 31, 6)),
        (46_112 + 1 / 86_400, (2026, 3, 31, 0, 0, 1)),
        (46_112 + 0.4 / 86_400, (2026, 3, 31, 12)),  # rounded to midnight, which is no time
        (46_112 + 86_399.4 / 86_400, (2026, 3, 31, 23, 59, 59)),
        (19_540_101, (1954, 1, 1, 12)),
        (19_540_100, None),
        (21_191_231, (2119, 12, 31, 12)),
        (21_200_101, None),
        (20_260_331.5, None),
        (20_260_332, None),  # no such day
        ("46112.25", (2026, 3, 31, 6)),
        ("20260331", (2026, 3, 31, 12)),
        ("46112", (2026, 3, 31, 12)),
    ],
)
def test_numbers_are_days_since_1900_or_years_months_and_days(
    cell: object, when: tuple[int, ...] | None
) -> None:
    if when is None:
        assert "no date" in fault(cell) or "does not exist" in fault(cell)
        return
    wall_s, known, offset_s = of(cell)
    assert (wall_s, offset_s) == (second(*when), None)
    noon = cell in (80_000.5,)  # a noon that was given is known
    assert known == (noon or when[3:] != (12,))


@pytest.mark.parametrize(
    ("year", "known"), [(1953, False), (1954, True), (2119, True), (2120, False)]
)
def test_years_are_those_that_a_fleet_can_have(year: int, known: bool) -> None:
    for cell in (f"{year}-03-13", f"13 March {year}", f"13/03/{year}"):
        if known:
            assert of(cell)[0] // 86_400 == (date(year, 3, 13) - date(1970, 1, 1)).days
        else:
            assert "a day that does not exist" in fault(cell)
    assert (read_month(f"{year}-03") is not None) is known


def test_a_year_of_two_digits_is_of_this_century() -> None:
    assert of("31.03.26") == of("2026-03-31")
    assert of("31.03.00") == of("2000-03-31")
    assert of("31 Mar 99") == of("2099-03-31")


def test_every_day_of_a_year_is_read_alike_in_each_form() -> None:
    for at in range(0, 366, 5):
        day = date(2024, 1, 1) + timedelta(days=at)
        wall_s = second(day.year, day.month, day.day, 12)
        for form in ("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%d.%m.%Y", "%d %B %Y", "%d-%b-%y",
                     "%B %d, %Y", "%A %d %B %Y", "%a, %d.%m.%Y", "%d%b%Y"):  # fmt: skip
            assert of(day.strftime(form)) == (wall_s, False, None), (day, form)
        assert of(day.strftime("%d/%m/%Y"), True) == (wall_s, False, None)
        assert of(day.strftime("%m/%d/%Y"), False) == (wall_s, False, None)


def test_days_and_months_are_told_apart_where_only_one_reading_is_a_date() -> None:
    for one, two in product((1, 2, 11, 12, 13, 28), repeat=2):
        text = f"{one:02}/{two:02}/2026"
        both = one <= 12 and two <= 12 and one != two
        for day_first in (None, True, False):
            month_first = two > 12 or (one <= 12 and day_first is False) or one == two
            if one > 12 and two > 12:
                assert "does not exist" in fault(text, day_first)
            elif both and day_first is None:
                assert "which can be" in fault(text)
            else:
                month, day = (one, two) if month_first else (two, one)
                assert of(text, day_first)[0] == second(2026, month, day, 12), (text, day_first)


def test_a_date_with_full_stops_begins_with_the_day_whatever_its_column_says() -> None:
    for two in (1, 11, 12):
        assert of(f"03.{two}.2026", False)[0] == second(2026, two, 3, 12)
    assert of("03.13.2026")[0] == second(2026, 3, 13, 12)  # no month 13: it can only be this


def test_whether_a_date_is_open_is_said_by_its_fault() -> None:
    assert is_open(CellFault(fault("03/04/2026")))
    assert not is_open(CellFault(fault("31/02/2026")))


@pytest.mark.parametrize(
    ("column", "day_first"),
    [
        (["12/12/2026"], None),
        (["13/12/2026"], True),
        (["12/13/2026"], False),
        ([" Tue 13-12-26 "], True),
        (["13/12/2026 14:05"], True),
        (["13.12.2026", "12.13.2026"], None),  # full stops say nothing of the other marks
        ([13.0, None, date(2026, 12, 13)], None),
        ([], None),
    ],
)
def test_a_column_begins_with_the_day_where_a_number_above_twelve_says_so(
    column: list[object], day_first: bool | None
) -> None:
    assert day_first_of(column) is day_first


@pytest.mark.parametrize(
    ("clock", "seconds"),
    [
        ("0:01", 60),
        ("23:59:59", 86_399),
        ("24:00", None),
        ("23:60", None),
        ("23:59:60", None),
        ("12:00 am", 0),
        ("12:30 am", 1_800),
        ("1:00 a.m.", 3_600),
        ("11:59 am", 43_140),
        ("12:00 pm", 43_200),
        ("12:01 PM", 43_260),
        ("11:59 p.m.", 86_340),
        ("0:30 am", None),
        ("13:00 am", None),
        ("7.05", 25_500),
        ("14:05:30,5", 50_730),
        ("14", None),
        ("14:5", None),
    ],
)
def test_the_clock_reads_from_midnight_to_the_last_second(clock: str, seconds: int | None) -> None:
    day = Moment(second(2026, 3, 31, 12), time_known=False)
    if seconds is None:
        with pytest.raises(CellFault, match="14:05"):
            with_time(day, clock)
        return
    found = with_time(day, clock)
    assert found == Moment(second(2026, 3, 31) + seconds)
    if seconds:  # a midnight behind a date is no time
        assert of(f"2026-03-31 {clock}") == (found.wall_s, True, None)


@pytest.mark.parametrize(
    ("zone", "offset_s"),
    [
        ("Z", 0),
        (" gmt", 0),
        ("+00:00", 0),
        ("+05:30", 19_800),
        ("-0330", -12_600),
        ("+14", 50_400),
        ("-01", -3_600),
        ("", None),
    ],
)
def test_a_zone_is_hours_and_minutes_ahead_of_utc(zone: str, offset_s: int | None) -> None:
    wall_s, known, offset = of(f"2026-03-31 14:05{zone}")
    assert (wall_s, known, offset) == (second(2026, 3, 31, 14, 5), True, offset_s)
    midnight = of(f"2026-03-31 00:00{zone}")
    if offset_s is None:
        assert midnight == (second(2026, 3, 31, 12), False, None)
    else:  # with a zone midnight is a time
        assert midnight == (second(2026, 3, 31), True, offset_s)


@pytest.mark.parametrize(
    ("cell", "seconds"),
    [
        (time(0, 0), 0),
        (time(14, 5, 30), 50_730),
        (datetime(2020, 1, 1, 14, 5, 30, 600_000), 50_731),  # noqa: DTZ001
        (timedelta(0), 0),
        (timedelta(hours=23, minutes=59), 86_340),
        (timedelta(days=1), None),
        (timedelta(seconds=-1), None),
        (0, 0),
        (0.5, 43_200),
        (0.999_999, 86_399),
        (1, None),
        (-0.1, None),
        (WITHOUT_VALUE, None),
        (None, None),
    ],
)
def test_a_second_column_holds_times_of_one_day(cell: object, seconds: int | None) -> None:
    day = read_moment("2026-03-31 05:00+02:00")
    if seconds is None:
        with pytest.raises(CellFault, match="no time of day"):
            with_time(day, cell)
        return
    assert with_time(day, cell) == Moment(second(2026, 3, 31) + seconds)


def test_a_blank_second_cell_changes_nothing() -> None:
    day = read_moment("2026-03-31 05:00+02:00")
    assert with_time(day, "") is day
    assert with_time(read_moment("2026-03-31"), "10:00Z").offset_s == 0


@pytest.mark.parametrize(
    ("when", "seconds", "known"),
    [
        (datetime(2026, 3, 31, 0, 0, 0, 400_000), 43_200, False),  # noqa: DTZ001
        (datetime(2026, 3, 31, 0, 0, 0, 600_000), 1, True),  # noqa: DTZ001
        (datetime(2026, 3, 31, 1, 2, 3), 3_723, True),  # noqa: DTZ001
        (date(2026, 3, 31), 43_200, False),
    ],
)
def test_typed_dates_are_kept_to_the_second(when: date, seconds: int, known: bool) -> None:
    assert of(when) == (second(2026, 3, 31) + seconds, known, None)


@pytest.mark.parametrize(("letters", "fits"), [(60, True), (61, False)])
def test_a_date_has_at_most_sixty_letters(letters: int, fits: bool) -> None:
    text = "2026-03-31 " + " " * (letters - 16) + "14:05"
    assert len(text) == letters
    if fits:
        assert of(text)[0] == second(2026, 3, 31, 14, 5)
    else:
        assert "no date" in fault(text)


@pytest.mark.parametrize(
    ("text", "month"),
    [
        ("2026-1", 1), ("12/2026", 12), ("2026-12", 12), ("2026-13", 0), ("0/2026", 0),
        ("2026 00", 0), ("March 26", 3), ("2026, Sept", 9), ("Dec. '26", 12), ("Mai de 2026", 5),
    ],
)  # fmt: skip
def test_a_month_is_noon_of_its_last_day_and_knows_where_it_begins(text: str, month: int) -> None:
    found = read_month(f" {text} ")
    if not month:
        assert found is None
        return
    last = calendar.monthrange(2026, month)[1]
    assert found == Moment(
        second(2026, month, last, 12), time_known=False, month_from_s=second(2026, month, 1)
    )


def test_what_is_no_month_is_none() -> None:
    for text in ("V-1", "2026", "March 3 2026", "31.03.2026"):
        assert read_month(text, 2026) is None
    assert read_month("Mar", 2119) is not None
    assert read_month("Mar", 2120) is None


def test_months_are_numbered_from_one_in_full_and_by_three_letters() -> None:
    for number in range(1, 13):
        name = calendar.month_name[number].lower()
        assert MONTHS[name] == MONTHS[name[:3]] == number
    for number, words in {1: "jänner janv ene", 2: "févr feb", 3: "märz mars marzo", 4: "avril abr",
                          5: "mai mayo", 6: "juin junio", 7: "juli juil", 8: "août ago",
                          9: "sept setiembre", 10: "okt octubre", 11: "noviembre",
                          12: "dez déc dic"}.items():  # fmt: skip
        assert {MONTHS[word] for word in words.split()} == {number}


@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ("", "nothing"),
        (5.0, "“5”"),
        (5.5, "“5.5”"),
        (999_999_999_999_999.0, "“999999999999999”"),
        (1e15, "“1000000000000000.0”"),
        ("x" * 40, f"“{'x' * 40}”"),
        ("x" * 41, f"“{'x' * 40}”"),
        (WITHOUT_VALUE, "a formula without a value"),
    ],
)
def test_a_cell_is_shown_short_and_in_quotes(cell: object, said: str) -> None:
    assert shown(cell) == said


# --- zones: hours ahead of UTC from the IANA time zone database, known by heart ---------------
ZONES = ["Europe/Berlin", "Asia/Kolkata", "America/New_York", "Australia/Lord_Howe"]


@pytest.mark.parametrize(
    ("wall", "zone", "ahead_h", "moved_s"),
    [
        ((2026, 1, 15, 12), 0, 1, 0),
        ((2026, 7, 15, 12), 0, 2, 0),
        ((2026, 7, 15, 12), 1, 5.5, 0),
        ((2026, 1, 15, 12), 2, -5, 0),
        ((2026, 1, 15, 12), 3, 11, 0),
        # clocks in Berlin go from 2 to 3 o'clock on 29 March 2026, from 3 to 2 on 25 October
        ((2026, 3, 29, 1, 59, 59), 0, 1, 0),
        ((2026, 3, 29, 2, 0, 0), 0, 1, 3_600),
        ((2026, 3, 29, 2, 59, 59), 0, 1, 3_600),
        ((2026, 3, 29, 3, 0, 0), 0, 2, 0),
        ((2026, 10, 25, 1, 59, 59), 0, 2, 0),
        ((2026, 10, 25, 2, 30, 0), 0, 2, 0),
        ((2026, 10, 25, 3, 0, 0), 0, 1, 0),
        # on Lord Howe Island by half an hour, from 2 to 2:30 on 4 October 2026
        ((2026, 10, 4, 2, 0, 0), 3, 10.5, 1_800),
        ((2026, 10, 4, 2, 30, 0), 3, 11, 0),
    ],
)
def test_local_time_becomes_utc_by_its_own_zone(
    wall: tuple[int, ...], zone: int, ahead_h: float, moved_s: int
) -> None:
    beside = second(2026, 1, 1), 0  # another row, of another zone
    utc_s, moved = to_utc_s(np.array([second(*wall), beside[0]]), np.array([zone, 0]), ZONES)
    assert utc_s.tolist() == [second(*wall) - ahead_h * 3_600, beside[0] - 3_600]
    assert moved.tolist() == [moved_s, 0]


def test_noon_of_today_is_by_each_zones_own_day() -> None:
    now = datetime(2026, 6, 15, 22, 30, tzinfo=UTC)  # the 16th already in Berlin and Kolkata
    assert local_noon_s(now, ZONES).tolist() == [
        second(2026, 6, day, 12) for day in (16, 16, 15, 16)
    ]
