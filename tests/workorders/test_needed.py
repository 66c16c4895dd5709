"""An order is kept as needed on the earliest day that one of its open jobs says, whoever moves it.

Days are set by hand: the oil is wanted in three days, the coolant tomorrow.
"""

from collections.abc import Callable
from datetime import date, timedelta
from importlib import import_module
from typing import Any

import numpy as np
import pytest
from django.apps import apps
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import chain
from fleet.dashboard.orders.lines import OrderFilters, drafts_of
from fleet.due.models import DueDate, Limit, Service
from fleet.people.actor import Actor
from fleet.vehicles.models import Vehicle
from fleet.workorders import ending, issue, joblist, listing, needed, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import WorkOrder
from tests import scene
from tests.kept import kept
from tests.scene import NOW
from tests.workorders.conftest import Bay

TODAY = NOW.date()
OIL_ON, COOLANT_ON = TODAY + timedelta(days=3), TODAY + timedelta(days=1)


@kept
def coolant(bay: Bay) -> Service:
    made = scene.service("engine", km=5_000, months=None)
    chain.refresh([bay.van.pk], NOW)
    DueDate.objects.filter(service=bay.oil).update(bring_in_by_on=OIL_ON)
    DueDate.objects.filter(service=made).update(bring_in_by_on=COOLANT_ON)
    return made


@kept
def both(bay: Bay, coolant: Service) -> WorkOrder:
    wanted = OrderDraft(vehicle_id=bay.van.pk, service_ids=[bay.oil.pk, coolant.pk])
    return issue.draft(bay.actor(), wanted)


def day(order: WorkOrder) -> date | None:
    return WorkOrder.objects.values_list("needed_on", flat=True).get(pk=order.pk)


def job_of(order: WorkOrder, service: Service) -> int:
    return order.jobs.get(service=service).pk


def started(bay: Bay, order: WorkOrder) -> None:
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(bay.mechanic), order.pk)


def test_a_draft_is_needed_on_the_first_of_the_days_of_its_services(
    bay: Bay, both: WorkOrder
) -> None:
    assert day(both) == COOLANT_ON
    wiper = OrderDraft(vehicle_id=bay.van.pk, other_work=[("Wiper", 5)])
    assert day(issue.draft(bay.actor(), wiper)) is None


def test_what_the_night_drafts_has_its_day(bay: Bay, coolant: Service) -> None:
    assert issue.draft_due(Actor(person=None, channel="night", now=NOW), TODAY) == 1
    order = WorkOrder.objects.get()
    assert order.jobs.get().service == bay.oil
    assert day(order) == OIL_ON


def test_a_job_that_is_added_or_taken_off_moves_the_day(bay: Bay, coolant: Service) -> None:
    order = bay.order()
    assert day(order) == OIL_ON
    joblist.add_jobs(bay.actor(), order.pk, service_ids=[coolant.pk])
    assert day(order) == COOLANT_ON
    jobs = [job_of(order, coolant)]
    joblist.drop_jobs(bay.actor(), order.pk, job_ids=jobs, reason="not now")
    assert day(order) == OIL_ON


def test_services_dropped_for_another_order_leave_the_day_of_the_rest(
    bay: Bay, coolant: Service, both: WorkOrder
) -> None:
    progress.drop(bay.actor(), both.pk, service_ids=[coolant.pk], reason="done outside")
    assert day(both) == OIL_ON
    progress.drop(bay.actor(), both.pk, service_ids=[bay.oil.pk], reason="done outside")
    assert day(both) is None


def test_a_job_takes_its_day_to_the_order_it_moves_to(
    bay: Bay, coolant: Service, both: WorkOrder
) -> None:
    jobs = [job_of(both, coolant)]
    made = joblist.move_jobs(bay.actor(), both.pk, jobs, to_id=None, reason="split")
    assert (day(both), day(made)) == (OIL_ON, COOLANT_ON)


def test_what_is_done_presses_no_more_until_the_order_is_opened_again(
    bay: Bay, coolant: Service, both: WorkOrder
) -> None:
    started(bay, both)
    mechanic = bay.actor(bay.mechanic)
    progress.end_job(mechanic, job_of(both, coolant), state="done", because="not tried here")
    assert day(both) == OIL_ON
    progress.end_job(mechanic, job_of(both, bay.oil), state="done", because="not tried here")
    ending.finish(mechanic, both.pk, AtFinish(odometer=23_350, fit_for_use="yes"))
    assert day(both) is None
    ending.correct(bay.actor(), both.pk, reason="wrong van")
    assert day(both) == COOLANT_ON


def test_a_cancelled_order_is_needed_on_no_day(bay: Bay, both: WorkOrder) -> None:
    progress.cancel(bay.actor(), both.pk, reason="sold")
    assert day(both) is None


# --- due dates that move -------------------------------------------------------------------
def by_refresh(van: Vehicle) -> None:
    chain.refresh([van.pk], NOW)


def by_night(van: Vehicle) -> None:
    chain.nightly(TODAY)


@pytest.mark.parametrize("moved", [by_refresh, by_night])
def test_an_order_follows_the_due_date_of_its_service(
    bay: Bay, moved: Callable[[Vehicle], None]
) -> None:
    order = bay.order()
    before = day(order)
    Limit.objects.update(limit_km=100_000)  # and 24 months, from November 2025
    moved(bay.van)
    wanted = DueDate.objects.get().bring_in_by_on
    assert wanted is not None
    assert before is not None
    assert before < wanted == day(order)


def test_an_order_of_another_vehicle_does_not_follow(bay: Bay) -> None:
    order = bay.order()
    WorkOrder.objects.update(needed_on=None)
    other = scene.van("V-2")
    chain.refresh([other.pk], NOW)
    assert day(order) is None
    chain.refresh([other.pk, bay.van.pk], NOW)
    assert day(order) == DueDate.objects.get(vehicle=bay.van).bring_in_by_on


def test_orders_that_have_their_day_are_not_written_again(bay: Bay, both: WorkOrder) -> None:
    with CaptureQueriesContext(connection) as asked:
        assert needed.follow() == 0
    assert [one["sql"].split()[0] for one in asked] == ["SELECT"]
    WorkOrder.objects.update(needed_on=TODAY)
    assert needed.follow() == 1


@pytest.mark.parametrize("state", ["signed off", "cancelled"])
def test_orders_that_have_ended_are_left(bay: Bay, both: WorkOrder, state: str) -> None:
    WorkOrder.objects.update(state=state, needed_on=None)
    assert needed.follow() == 0
    assert needed.follow(np.array([bay.van.pk])) == 0


def test_many_orders_follow_a_few_at_a_time(bay: Bay, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(needed, "ORDERS_AT_ONCE", 2)
    vans = [scene.van(f"Z-{at}") for at in range(5)]
    orders = [
        WorkOrder.objects.create(
            number=van.fleet_number, vehicle=van, depot=van.depot, needed_on=OIL_ON
        )
        for van in vans
    ]
    with CaptureQueriesContext(connection) as captured:
        assert needed.follow() == 5
    assert [day(order) for order in orders] == [None] * 5
    assert sum(one["sql"].startswith("UPDATE") for one in captured) == 3


def test_of_many_orders_those_follow_that_are_of_the_vehicles(bay: Bay) -> None:
    vans = [bay.van, scene.van("V-2"), scene.van("V-3")]
    chain.refresh([van.pk for van in vans[1:]], NOW)
    for late_d, van in enumerate(vans):
        on = TODAY - timedelta(days=late_d)
        DueDate.objects.filter(vehicle=van).update(bring_in_by_on=on)
        issue.draft(bay.actor(), OrderDraft(vehicle_id=van.pk, service_ids=[bay.oil.pk]))
    WorkOrder.objects.update(needed_on=None)
    orders = WorkOrder.objects.order_by("pk")
    assert [said.split()[0] for said in needed.wrong()] == [one.number for one in orders]
    assert needed.follow(np.array([van.pk for van in vans[1:]])) == 2
    days = [None, TODAY - timedelta(days=1), TODAY - timedelta(days=2)]
    assert [one.needed_on for one in orders.all()] == days


def test_the_same_service_of_another_vehicle_presses_no_order(bay: Bay) -> None:
    order, other = bay.order(), scene.van("V-2")
    before = day(order)
    assert before is not None
    chain.refresh([other.pk], NOW)
    DueDate.objects.filter(vehicle=other).update(bring_in_by_on=before - timedelta(days=9))
    WorkOrder.objects.update(needed_on=None)
    assert needed.follow() == 1
    assert day(order) == before


def test_a_day_that_the_jobs_do_not_say_is_told(bay: Bay, both: WorkOrder) -> None:
    assert list(needed.wrong()) == []
    WorkOrder.objects.update(needed_on=None)
    said = f"{both.number} is kept as needed on no day; its jobs say {COOLANT_ON}."
    assert list(needed.wrong()) == [said]
    both.jobs.update(state="dropped")
    WorkOrder.objects.update(needed_on=TODAY, state=WorkOrder.State.CANCELLED)
    said = f"{both.number} is kept as needed on {TODAY}; its jobs say no day."
    assert list(needed.wrong()) == [said]


# --- the list --------------------------------------------------------------------------------
def test_the_most_urgent_come_first_along_an_index(bay: Bay, both: WorkOrder) -> None:
    rows = listing.in_states(listing.by_urgency(WorkOrder.objects.all()), WorkOrder.OPEN)
    behind = listing.after(rows, TODAY, 1)[:40]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":  # two orders are sorted faster than found in order
            for way in ("seqscan", "bitmapscan", "sort", "incremental_sort"):
                cursor.execute(f"SET LOCAL enable_{way} = off")
    plan = behind.explain()
    assert "orders_open_by_need" in plan
    assert "TEMP B-TREE" not in plan
    assert "Sort" not in plan
    assert list(behind) == [both]


def test_open_orders_from_before_get_their_day_a_batch_at_a_time(
    bay: Bay, both: WorkOrder, monkeypatch: pytest.MonkeyPatch
) -> None:
    step = import_module("fleet.workorders.migrations.0028_fill_when_orders_are_needed")
    wiper = OrderDraft(vehicle_id=bay.van.pk, other_work=[("Wiper", 5)])
    more = [issue.draft(bay.actor(), wiper) for _ in range(2)]
    # where a part was written before it was cut short, the rest is filled, and nothing else
    WorkOrder.objects.filter(pk=both.pk).update(needed_on=None)
    monkeypatch.setattr(step, "ORDERS_AT_ONCE", 1)
    with CaptureQueriesContext(connection) as asked:
        step.fill(apps, None)
    assert sum(one["sql"].startswith("UPDATE") for one in asked) == 3
    assert [day(one) for one in (both, *more)] == [COOLANT_ON, None, None]
    WorkOrder.objects.update(state=WorkOrder.State.SIGNED_OFF)
    with CaptureQueriesContext(connection) as asked:
        step.fill(apps, None)
    assert not any(one["sql"].startswith("UPDATE") for one in asked)


@pytest.mark.parametrize(("states", "offered"), [(("drafted", "started"), 1), (("started",), 0)])
def test_drafts_of_a_list_are_those_that_are_on_it(
    bay: Bay, both: WorkOrder, states: tuple[str, ...], offered: int
) -> None:
    other = issue.draft(bay.actor(), OrderDraft(vehicle_id=bay.van.pk, other_work=[("Wiper", 5)]))
    progress.release(bay.actor(), other.pk)
    depots = [bay.van.depot_id]
    assert list(drafts_of(depots, OrderFilters(states=states))) == [both] * offered
    assert list(drafts_of(depots, OrderFilters())) == [both]


@pytest.mark.parametrize(
    ("changes", "offered"),
    [
        ({}, True),
        ({"needed_on": TODAY + timedelta(days=6)}, True),
        ({"needed_on": TODAY + timedelta(days=30)}, False),
        ({"needed_on": TODAY + timedelta(days=30), "planned_on": TODAY}, True),
        ({"needed_on": None}, False),
        ({"needed_on": None, "planned_on": TODAY + timedelta(days=30)}, True),
        ({"state": "released"}, False),
    ],
)
def test_drafts_to_release_have_a_day_or_are_needed_within_a_week(
    bay: Bay, both: WorkOrder, changes: dict[str, Any], offered: bool
) -> None:
    WorkOrder.objects.update(**changes)
    rows = listing.drafts_to_release(WorkOrder.objects.all(), TODAY)
    assert list(rows) == [both] * offered


def test_that_orders_are_open_is_told_twice_to_sqlite_only(bay: Bay, both: WorkOrder) -> None:
    """PostgreSQL would take it for one more thing that few rows are."""
    rows = listing.in_states(WorkOrder.objects.order_by("pk"), WorkOrder.OPEN)
    assert list(rows) == [both]
    assert ("signed off" in str(rows.query)) == (connection.vendor == "sqlite")
