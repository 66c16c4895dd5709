"""How the bay raises the vehicle is held against the steps of the work.

Common practice, no source: who goes beneath a vehicle has it raised; a level read on ramps, which
raise one end, is the wrong level.
"""

import pytest

from fleet.faults import Fault, Question, Refused
from fleet.workorders import findings, issue, joblist, progress
from fleet.workorders.findings import Report
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Job, OrderEvent, Procedure, Step, WorkOrder
from tests.scene import INVENTED
from tests.workorders.conftest import Bay


def procedure(bay: Bay, *steps: Step, family: str = "other") -> None:
    row = Procedure.objects.create(
        service=bay.oil, family=family, edition="1", source=INVENTED, minutes=30
    )
    for number, step in enumerate(steps, 1):
        step.procedure, step.number, step.text = row, number, "x"
        step.save()


def draft(bay: Bay, raising: str, **given: str) -> WorkOrder:
    return issue.draft(
        bay.actor(),
        OrderDraft(vehicle_id=bay.van.pk, service_ids=[bay.oil.pk], raising=raising, **given),
    )


@pytest.mark.parametrize("step", [Step(kind="raise"), Step(kind="inspect", under_vehicle=True)])
def test_work_that_raises_the_vehicle_or_goes_under_it_is_not_done_on_the_ground(
    bay: Bay, step: Step
) -> None:
    procedure(bay, Step(kind="prepare"), step)
    with pytest.raises(Refused, match=f"its step 2 .{step.kind}. raises the vehicle or goes"):
        draft(bay, "on the ground")
    assert not WorkOrder.objects.exists()
    order = draft(bay, "lift")
    with pytest.raises(Refused, match="cannot be done on the ground"):
        progress.raise_by(bay.actor(), order.pk, raising="on the ground")
    order.refresh_from_db()
    assert (order.raising, order.version) == ("lift", 1)


def test_work_from_above_is_done_on_the_ground(bay: Bay) -> None:
    procedure(bay, Step(kind="measure"))
    assert draft(bay, "on the ground").raising == "on the ground"


def test_an_order_that_stands_on_the_ground_is_not_released(bay: Bay) -> None:
    procedure(bay, Step(kind="raise"))
    first = draft(bay, "pit")
    WorkOrder.objects.update(raising="on the ground")
    with pytest.raises(Refused, match="cannot be done on the ground"):
        progress.release(bay.actor(), first.pk)
    (told,) = progress.release_many(bay.actor(), {first.pk: 1}).values()
    assert "cannot be done on the ground" in str(told)
    first.refresh_from_db()
    assert first.state == "drafted"
    Job.objects.update(state="dropped")  # what is off the order does not count
    assert progress.release_many(bay.actor(), {first.pk: 1}) == {first.pk: None}


@pytest.mark.parametrize(
    ("family", "step"),
    [
        ("other", Step(kind="level vehicle")),
        ("level at temperature", Step(kind="read level", under_vehicle=True)),
    ],
)
def test_ramps_are_asked_about_where_the_vehicle_must_be_level(
    bay: Bay, family: str, step: Step
) -> None:
    procedure(bay, step, family=family)
    with pytest.raises(Question, match="needs the vehicle to stand level"):
        draft(bay, "ramps")
    order = draft(bay, "ramps", override_reason="four ramps", reason="noise")
    assert OrderEvent.objects.get(order=order).reason == "noise; on ramps: four ramps"


def test_the_answer_about_ramps_stands_in_the_event_of_the_change(bay: Bay) -> None:
    procedure(bay, Step(kind="level vehicle"))
    order = draft(bay, "lift")
    with pytest.raises(Question):
        progress.raise_by(bay.actor(), order.pk, raising="ramps", override_reason=" ")
    progress.raise_by(bay.actor(), order.pk, raising="ramps", override_reason="four ramps")
    event = OrderEvent.objects.get(order=order, what="raise by")
    assert event.reason == "four ramps"


def test_a_level_read_from_above_is_not_asked_about(bay: Bay) -> None:
    procedure(bay, Step(kind="read level"), Step(kind="raise"), family="engine oil")
    order = draft(bay, "ramps", override_reason="not asked for")
    assert OrderEvent.objects.get(order=order).reason == ""


def test_a_way_to_raise_it_that_nobody_knows_is_refused(bay: Bay) -> None:
    order = bay.order()
    with pytest.raises(Fault, match="one of: lift, jack and stands, ramps, pit, on the ground"):
        progress.raise_by(bay.actor(), order.pk, raising="crane")


def test_an_outside_workshop_raises_it_as_it_likes(bay: Bay) -> None:
    procedure(bay, Step(kind="raise"))
    assert draft(bay, "on the ground", where=WorkOrder.Where.OUTSIDE).pk


def test_what_follows_a_finding_is_done_on_its_compartment(bay: Bay) -> None:
    finding = findings.report(
        bay.actor(),
        Report(
            vehicle=bay.van,
            kind="damage",
            severity="soon",
            text="dented",
            client_key="finding-9",
            compartment=bay.oil.compartment,
        ),
    )
    order = findings.follow_up(bay.actor(), finding.pk, what="Straighten it", minutes=20)
    assert order.jobs.get().place == bay.oil.compartment


def test_a_job_that_goes_beneath_is_not_put_on_an_order_on_the_ground(bay: Bay) -> None:
    procedure(bay, Step(kind="raise"))
    order = issue.draft(
        bay.actor(),
        OrderDraft(vehicle_id=bay.van.pk, other_work=[("Wash it", 5)], raising="on the ground"),
    )
    with pytest.raises(Refused, match="cannot be done on the ground"):
        joblist.add_jobs(bay.actor(), order.pk, service_ids=[bay.oil.pk])
    assert order.jobs.count() == 1
