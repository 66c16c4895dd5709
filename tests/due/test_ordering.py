from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.due.listing import DueFilter, DueRow, due_counts, due_rows, group_counts
from fleet.due.ordering import SORTS, Order, monday_of, week_of
from tests import scene
from tests.due.test_listing import row

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 15, 9, tzinfo=UTC)
FAR = date(9999, 12, 31)


def numbers(**asked: Any) -> list[str]:
    return [found.vehicle for found in due_rows(now=NOW, **asked)]


@pytest.fixture
def five() -> None:
    """In the order in which they fall due: V-5, V-3, V-1, V-4; V-2 has no date."""
    coast = scene.depot("coast")
    row("V-5", at=coast, p50=date(2026, 6, 1), calendar_on=date(2026, 6, 1), meter_life=1.3)
    row("V-3", p50=date(2026, 6, 10), meter_life=1.01, bring_in_by_on=date(2026, 6, 20))
    row("V-1", p50=date(2026, 6, 20), meter_life=0.9, bring_in_by_on=date(2026, 6, 18))
    row("V-4", at=coast, p50=date(2026, 7, 8), meter_life=0.2, binding_limit="calendar")
    row("V-2", p50=None, history_known=False, binding_limit="none")


KEYS: dict[str, Callable[[DueRow], Any]] = {
    "due": lambda one: one.sort_on,
    "state": lambda one: ("overdue", "probably_overdue", "due_this_month", "later",
                          "history_unknown").index(one.state),
    "vehicle": lambda one: one.vehicle,
    "service": lambda one: one.service_name,
    "bring_in": lambda one: one.bring_in_by or FAR,
    "limit": lambda one: one.binding_limit,
    "life": lambda one: -1 if one.life_used is None else one.life_used,
}  # fmt: skip


@pytest.mark.parametrize("sort", SORTS)
@pytest.mark.parametrize("descending", [False, True])
def test_a_list_sorted_by_the_database_is_sorted_as_it_reads(
    sort: str, descending: bool, five: None
) -> None:
    soonest_first = due_rows(now=NOW)
    by_hand = sorted(soonest_first, key=KEYS[sort], reverse=descending)  # keeps those alike
    found = due_rows(now=NOW, order=Order(sort, descending))
    assert [one.vehicle for one in found] == [one.vehicle for one in by_hand]


def test_life_by_the_calendar_counts_in_the_order() -> None:
    # by hand: 14 of 20 days used, then a year of which half is left, then 1 % by distance
    row("V-1", meter_life=0.01)
    row("V-2", calendar_on=date(2026, 12, 15), calendar_life_per_d=1 / 365)
    began = {"calendar_life": 0.0, "calendar_life_on": date(2026, 6, 1)}
    row("V-3", calendar_on=date(2026, 6, 21), calendar_life_per_d=1 / 20, **began)
    assert numbers(order=Order("life", True)) == ["V-3", "V-2", "V-1"]


def test_the_life_of_two_days_at_once_is_ordered_by_the_later_day() -> None:
    # by hand, at 13:00 UTC: 15 of 20 days used in Auckland, where it is the 16th; .72 by distance
    began = {"calendar_life": 0.0, "calendar_life_on": date(2026, 6, 1)}
    far = scene.depot("far", "Pacific/Auckland")
    row("V-1", at=far, calendar_on=date(2026, 6, 21), calendar_life_per_d=1 / 20, **began)
    row("V-2", meter_life=0.72)
    found = due_rows(now=NOW.replace(hour=13), order=Order("life", True))
    assert [(one.vehicle, one.life_used) for one in found] == [("V-1", 0.75), ("V-2", 0.72)]


def test_a_row_says_which_group_it_stands_in() -> None:
    row("V-1", at=scene.depot("coast"), p50=date(2026, 6, 15))
    (found,) = due_rows(now=NOW)
    named = {by: found.group(by) for by in ("vehicle", "service", "depot")}
    assert named == {"vehicle": "V-1", "service": "Gearbox oil", "depot": "Coast"}
    assert monday_of(int(found.group("week"))) == date(2026, 6, 15)


def test_groups_stand_together_whatever_the_sort_within_them(five: None) -> None:
    assert numbers(order=Order("vehicle", group="depot")) == ["V-4", "V-5", "V-1", "V-2", "V-3"]
    # 15 June 2026 is a Monday: V-1 alone is in its week
    assert numbers(order=Order("life", True, "week")) == ["V-5", "V-3", "V-1", "V-4", "V-2"]


def test_a_group_says_how_many_rows_it_has_under_the_filters(five: None) -> None:
    first = due_rows(now=NOW)[0]
    assert group_counts("depot", ["Coast"], now=NOW) == {"Coast": 2}
    assert group_counts("depot", ["Coast"], DueFilter(states=["overdue"]), now=NOW) == {"Coast": 1}
    assert group_counts("week", [first.group("week")], now=NOW) == {week_of(first.sort_on): 1}


def test_weeks_begin_on_mondays() -> None:
    assert monday_of(week_of(date(2026, 6, 15))) == date(2026, 6, 15)
    assert monday_of(week_of(date(2026, 6, 21))) == date(2026, 6, 15)


def test_counts_follow_the_filters(five: None) -> None:
    assert sum(due_counts(now=NOW).values()) == 5
    assert sum(due_counts(DueFilter(until=date(2026, 6, 20)), NOW).values()) == 3
    assert sum(due_counts(DueFilter(since=date(2026, 6, 20), search="V-4"), NOW).values()) == 1


def test_pages_of_any_order_show_every_row_once(five: None) -> None:
    order = Order("life", True)
    seen = [numbers(order=order, skip=skip, limit=2) for skip in (0, 2, 4)]
    assert sum(seen, []) == numbers(order=order)


@pytest.mark.parametrize("sort", SORTS)
def test_sorting_costs_no_further_query(sort: str, five: None) -> None:
    with CaptureQueriesContext(connection) as asked:
        due_rows(order=Order(sort, True, "week"), now=NOW)
    assert len(asked) == 2


def test_days_late_count_from_the_day_it_fell_due_or_likely_did(five: None) -> None:
    late = {found.vehicle: found.days_late for found in due_rows(now=NOW)}
    # 15 June less the 1st and the 10th
    assert late == {"V-5": 14, "V-3": 5, "V-1": None, "V-4": None, "V-2": None}


def test_it_is_not_late_on_the_day_itself() -> None:
    row(p50=NOW.date() + timedelta(days=3), beyond_by_reading=True)
    assert due_rows(now=NOW)[0].days_late == 0
