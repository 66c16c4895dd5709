"""On which days the vans of the demo come in, whatever day it is."""

from datetime import date

import pytest

from fleet.demo.as_workbook import drives, records_of
from fleet.demo.past import _taken
from fleet.demo.service_days import Diary

SINCE = date(2025, 12, 1)


@pytest.mark.parametrize("day", range(1, 8))  # Tuesday to Monday
def test_a_van_comes_in_day_after_day_until_before_today_and_then_no_more(day: int) -> None:
    today = date(2026, 12, day)
    records, taken = records_of(SINCE, today), _taken(today)
    for van in drives(today):
        last = date.min
        for visit in Diary(records, van, taken.get(van.number, {})).visits():
            assert last < visit.day < today  # else there is no end of them
            assert visit.services
            last = visit.day
