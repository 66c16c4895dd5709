"""What the forecast rests on: rows of vehicles and services, and stretches of days; by hand."""

from datetime import date

import numpy as np
import pytest

from fleet import chain
from fleet.consumables.ahead import Calendar
from fleet.consumables.gather import Class, gather
from fleet.consumables.position import next_month
from fleet.due.models import DueDate, Limit
from fleet.due.rules import gather_rules
from fleet.workorders.models import Job, WorkOrder
from tests import scene
from tests.scene import NOW
from tests.stores import shelf

TODAY = NOW.date()  # 15 June 2026


def only_class() -> Class:
    (found,) = list(gather(scene.depot().pk, gather_rules()))
    return found


# --- vehicles and services ---------------------------------------------------------------------
@pytest.mark.django_db
def test_what_has_no_known_history_is_told_apart_from_what_is_followed() -> None:
    oil = scene.service("engine", km=None, months=24)
    gears = scene.service("gearbox", km=None, months=36)
    known, new = scene.van("V-1"), scene.van("V-2")
    scene.done(known, oil, date(2025, 6, 1), None)
    chain.refresh([known.pk, new.pk], NOW)
    found = only_class()
    assert found.unknown.tolist() == [[known.pk, gears.pk], [new.pk, oil.pk], [new.pk, gears.pk]]
    assert (found.vehicle_id.tolist(), found.service_id.tolist()) == ([known.pk, new.pk], [oil.pk])
    assert found.services.calendar_on.tolist() == [date(2027, 6, 1)]


@pytest.mark.django_db
def test_a_service_is_followed_by_its_own_limits_and_its_share_of_a_year() -> None:
    oil = scene.service("engine", km=30_000, months=12, yearly_month=10, yearly_day=5)
    gears = scene.service("gearbox", km=None, months=36)
    type(oil).objects.filter(pk=oil.pk).update(early_share=0.25)
    van = scene.van()
    for one in (oil, gears):
        scene.done(van, one, date(2026, 6, 1), 10_000)
    chain.refresh([van.pk], NOW)
    repeats = only_class().services.repeats
    assert repeats.km.tolist() == [30_000, pytest.approx(np.nan, nan_ok=True)]
    assert repeats.months.tolist() == [12, 36]
    assert (repeats.yearly_month[0], repeats.yearly_day[0]) == (10, 5)
    # by hand: a quarter of 365 days, and .15 of them where nobody says more: whole days
    assert repeats.early_d.tolist() == [91, 54]


@pytest.mark.django_db
def test_where_a_products_own_limit_is_in_force_it_is_followed_by_that_again() -> None:
    oil = scene.service("engine", km=None, months=12)
    dearer = shelf.product("dearer")
    scene.service("engine", km=None, months=24, product=dearer)
    vans = [scene.van("V-1"), scene.van("V-2")]
    for van in vans:
        scene.done(van, oil, date(2026, 6, 1), None)
    chain.refresh([van.pk for van in vans], NOW)
    DueDate.objects.filter(vehicle=vans[1]).update(limit=Limit.objects.get(product=dearer))
    assert only_class().services.repeats.months.tolist() == [12, 24]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("state", "fixed"),
    [("drafted", False), ("released", True), ("started", True), ("waiting", True)],
)
def test_an_order_fixes_the_day_once_it_is_released(state: str, fixed: bool) -> None:
    oil = scene.service("engine", km=None, months=24)
    van = scene.van()
    scene.done(van, oil, date(2025, 6, 1), None)
    chain.refresh([van.pk], NOW)
    on = date(2026, 8, 3)
    order = WorkOrder.objects.create(
        number="W-1", vehicle=van, depot=van.depot, state=state, planned_on=on
    )
    Job.objects.create(order=order, vehicle=van, service=oil, title="Oil")
    assert only_class().services.planned_on.tolist() == [on if fixed else None]


@pytest.mark.django_db
def test_a_sold_vehicle_is_not_followed_and_one_without_odometer_is() -> None:
    scene.van("V-1", status="sold")
    bare = scene.van("V-2")
    bare.meters.all().delete()
    found = only_class()
    assert (found.vehicle_id.tolist(), found.km_of.tolist()) == ([bare.pk], [-1])


# --- stretches of days -------------------------------------------------------------------------
def test_months_and_horizons_lie_between_their_days() -> None:
    found = Calendar.of(TODAY, [20, 16, 3, 20])
    # by hand: 3 and 20 days on are 18 June and 5 July; 16 days on is the end of June
    assert [str(np.datetime64(int(one), "D")) for one in found.edges_d[:4]] == [
        *("2026-06-18", "2026-07-01", "2026-07-05", "2026-08-01"),
    ]
    assert list(found.horizons) == [3, 16, 20]
    assert [(one.begin, one.end, one.days) for one in found.horizons.values()] == [
        *((-1, 0, 3), (-1, 1, 16), (-1, 2, 20)),
    ]
    # the month under way from today on, July with its 31 days and August after it
    assert [(one.begin, one.end, one.days) for one in found.months[:3]] == [
        *((-1, 1, 16), (1, 3, 31), (3, 4, 31)),
    ]
    assert found.months[0].middle_d - found.today_d == 8
    assert (len(found.months), found.months_on[-1]) == (12, date(2027, 5, 1))
    assert found.stretches == [*found.months, *found.horizons.values()]


@pytest.mark.parametrize("today", [date(2026, 12, 1), date(2027, 1, 31), date(2028, 2, 29)])
def test_months_follow_each_other_without_a_gap(today: date) -> None:
    found = Calendar.of(today, [])
    days = [one.days for one in found.months]
    edges = [found.today_d, *found.edges_d.tolist()]
    assert [one.begin_d for one in found.months] == edges[:-1]
    assert [one.end_d for one in found.months] == edges[1:]
    assert [one.begin for one in found.months] == [-1, *range(11)]
    assert days[1:] == [
        (next_month(on) - on).days for on in found.months_on[1:]
    ]  # whole months after the first


@pytest.mark.parametrize(
    ("first", "after"),
    [
        (date(2026, 1, 1), date(2026, 2, 1)),
        (date(2027, 2, 1), date(2027, 3, 1)),
        (date(2028, 2, 1), date(2028, 3, 1)),
        (date(2026, 4, 1), date(2026, 5, 1)),
        (date(2026, 12, 1), date(2027, 1, 1)),
    ],
)
def test_the_month_after_begins_on_its_first_day(first: date, after: date) -> None:
    assert next_month(first) == after
