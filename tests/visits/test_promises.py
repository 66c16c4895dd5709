"""Promised days: they stand against every plan, and end kept, moved or broken with a reason."""

from datetime import UTC, date, datetime, timedelta

import pytest

from fleet.due.models import DueDate
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.visits.models import Promise
from fleet.visits.moves import move, unlock
from fleet.visits.promises import promise, settle
from fleet.workorders.models import WorkOrder
from tests import scene
from tests.scene import NOW
from tests.visits.depot import TODAY, fleet, planned

pytestmark = pytest.mark.django_db


def told(actor: Actor, due_in_d: int = 20) -> Promise:
    fleet({"V-1": (due_in_d,)})
    visit = planned().visits.get()
    return promise(actor, visit.plan_id, visit.pk, told_to="The driver")


def settled(one: Promise, today: date) -> tuple[str, str]:
    settle(scene.depot(), today, NOW)
    one.refresh_from_db()
    return one.ending, one.reason


def began(one: Promise, on: date) -> None:
    WorkOrder.objects.create(
        number="W-1", vehicle=one.vehicle, depot=one.depot, planned_on=one.on, state="started",
        started_at=datetime(on.year, on.month, on.day, 10, tzinfo=UTC),
    )  # fmt: skip


def test_a_promise_says_who_was_told_by_whom_and_locks_the_day(chief: Actor) -> None:
    one = told(chief)
    assert (one.told_to, one.told_by, one.told_at) == ("The driver", chief.person, NOW)
    DueDate.objects.update(
        **dict.fromkeys(("km_p10", "km_p50", "km_p90"), TODAY + timedelta(days=45))
    )
    assert planned().visits.get().on == one.on


def test_nobody_is_told_nothing(chief: Actor) -> None:
    visit = (fleet({"V-1": (20,)}), planned().visits.get())[1]
    with pytest.raises(Fault):
        promise(chief, visit.plan_id, visit.pk, told_to=" ")
    assert not planned().visits.get().locked


def test_a_day_is_promised_once(chief: Actor) -> None:
    told(chief)
    visit = planned().visits.get()
    with pytest.raises(Refused):
        promise(chief, visit.plan_id, visit.pk, told_to="Somebody else")


def test_a_promised_visit_is_moved_not_opened(chief: Actor) -> None:
    told(chief)
    visit = planned().visits.get()
    with pytest.raises(Refused):
        unlock(chief, visit.plan_id, visit.pk)


def test_it_stands_before_its_day(chief: Actor) -> None:
    one = told(chief)
    assert settled(one, one.on) == ("", "")


def test_it_is_kept_when_the_work_began_on_that_day(chief: Actor) -> None:
    one = told(chief)
    began(one, one.on)
    assert settled(one, one.on + timedelta(days=1)) == ("kept", "")


@pytest.mark.parametrize("later_d", [None, 1])
def test_it_is_broken_when_the_work_had_not_begun_on_that_day(
    chief: Actor, later_d: int | None
) -> None:
    one = told(chief)
    if later_d is not None:
        began(one, one.on + timedelta(days=later_d))
    ending, reason = settled(one, one.on + timedelta(days=2))
    assert ending == "broken"
    assert "not begun" in reason


@pytest.mark.parametrize(("due_in_d", "ending"), [(20, "moved"), (3, "broken")])
def test_a_move_inside_seven_days_breaks_it_and_an_earlier_one_moves_it(
    chief: Actor, due_in_d: int, ending: str
) -> None:
    # our rule: broken when it was moved inside seven days
    one = told(chief, due_in_d)
    visit = planned().visits.get()
    move(chief, visit.plan_id, visit.pk, on=TODAY + timedelta(days=14))
    one.refresh_from_db()
    assert one.ending == ending
    assert one.reason


def test_a_move_to_another_bay_on_the_day_moves_no_promise(chief: Actor) -> None:
    one = told(chief)
    visit = planned().visits.get()
    move(chief, visit.plan_id, visit.pk, on=visit.on)
    assert settled(one, TODAY) == ("", "")


def test_what_left_the_depot_ends_its_promise_with_the_reason(chief: Actor) -> None:
    one = told(chief)
    one.vehicle.depot = scene.depot("hill")
    one.vehicle.save()
    ending, reason = settled(one, TODAY)
    assert (ending, reason) == ("moved", "the vehicle went to another depot")


def test_what_was_done_elsewhere_ends_its_promise(chief: Actor) -> None:
    one = told(chief)
    DueDate.objects.all().delete()
    planned()
    one.refresh_from_db()
    assert one.ending == "moved"
    assert "nothing is left" in one.reason


def test_an_ended_promise_is_not_ended_again(chief: Actor) -> None:
    one = told(chief)
    settled(one, one.on + timedelta(days=1))
    began(one, one.on)
    assert settled(one, one.on + timedelta(days=9))[0] == "broken"
