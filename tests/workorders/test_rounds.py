"""A round is no reason for an order: it joins the next one, and nobody is asked about it."""

from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.due.models import DueDate, Service
from fleet.workorders import escalate, issue
from fleet.workorders.models import Escalation, Job, WorkOrder
from tests import scene
from tests.scene import NOW
from tests.workorders.conftest import Bay

TODAY = NOW.date()


@pytest.fixture
def levels(bay: Bay) -> Service:
    """Levels of the same van, overdue since yesterday."""
    found = scene.service("engine", km=None, months=1)
    found.is_round = True
    found.save()
    own = DueDate.objects.get(service=bay.oil)
    own.pk, own.service = None, found
    own.p10 = own.p50 = own.p90 = own.sort_on = own.calendar_on = TODAY - timedelta(days=1)
    own.history_known = True
    own.save()
    return found


def on_orders() -> set[Service | None]:
    return {job.service for job in Job.objects.select_related("service")}


def test_the_night_drafts_no_order_for_a_round_alone(bay: Bay, levels: Service) -> None:
    DueDate.objects.exclude(service=levels).delete()
    assert issue.draft_due(replace(bay.actor(), person=None), TODAY) == 0
    assert not WorkOrder.objects.exists()


def test_a_round_joins_the_order_that_another_service_gets(bay: Bay, levels: Service) -> None:
    assert issue.draft_due(bay.actor(), TODAY) == 1
    assert on_orders() == {bay.oil, levels}


def test_a_round_that_is_not_due_yet_stays_off_the_order(bay: Bay, levels: Service) -> None:
    later = TODAY + timedelta(days=300)
    DueDate.objects.filter(service=levels).update(p10=later, p50=later, p90=later, sort_on=later)
    assert issue.draft_due(bay.actor(), TODAY) == 1
    assert on_orders() == {bay.oil}


def test_nobody_is_asked_about_an_overdue_round(bay: Bay, levels: Service) -> None:
    escalate.escalate(replace(bay.actor(), person=None))
    assert {row.service for row in Escalation.objects.all()} == {bay.oil}
    Service.objects.filter(pk=levels.pk).update(is_round=False)
    escalate.escalate(replace(bay.actor(), person=None))
    assert {row.service for row in Escalation.objects.all()} == {bay.oil, levels}
