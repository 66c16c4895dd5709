from dataclasses import replace
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import chain
from fleet.faults import Fault, Forbidden
from fleet.workorders import escalate, findings
from fleet.workorders.models import Escalation
from tests import scene
from tests.workorders.conftest import Bay


def night(bay: Bay, days: int = 0) -> int:
    """Questions asked in a night so many days on (NOW is a Monday)."""
    actor = replace(bay.actor(), person=None)
    return escalate.escalate(replace(actor, now=actor.now + timedelta(days=days)))


def stages() -> list[str]:
    return list(Escalation.objects.filter(closed_on=None).values_list("stage", flat=True))


def test_an_overdue_service_asks_the_supervisor_at_once_and_once(bay: Bay) -> None:
    assert night(bay) >= 1
    assert "supervisor" in stages()
    assert night(bay) == 0


def test_what_is_asked_already_is_not_read_anew_for_each_service(bay: Bay) -> None:
    with CaptureQueriesContext(connection) as captured:
        night(bay)
    (opened,) = [one["sql"] for one in captured if "INSERT INTO workorders_esc" in one["sql"]]
    server = connection.vendor == "postgresql"
    with connection.cursor() as cursor:
        cursor.execute(f"{'EXPLAIN' if server else 'EXPLAIN QUERY PLAN'} {opened}")
        plan = " ".join(str(line) for line in cursor.fetchall())
    if server:
        assert "hashed SubPlan" in plan
        assert "Anti Join" not in plan
    else:
        assert "SEARCH e USING" in plan


def test_unanswered_for_five_working_days_it_goes_to_deputy_and_manager(bay: Bay) -> None:
    night(bay)
    night(bay, days=7)  # the next Monday: five working days later
    assert "deputy and manager" not in stages()
    night(bay, days=8)
    assert "deputy and manager" in stages()


def test_an_answer_stops_the_climb(bay: Bay) -> None:
    night(bay)
    for row in Escalation.objects.filter(stage="supervisor"):
        escalate.answer(bay.actor(), row.pk, given="planned", reason="in on Thursday")
    night(bay, days=14)
    assert "deputy and manager" not in stages()


def test_out_of_tolerance_asks_to_use_or_stand_down(bay: Bay) -> None:
    night(bay)  # no tolerance is stated, so every overdue service is out of it
    assert "use or stand down" in stages()


def test_a_service_asked_about_in_two_steps_counts_once(bay: Bay) -> None:
    assert night(bay) == 1
    assert sorted(stages()) == ["supervisor", "use or stand down"]
    assert night(bay, days=8) == 1  # a step further
    assert len(stages()) == 3


def test_standing_down_keeps_the_vehicle_from_being_used(bay: Bay) -> None:
    night(bay)
    row = Escalation.objects.get(stage="use or stand down")
    escalate.answer(bay.actor(), row.pk, given="stand down", reason="no oil to be had")
    assert bay.van.pk in findings.in_force([bay.van.pk])


def test_a_question_closes_when_the_service_is_done(bay: Bay) -> None:
    night(bay)
    scene.done(bay.van, bay.oil, scene.NOW.date(), 23_300)
    chain.refresh([bay.van.pk], scene.NOW)
    night(bay, days=1)
    assert stages() == []


def test_it_closes_at_once_and_those_of_others_stay(bay: Bay) -> None:
    other = scene.van("V-2")
    for row in Escalation.objects.all():
        row.delete()
    night(bay)
    kept = Escalation.objects.create(
        vehicle=other, service=bay.oil, stage="supervisor", since_on=scene.NOW.date()
    )
    scene.done(bay.van, bay.oil, scene.NOW.date(), 23_300)
    chain.refresh([bay.van.pk], scene.NOW)
    assert set(Escalation.objects.filter(closed_on=None)) == {kept}
    closed = Escalation.objects.exclude(pk=kept.pk).values_list("closed_on", flat=True)
    assert set(closed) == {scene.NOW.date()}


def test_what_is_overdue_still_is_asked_about_still(bay: Bay) -> None:
    night(bay)
    before = stages()
    chain.refresh([bay.van.pk], scene.NOW)
    assert stages() == before != []


def test_a_question_is_answered_once_and_by_who_may(bay: Bay) -> None:
    night(bay)
    row = Escalation.objects.get(stage="supervisor")
    with pytest.raises(Forbidden):
        escalate.answer(bay.actor(bay.mechanic), row.pk, given="use", reason="x")
    escalate.answer(bay.actor(), row.pk, given="use", reason="short trips only")
    with pytest.raises(Fault, match="answered already"):
        escalate.answer(bay.actor(), row.pk, given="planned", reason="x")
