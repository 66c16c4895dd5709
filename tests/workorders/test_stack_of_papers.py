"""Papers of outside workshops that are entered as a stack, and many orders signed off at once."""

from collections.abc import Sequence
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.due.models import ServiceDone
from fleet.faults import Fault, Forbidden, Question, Refused, Stale
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.workorders import ending, issue, outside
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.outside import InvoicedWork
from tests import scene
from tests.cast import person
from tests.scene import NOW
from tests.workorders.conftest import Bay

TODAY = NOW.date()


def work(bay: Bay, **given: object) -> InvoicedWork:
    usual = {
        "vehicle": bay.van,
        "services": [bay.oil],
        "done_on": date(2026, 6, 1),
        "odometer_km": 22_000,
        "workshop_name": "An outside workshop",
        "invoice_number": "R-1",
    }
    return InvoicedWork(**(usual | given))


def entered(bay: Bay, works: Sequence[InvoicedWork]) -> list[WorkOrder]:
    found = outside.record_many(bay.actor(), works)
    return [one for one in found if isinstance(one, WorkOrder)]


def test_what_is_wrong_with_one_paper_holds_up_no_other(bay: Bay) -> None:
    given = [
        work(bay, invoice_number=" "),
        work(bay, odometer_km=220_000),
        work(bay, invoice_number="R-3"),
        work(bay, done_on=TODAY + timedelta(days=1)),
        work(bay, odometer_km=220_001, override_reason="so it says", invoice_number="R-5"),
    ]
    found = outside.record_many(bay.actor(), given)
    kinds = [Fault, Question, WorkOrder, Fault, WorkOrder]
    assert [type(one) for one in found] == kinds
    orders = list(WorkOrder.objects.order_by("pk"))
    assert orders == [found[2], found[4]]
    assert [(row.number, row.invoice_number) for row in orders] == [
        (f"W-{orders[0].pk:06}", "R-3"),
        (f"W-{orders[1].pk:06}", "R-5"),
    ]
    assert ServiceDone.objects.filter(evidence="outside workshop").count() == 2


def test_each_paper_has_its_own_job_service_and_event(bay: Bay) -> None:
    engine, other = scene.service("engine"), scene.van("van 2")
    given = [
        work(bay, services=[bay.oil, engine], invoice_number="R-1", cost_minor=900),
        work(bay, vehicle=other, odometer_km=500, invoice_number="R-2"),
    ]
    first, second = entered(bay, given)
    told = [(row.vehicle, row.service, row.source) for row in ServiceDone.objects.order_by("pk")]
    assert told[-3:] == [
        (bay.van, bay.oil, "An outside workshop, invoice R-1"),
        (bay.van, engine, "An outside workshop, invoice R-1"),
        (other, bay.oil, "An outside workshop, invoice R-2"),
    ]
    assert [job.service for job in first.jobs.order_by("pk")] == [bay.oil, engine]
    (job,) = second.jobs.all()
    assert (job.vehicle, job.done.source[-3:], first.cost_minor) == (other, "R-2", 900)
    events = [order.events.get() for order in (first, second)]
    assert [(row.what, row.to_state, row.reason) for row in events] == [
        ("enter outside work", "finished", "R-1"),
        ("enter outside work", "finished", "R-2"),
    ]


def test_papers_of_one_vehicle_are_read_in_the_order_of_their_days(bay: Bay) -> None:
    later, days = NOW + timedelta(days=20), [TODAY + timedelta(days=days) for days in (14, 7)]
    given = [
        work(bay, done_on=days[0], odometer_km=24_700, invoice_number="R-2"),
        work(bay, done_on=days[1], odometer_km=24_000, invoice_number="R-1"),
        work(bay, done_on=TODAY - timedelta(days=7), odometer_km=22_600, invoice_number="R-0"),
    ]
    found = outside.record_many(Actor(bay.supervisor, "test", later), given)
    read = [one.reading for one in found if isinstance(one, WorkOrder)]
    assert [row and (row.value, row.verdict) for row in read] == [
        (24_700, "accepted"),
        (24_000, "accepted"),
        None,  # older than the newest reading of before [23,300 km]
    ]


def test_every_paper_frees_its_own_drafted_jobs(bay: Bay) -> None:
    engine, other = scene.service("engine"), scene.van("van 2")
    kept = issue.draft(
        bay.actor(), OrderDraft(vehicle_id=other.pk, service_ids=[bay.oil.pk, engine.pk])
    )
    drafted = bay.order()
    given = [
        work(bay, invoice_number="R-1"),
        work(bay, vehicle=other, services=[engine], odometer_km=500, invoice_number="R-2"),
    ]
    first, second = entered(bay, given)
    assert drafted.jobs.get().state == Job.State.DROPPED
    assert drafted.events.latest("pk").reason == f"done outside: {first}"
    states = dict(kept.jobs.values_list("service", "state"))
    assert states == {bay.oil.pk: Job.State.OPEN, engine.pk: Job.State.DROPPED}
    assert kept.events.latest("pk").reason == f"done outside: {second}"


def test_a_stack_is_entered_only_by_who_may_at_every_depot_of_it(bay: Bay) -> None:
    far = scene.van("van 2", scene.depot("far"))
    with pytest.raises(Forbidden):
        outside.record_many(bay.actor(), [work(bay), work(bay, vehicle=far)])
    assert not WorkOrder.objects.exists()


def test_a_stack_takes_as_many_questions_as_one_paper(bay: Bay) -> None:
    counts = []
    for count in (1, 1, 4):  # the first looks up once what its person may
        given = [work(bay, invoice_number=f"R-{number}") for number in range(count)]
        with CaptureQueriesContext(connection) as asked:
            orders = entered(bay, given)
        with CaptureQueriesContext(connection) as signed:
            ending.sign_off_many(bay.actor(), {order.pk: None for order in orders})
        counts.append((len(asked), len(signed)))
    assert counts[1] == counts[2]


# --- signed off ------------------------------------------------------------------------------
def test_many_are_signed_off_at_once_each_with_its_event(bay: Bay) -> None:
    orders = entered(bay, [work(bay, invoice_number=f"R-{number}") for number in (1, 2)])
    found = ending.sign_off_many(bay.actor(), {orders[0].pk: None, orders[1].pk: 1})
    assert list(found.values()) == orders
    for order in orders:
        told = found[order.pk]
        assert isinstance(told, WorkOrder)
        order.refresh_from_db()
        kept = (order.state, order.version, order.signed_off_at, order.signed_off_by)
        assert kept == ("signed off", 2, NOW, bay.supervisor)
        assert kept == (told.state, told.version, told.signed_off_at, told.signed_off_by)
        event = order.events.latest("pk")
        assert (event.what, event.from_state, event.to_state) == (
            "sign off",
            "finished",
            "signed off",
        )


def test_what_refuses_one_holds_up_no_other(bay: Bay) -> None:
    first, second, third = entered(
        bay, [work(bay, invoice_number=f"R-{number}") for number in (1, 2, 3)]
    )
    drafted = bay.order()
    WorkOrder.objects.filter(pk=third.pk).update(
        where=WorkOrder.Where.OWN, finished_by=bay.supervisor
    )
    found = ending.sign_off_many(
        bay.actor(), {first.pk: 7, second.pk: None, third.pk: None, drafted.pk: None}
    )
    assert type(found[first.pk]) is Stale
    assert type(found[third.pk]) is Forbidden
    assert type(found[drafted.pk]) is Refused
    states = WorkOrder.objects.order_by("pk").values_list("state", flat=True)
    assert list(states) == ["finished", "signed off", "finished", "drafted"]


def test_who_may_not_sign_off_signs_none_off(bay: Bay) -> None:
    (order,) = entered(bay, [work(bay)])
    mechanic = person("Mio", Role.MECHANIC, order.depot)
    assert type(ending.sign_off_many(bay.actor(mechanic), {order.pk: None})[order.pk]) is Forbidden


def test_an_order_that_is_not_there_is_not_signed_off(bay: Bay) -> None:
    with pytest.raises(Fault, match="no work order 0"):
        ending.sign_off(bay.actor(), 0)
