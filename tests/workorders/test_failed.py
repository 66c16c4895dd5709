"""A value that failed asks for something until somebody has answered it."""

from datetime import timedelta

import pytest

from fleet import chain
from fleet.due.models import CheckFigure, CheckResult, DueDate, Service
from fleet.vehicles.models import Vehicle
from fleet.workorders import ending, findings, issue, progress
from fleet.workorders.checks import measure, record_check
from fleet.workorders.ending import AtFinish
from fleet.workorders.failed import unanswered, unanswered_of
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Finding, Job, WorkOrder
from fleet.workorders.withdraw import withdraw
from tests.scene import INVENTED, NOW
from tests.workorders.conftest import Bay


def figure(bay: Bay, calls_for: Service | None) -> CheckFigure:
    return CheckFigure.objects.create(
        service=bay.oil, slug="moisture", name="Water", unit="%", pass_to=2, watch_to=3,
        calls_for=calls_for, source=INVENTED,
    )  # fmt: skip


@pytest.fixture
def change(bay: Bay) -> Service:
    return Service.objects.create(
        vehicle_type=bay.van.vehicle_type,
        compartment=bay.oil.compartment,
        slug="brake-fluid",
        name="Brake fluid",
        source=INVENTED,
    )


def measured(bay: Bay, calls_for: Service | None, value: float = 4.0) -> CheckResult:
    given = {"vehicle": bay.van, "figure": figure(bay, calls_for), "value": value}
    return record_check(bay.actor(bay.mechanic), **given, client_key=f"water-{value}")


def waiting(bay: Bay) -> list[CheckResult]:
    return list(unanswered([bay.van.depot]))


@pytest.mark.parametrize(("value", "asks"), [(2.0, False), (3.0, False), (3.1, True)])
def test_only_a_fail_waits_for_an_answer(
    bay: Bay, change: Service, value: float, asks: bool
) -> None:
    row = measured(bay, change, value)
    assert waiting(bay) == [row] * asks
    assert unanswered_of(bay.van) == ({row.pk} if asks else set())


def test_its_change_falls_due_at_once(bay: Bay, change: Service) -> None:
    measured(bay, change)
    chain.refresh([bay.van.pk], NOW)
    due = DueDate.objects.get(vehicle=bay.van, service=change)
    assert due.p50 is not None
    assert due.p50 <= NOW.date()


def draft(bay: Bay, service: Service) -> WorkOrder:
    given = OrderDraft(vehicle_id=bay.van.pk, service_ids=[service.pk])
    return issue.draft(bay.actor(), given)


def test_an_order_with_the_change_answers_it_while_it_stands(bay: Bay, change: Service) -> None:
    row = measured(bay, change)
    order = draft(bay, change)
    assert not waiting(bay)
    progress.cancel(bay.actor(), order.pk, reason="another day")
    assert waiting(bay) == [row]


def test_an_order_for_another_service_answers_nothing(bay: Bay, change: Service) -> None:
    row = measured(bay, change)
    draft(bay, bay.oil)
    assert waiting(bay) == [row]


def test_the_change_done_answers_it(bay: Bay, change: Service) -> None:
    row = measured(bay, change)
    CheckResult.objects.filter(pk=row.pk).update(measured_at=NOW - timedelta(hours=2))
    row.calls.update(called_at=NOW - timedelta(hours=2))
    order = draft(bay, change)
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(bay.mechanic), order.pk)
    job = order.jobs.get()
    progress.end_job(bay.actor(bay.mechanic), job.pk, state=Job.State.DONE, because="in words")
    ending.finish(bay.actor(bay.mechanic), order.pk, AtFinish(odometer=24_000, fit_for_use="yes"))
    assert not waiting(bay)


def test_a_vehicle_that_was_sold_waits_for_nothing(bay: Bay, change: Service) -> None:
    measured(bay, change)
    Vehicle.objects.update(status=Vehicle.Status.SOLD)
    assert not waiting(bay)


def test_what_no_change_puts_right_is_a_finding_until_it_is_followed(bay: Bay) -> None:
    row = measured(bay, None)
    found = Finding.objects.get()
    assert (found.result, found.severity, found.order) == (row, "soon", None)
    assert found.text == "Water 4 %: fail (invented for the tests)"
    assert found.compartment == bay.oil.compartment
    assert waiting(bay) == [row]
    order = findings.follow_up(bay.actor(), found.pk, what="Drain the water", minutes=20)
    assert not waiting(bay)
    progress.cancel(bay.actor(), order.pk, reason="another day")
    assert waiting(bay) == [row]
    findings.close(bay.actor(), found.pk, reason="drained")
    assert not waiting(bay)


def test_sent_twice_it_is_one_finding(bay: Bay) -> None:
    row = measured(bay, None)
    given = {"vehicle": bay.van, "figure": row.figure, "value": 4.0}
    record_check(bay.actor(bay.mechanic), **given, client_key="water-4.0")
    assert Finding.objects.count() == 1


def test_a_value_taken_back_takes_its_finding_with_it(bay: Bay, job: Job) -> None:
    actor, own = bay.actor(bay.mechanic), figure(bay, None)
    row = measure(actor, job.order, figure=own, value=4.0, client_key="water-key")
    assert Finding.objects.get().order == job.order
    withdraw(actor, job.order_id, row, reason="typed wrong")
    assert not findings.open_findings()
    assert not waiting(bay)
