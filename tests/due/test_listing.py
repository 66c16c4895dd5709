from copy import copy
from datetime import UTC, date, datetime, timedelta
from itertools import product

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import chain
from fleet.due.late import late_rows
from fleet.due.listing import (
    STATES,
    DueFilter,
    DueRow,
    counts_up_to,
    due_counts,
    due_rows,
    folded,
)
from fleet.due.models import DueDate, Service
from fleet.vehicles.models import Depot, Vehicle
from tests import scene

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 15, 9, tzinfo=UTC)
NEVER = date(9999, 12, 31)


def row(number: str = "V-1", at: Depot | None = None, **changes: object) -> DueDate:
    oil = scene.service() if not DueDate.objects.exists() else DueDate.objects.first().service
    vehicle = Vehicle.objects.filter(fleet_number=number).first() or scene.van(number, at=at)
    p50 = changes.get("p50", date(2026, 9, 1))
    given = {
        "p50": p50,
        "sort_on": p50 or NEVER,
        "history_known": True,
        "binding_limit": "km",
        "duty_class": "normal",
        "inputs_hash": 0,
    }
    return DueDate.objects.create(
        vehicle=vehicle, service=oil, depot=vehicle.depot, **(given | changes)
    )


def only() -> DueRow:
    (found,) = due_rows(now=NOW)
    return found


@pytest.mark.parametrize(
    ("changes", "state"),
    [
        ({"history_known": False, "p50": None}, "history_unknown"),
        ({"calendar_on": date(2026, 6, 14)}, "overdue"),
        ({"calendar_on": date(2026, 6, 15)}, "later"),
        ({"beyond_by_reading": True, "p50": date(2026, 6, 20)}, "overdue"),
        ({"p50": date(2026, 6, 14)}, "probably_overdue"),
        ({"p50": date(2026, 6, 15)}, "due_this_month"),
        ({"p50": date(2026, 6, 30)}, "due_this_month"),
        ({"p50": date(2026, 7, 1)}, "later"),
        ({"p50": None}, "later"),
    ],
)
def test_each_boundary_of_a_state(changes: dict[str, object], state: str) -> None:
    row(**changes)
    assert only().state == state
    assert [found.state for found in due_rows(DueFilter(states=[state]), now=NOW)] == [state]
    assert due_rows(DueFilter(states=[other for other in STATES if other != state]), now=NOW) == []


def test_database_and_program_give_every_row_one_and_the_same_state() -> None:
    days = [date(2026, 6, 14), date(2026, 6, 15), date(2026, 6, 30), date(2026, 7, 1), NEVER]
    grid = product((True, False), (None, *days[:2]), (True, False), days)
    for at, (known, calendar_on, beyond, sort_on) in enumerate(grid):
        given = {"calendar_on": calendar_on, "beyond_by_reading": beyond, "sort_on": sort_on}
        row(f"V-{at}", history_known=known, p50=None, **given)
    listed = {found.vehicle: found.state for found in due_rows(now=NOW)}
    by_database = [
        (found.vehicle, state)
        for state in STATES
        for found in due_rows(DueFilter(states=[state]), now=NOW)
    ]
    assert sorted(by_database) == sorted(listed.items())
    assert set(listed.values()) == set(STATES)


def test_what_a_night_takes_for_late_is_what_is_listed_so() -> None:
    """The day that what is late is sorted by is never ahead; such rows are left out here."""
    days = [date(2026, 6, 14), date(2026, 6, 15), date(2026, 6, 16)]
    grid = product((True, False), (None, *days), (True, False), days)
    late = {"overdue": True, "probably_overdue": False}
    for at, (known, calendar_on, beyond, sort_on) in enumerate(grid):
        if sort_on != days[2] or not (beyond or calendar_on == days[0]):
            given = {"calendar_on": calendar_on, "beyond_by_reading": beyond, "sort_on": sort_on}
            row(f"V-{at}", history_known=known, p50=None, **given)
    listed = {
        found.vehicle_id: late[found.state] for found in due_rows(DueFilter(states=late), now=NOW)
    }
    sold = min(listed)
    Vehicle.objects.filter(pk=sold).update(status=Vehicle.Status.SOLD)
    del listed[sold]
    rows, params = late_rows(NOW.date())
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT vehicle_id, overdue FROM ({rows}) late", params)  # noqa: S608
        assert {pk: bool(overdue) for pk, overdue in cursor.fetchall()} == listed
    assert set(listed.values()) == {True, False}


def test_today_is_the_depots_local_date() -> None:
    row(at=scene.depot("far", "Pacific/Auckland"), calendar_on=date(2026, 6, 15))
    evening = datetime(2026, 6, 15, 13, tzinfo=UTC)  # already the 16th in Auckland
    assert only().state == "later"
    assert due_rows(now=evening)[0].state == "overdue"


def test_counts_agree_with_the_rows_of_each_state() -> None:
    row("V-1", p50=date(2026, 6, 20))
    row("V-2", calendar_on=date(2026, 1, 1))
    row("V-3", at=scene.depot("coast"), p50=None, history_known=False)
    counts = due_counts(now=NOW)
    listed = due_rows(now=NOW)
    for key, number in counts.items():
        assert number == sum((found.depot, found.state) == key for found in listed)
    assert sum(counts.values()) == 3


def test_no_state_is_counted_further_than_one_beyond_the_most() -> None:
    coast = scene.depot("coast", "Pacific/Auckland")
    evening = datetime(2026, 6, 15, 13, tzinfo=UTC)  # already the 16th in Auckland
    for at in range(4):
        row(f"L-{at}", at=coast if at % 2 else None, p50=date(2027, 1, 1))
    row("O-1", calendar_on=date(2026, 6, 15), p50=date(2026, 6, 15))  # not overdue before the 16th
    row("O-2", at=coast, calendar_on=date(2026, 6, 15), p50=date(2026, 6, 15))
    row("U-1", p50=None, history_known=False)
    Vehicle.objects.filter(pk=row("S-1", p50=date(2027, 1, 1)).vehicle_id).update(status="sold")
    several = [
        DueFilter(),
        DueFilter(search="L-"),
        DueFilter(depots=["coast"]),
        DueFilter(depots=[]),
    ]
    rest = dict.fromkeys(STATES, 0)
    assert counts_up_to(4, several, evening) == [
        rest | {"later": 4, "overdue": 1, "due_this_month": 1, "history_unknown": 1},
        rest | {"later": 4},
        rest | {"later": 2, "overdue": 1},
        rest,
    ]
    assert [found["later"] for found in counts_up_to(3, several, evening)] == [4, 4, 2, 0]
    assert [found["later"] for found in counts_up_to(2, several, evening)] == [3, 3, 2, 0]


def test_counts_of_pages_are_those_of_all_depots_together() -> None:
    row("V-1", p50=date(2026, 6, 20))
    row("V-2", calendar_on=date(2026, 1, 1), p50=date(2026, 1, 1))
    row("V-3", at=scene.depot("coast"), p50=date(2026, 6, 21))
    together = dict.fromkeys(STATES, 0)
    for (_, state), count in due_counts(now=NOW).items():
        together[state] += count
    assert counts_up_to(10, [DueFilter()], NOW) == [together]


def all_year_at_many_depots() -> Depot:
    """So many that it matters how they are found, whatever was known of the table before."""
    first = row("V-1", p50=date(2026, 1, 1))
    depots = [first.depot, *(scene.depot(f"depot-{at}") for at in range(9))]
    vans, rows = [copy(first.vehicle) for _ in range(1_000)], [copy(first) for _ in range(1_000)]
    for at, van in enumerate(vans):
        van.pk, van.fleet_number, van.depot = None, f"N-{at}", depots[at // 100]
    Vehicle.objects.bulk_create(vans)
    for at, (one, van) in enumerate(zip(rows, vans, strict=True)):
        one.pk, one.vehicle, one.depot = None, van, van.depot
        one.sort_on = one.p50 = first.sort_on + timedelta(days=at % 100 * 3)
    DueDate.objects.bulk_create(rows)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE due_duedate")
    return first.depot


def test_states_are_counted_without_the_rows() -> None:
    depot = all_year_at_many_depots()
    with CaptureQueriesContext(connection) as captured:
        counts_up_to(3_000, [DueFilter(depots=[depot.slug])], NOW)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET LOCAL enable_seqscan = off; SET LOCAL enable_bitmapscan = off")
            cursor.execute(f"EXPLAIN {captured[-1]['sql']}")
        else:
            cursor.execute(f"EXPLAIN QUERY PLAN {captured[-1]['sql']}")
        plan = " ".join(str(line) for line in cursor.fetchall())
    kind = "Index Only Scan using" if connection.vendor == "postgresql" else "COVERING INDEX"
    assert plan.count(f"{kind} due_at_depot") >= 3  # what has no history has an index of its own
    assert "due_passed_by_calendar" in plan  # and what is overdue; SQLite looks at its rows, too
    if connection.vendor == "postgresql":
        assert f"{kind} due_passed_by_calendar" in plan
        assert f"{kind} due_passed_by_reading" in plan


def test_pages_by_key_show_every_row_once() -> None:
    for at in range(7):
        row(f"V-{at}", p50=date(2026, 9, 1) + timedelta(days=at // 3))
    seen: list[str] = []
    after = None
    while page := due_rows(after=after, limit=2, now=NOW):
        seen += [found.vehicle for found in page]
        after = (page[-1].sort_on, page[-1].vehicle_id, page[-1].service_id)
    assert seen == [f"V-{at}" for at in range(7)]


def test_a_later_page_is_entered_where_it_begins() -> None:
    # by its key as one: a choice between bounds takes no index to its place
    row("V-1")
    with CaptureQueriesContext(connection) as captured:
        due_rows(after=(date(2026, 9, 1), 1, 1), limit=2, now=NOW)
    assert any('"due_duedate"."service_id") > (' in one["sql"] for one in captured)


def test_a_list_takes_two_queries_whatever_its_length() -> None:
    for at in range(5):
        row(f"V-{at}")
    with CaptureQueriesContext(
        connection,
    ) as few:
        due_rows(limit=1, now=NOW)
    with CaptureQueriesContext(connection) as many:
        due_rows(limit=5, now=NOW)
    assert len(few) == len(many) == 2


def test_sold_vehicles_are_not_listed() -> None:
    found = row()
    Vehicle.objects.filter(pk=found.vehicle_id).update(status=Vehicle.Status.SOLD)
    assert due_rows(now=NOW) == []


def test_filters_narrow_the_list() -> None:
    row("V-1", at=scene.depot("coast"), p50=date(2026, 8, 1))
    row("V-2", p50=date(2026, 9, 1))
    assert [found.vehicle for found in due_rows(DueFilter(depots=["coast"]), now=NOW)] == ["V-1"]
    assert [found.vehicle for found in due_rows(DueFilter(vehicle=" v-2 "), now=NOW)] == ["V-2"]
    assert [found.vehicle for found in due_rows(DueFilter(until=date(2026, 8, 1)), now=NOW)] == [
        "V-1"
    ]
    assert due_rows(DueFilter(service="no-such"), now=NOW) == []


def test_rounds_are_folded_by_depot_and_service_the_first_to_fall_due_first() -> None:
    coast = scene.depot("coast")
    row("V-1", at=coast, p50=date(2026, 9, 1))
    row("V-2", at=coast, p50=date(2026, 7, 20))
    row("V-3", p50=date(2026, 6, 10))
    row("V-4", at=scene.depot("a-new-one"), p50=None, history_known=False)
    assert folded(DueFilter(), NOW) == []
    Service.objects.update(is_round=True)
    found = [(one.depot, one.count, one.overdue, one.first_on) for one in folded(DueFilter(), NOW)]
    assert found == [
        ("plain", 1, 1, date(2026, 6, 10)),
        ("coast", 2, 0, date(2026, 7, 20)),
        ("a-new-one", 1, 0, None),
    ]
    assert [one.depot for one in folded(DueFilter(depots=["coast"]), NOW)] == ["coast"]
    assert due_rows(DueFilter(rounds=False), now=NOW) == []
    assert len(due_rows(now=NOW)) == 4


def test_life_used_by_the_calendar_grows_with_every_day() -> None:
    # a year from 15 December 2025: 182 of 365 days on 15 June 2026
    row(calendar_on=date(2026, 12, 15), calendar_life_per_d=1 / 365)
    assert only().life_used == pytest.approx(182 / 365)
    later = due_rows(now=NOW + timedelta(days=30))[0]
    assert later.life_used == pytest.approx(212 / 365)


def test_a_row_without_any_life_tells_none() -> None:
    row(calendar_on=None)
    assert only().life_used is None


def test_life_used_by_the_calendar_goes_on_from_what_earlier_classes_used() -> None:
    # .5 on 1 June 2026, and 14 of 200 days since
    began = {"calendar_life": 0.5, "calendar_life_on": date(2026, 6, 1)}
    row(calendar_on=date(2026, 9, 9), calendar_life_per_d=1 / 200, **began)
    assert only().life_used == pytest.approx(0.5 + 14 / 200)


def test_life_used_is_the_largest_of_all_limits() -> None:
    row(calendar_on=date(2026, 12, 15), calendar_life_per_d=1 / 365, meter_life=0.8)
    assert only().life_used == pytest.approx(0.8)


def test_three_years_of_a_three_year_limit_use_the_whole_life() -> None:
    # worked example, common practice, no source: life used 1.00 by the calendar
    oil, vehicle = scene.service(km=60_000, months=36), scene.van()
    scene.done(vehicle, oil, date(2023, 6, 15), 10_000)
    scene.readings(vehicle, scene.steady(50_000 - 29 * 300, 300, 30), until=NOW)
    chain.refresh([vehicle.pk], NOW)
    assert only().life_used == pytest.approx(1.0)
    assert only().state == "due_this_month"


def test_out_of_tolerance_counts_from_the_end_of_the_tolerance() -> None:
    row("V-1", calendar_on=date(2026, 6, 1), tolerance_until_on=date(2026, 6, 14))
    row("V-2", calendar_on=date(2026, 6, 1), tolerance_until_on=date(2026, 6, 15))
    row("V-3", beyond_by_reading=True, beyond_tolerance_by_reading=True)
    late = {found.vehicle: found.out_of_tolerance for found in due_rows(now=NOW)}
    assert late == {"V-1": True, "V-2": False, "V-3": True}
