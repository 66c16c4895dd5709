from dataclasses import replace
from datetime import timedelta

import pytest

from fleet import chain
from fleet.due.models import DueDate, ServiceDone
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.readings.models import Reading
from fleet.readings.settle import settle
from fleet.workorders import ending, progress, read_again
from fleet.workorders.ending import AtFinish
from fleet.workorders.models import WorkOrder
from tests.scene import NOW
from tests.workorders.conftest import Bay

pytestmark = pytest.mark.django_db


def finished(bay: Bay, odometer: float) -> ending.Finished:
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    mechanic = bay.actor(bay.mechanic)
    progress.start(mechanic, order.pk)
    progress.end_job(mechanic, order.jobs.get().pk, state="done", because="not tried here")
    return ending.finish(mechanic, order.pk, AtFinish(odometer=odometer, fit_for_use="yes"))


def finished_at(bay: Bay, odometer: float) -> WorkOrder:
    found = finished(bay, odometer)
    chain.refresh([bay.van.pk], NOW)
    return found.order


def settled(bay: Bay) -> None:
    """The digit too many is taken out of what was read."""
    odd = Reading.objects.get(value=233_350)
    settle(
        reading_id=odd.pk,
        action="accept suggestion",
        person=bay.supervisor,
        reason="a digit too many",
        value=23_335,
        channel="test",
    )
    chain.refresh([bay.van.pk], NOW + timedelta(hours=1))


def test_the_question_names_what_was_likely_meant(bay: Bay) -> None:
    # 23,335 km with a digit too many
    asked = ending.odometer_question(finished(bay, 233_350))
    assert asked.endswith("please look again. 23,335 km was likely meant.")


def test_an_odometer_that_is_accepted_raises_no_question(bay: Bay) -> None:
    assert ending.odometer_question(finished(bay, 23_335)) == ""


def later(bay: Bay, who: Person | None = None) -> Actor:
    return replace(bay.actor(who), now=NOW + timedelta(minutes=2))


def test_an_odometer_read_again_takes_the_place_of_the_doubtful_one(bay: Bay) -> None:
    order = finished_at(bay, 233_350)
    found = read_again.read_again(later(bay, bay.mechanic), order.pk, odometer=23_335)
    chain.refresh([bay.van.pk], NOW + timedelta(hours=1))
    assert (found.verdict, Reading.objects.get(value=233_350).verdict) == ("accepted", "rejected")
    newest = ServiceDone.objects.latest("pk")
    assert (newest.total_km, newest.provisional, newest.job.order) == (23_335, False, order)
    assert order.events.latest("pk").reason == "233350 km was given first"
    facts = order.jobs.get().evidence.facts
    assert (facts["odometer"], facts["odometer_given_first"]) == (23_335, 233_350)


def test_a_second_doubtful_reading_is_asked_about_again(bay: Bay) -> None:
    order = finished_at(bay, 233_350)
    found = read_again.read_again(later(bay), order.pk, odometer=333_350)
    assert (found.verdict, ServiceDone.objects.latest("pk").provisional) == ("held", True)


def test_what_was_given_first_is_no_other_reading(bay: Bay) -> None:
    order = finished_at(bay, 233_350)
    before = Reading.objects.count()
    with pytest.raises(Fault, match="what was given first"):
        read_again.read_again(later(bay), order.pk, odometer=233_350)
    assert Reading.objects.count() == before


def test_an_odometer_that_was_accepted_is_not_read_again(bay: Bay) -> None:
    order = finished_at(bay, 23_335)
    with pytest.raises(Refused, match="not in doubt"):
        read_again.read_again(later(bay), order.pk, odometer=23_336)


def test_a_viewer_does_not_read_again(bay: Bay) -> None:
    order = finished_at(bay, 233_350)
    with pytest.raises(Forbidden):
        read_again.read_again(later(bay, bay.viewer), order.pk, odometer=23_335)
    assert ServiceDone.objects.latest("pk").provisional


def test_an_order_is_corrected_after_its_odometer_was_settled(bay: Bay) -> None:
    order = finished_at(bay, 233_350)
    settled(bay)
    ending.correct(later(bay), order.pk, reason="wrong van")
    newest = ServiceDone.objects.latest("pk")
    assert (newest.void, newest.supersedes.total_km) == (True, 23_335)


def test_settling_the_odometer_settles_the_service_it_was_given_for(bay: Bay) -> None:
    finished_at(bay, 233_350)
    assert DueDate.objects.get().provisional
    settled(bay)
    newest = ServiceDone.objects.latest("pk")
    assert (newest.total_km, newest.provisional, newest.supersedes.provisional) == (
        *(23_335, False, True),
    )
    row = DueDate.objects.get()
    assert (row.provisional, row.remaining_km) == (False, 20_000)
