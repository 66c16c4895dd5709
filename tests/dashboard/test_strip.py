"""Geometry of the interval strip; expected places are counted by hand on a 100-day scale."""

from datetime import date, timedelta

import pytest

from fleet.dashboard.strip import Scale, page_scale, strip

START = date(2026, 1, 1)
SCALE = Scale(START, START + timedelta(days=100))  # one day is one percent


def day(number: int) -> date:
    return START + timedelta(days=number)


def test_the_band_reaches_from_earliest_to_latest_likely() -> None:
    drawn = strip(SCALE, day(10), day(20), day(35), day(60))
    assert (drawn.today, drawn.band_at, drawn.band_width, drawn.tick) == (10, 20, 40, 35)


def test_a_certain_date_stays_visible_as_a_thin_band() -> None:
    drawn = strip(SCALE, day(10), day(50), day(50), day(50))
    assert drawn.band_width is not None
    assert 0 < drawn.band_width < 1


@pytest.mark.parametrize(
    ("first", "last", "earlier", "later"),
    [(-5, 50, True, False), (50, 130, False, True), (20, 60, False, False)],
)
def test_a_band_beyond_the_scale_points_there(
    first: int, last: int, earlier: bool, later: bool
) -> None:
    drawn = strip(SCALE, day(10), day(first), day(40), day(last))
    assert (drawn.earlier, drawn.later) == (earlier, later)


@pytest.mark.parametrize("expected", [-3, 400])
def test_nothing_is_drawn_outside_the_strip(expected: int) -> None:
    drawn = strip(SCALE, day(10), day(expected), day(expected), day(expected))
    assert drawn.tick is None
    assert drawn.band_at is not None
    assert drawn.band_width is not None
    assert 0 <= drawn.band_at <= drawn.band_at + drawn.band_width <= 100


def test_without_a_date_only_today_is_drawn() -> None:
    drawn = strip(SCALE, day(10), None, None, None)
    assert (drawn.band_width, drawn.tick, drawn.text) == (None, None, "No date can be given.")


def test_the_same_is_said_in_words() -> None:
    drawn = strip(SCALE, day(0), day(1), day(2), day(3))
    assert drawn.text == (
        "Earliest likely 2 Jan 2026, expected 3 Jan 2026, latest likely 4 Jan 2026."
    )


def test_all_rows_of_a_page_share_the_scale_of_its_filter() -> None:
    near = page_scale(date(2026, 3, 1), until=date(2026, 3, 31))
    assert near.start_on < date(2026, 3, 1) < date(2026, 3, 31) < near.end_on
    assert near.end_on < page_scale(date(2026, 3, 1)).end_on


def test_months_are_marked_where_they_begin() -> None:
    marks = SCALE.months()
    # 31 days of January, 28 of February 2026, 31 of March
    assert [mark.at for mark in marks] == [31, 59, 90]
    assert [mark.name for mark in marks] == ["Feb", "Mar", "Apr"]
