from collections.abc import Callable
from datetime import timedelta

import pytest

from fleet import chain
from fleet.due.models import DueDate, ServiceDone
from fleet.faults import Fault, Forbidden, Refused, Stale
from fleet.people.actor import Actor
from fleet.workorders import ending, fluids, issue, progress, torques
from fleet.workorders.ending import AtFinish
from fleet.workorders.fluids import Pouring
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Job, OrderEvent, WorkOrder
from fleet.workorders.torques import Tightened
from tests.scene import NOW
from tests.workorders.conftest import Bay

ODOMETER_KM = 23_350.0  # the last reading was 23,300 km


def started(bay: Bay) -> WorkOrder:
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    return progress.start(bay.actor(bay.mechanic), order.pk)


def other_work(bay: Bay) -> WorkOrder:
    return issue.draft(bay.actor(), OrderDraft(vehicle_id=bay.van.pk, other_work=[("Wiper", 5)]))


def finish(bay: Bay, order: WorkOrder, odometer: float = ODOMETER_KM) -> ending.Finished:
    later = Actor(person=bay.mechanic, channel="test", now=NOW + timedelta(hours=12))
    for job in order.jobs.all():
        progress.end_job(later, job.pk, state="done", because="not tried here")
    return ending.finish(later, order.pk, AtFinish(odometer=odometer, fit_for_use="yes"))


def test_an_order_goes_from_drafted_to_signed_off(bay: Bay) -> None:
    order = started(bay)
    finish(bay, order)
    ending.sign_off(bay.actor(), order.pk)
    order.refresh_from_db()
    assert order.state == WorkOrder.State.SIGNED_OFF
    assert [event.what for event in order.events.all()] == [
        *("draft", "release", "start", "job done", "finish", "sign off"),
    ]


def test_finishing_moves_the_due_date(bay: Bay) -> None:
    assert DueDate.objects.get().beyond_by_reading
    finish(bay, started(bay))
    chain.refresh([bay.van.pk], NOW + timedelta(hours=13))
    row = DueDate.objects.get()
    assert (row.beyond_by_reading, row.remaining_km) == (False, 20_000)
    assert ServiceDone.objects.latest("pk").total_km == ODOMETER_KM


def test_a_doubtful_odometer_is_asked_about_but_never_waited_for(bay: Bay) -> None:
    found = finish(bay, started(bay), odometer=233_350)
    assert found.order.state == WorkOrder.State.FINISHED
    assert "please look again" in ending.odometer_question(found)
    assert ServiceDone.objects.latest("pk").provisional


def test_a_job_not_done_leaves_the_due_date_and_returns_to_the_supervisor(bay: Bay) -> None:
    order = started(bay)
    job = order.jobs.get()
    actor = bay.actor(bay.mechanic)
    progress.end_job(actor, job.pk, state="not done", reason="plug seized")
    ending.finish(actor, order.pk, AtFinish(odometer=ODOMETER_KM, fit_for_use="no"))
    assert ServiceDone.objects.count() == 1
    assert Job.objects.get().returned


def test_a_job_not_done_needs_a_reason(bay: Bay) -> None:
    job = started(bay).jobs.get()
    with pytest.raises(Fault, match="Say why"):
        progress.end_job(bay.actor(bay.mechanic), job.pk, state="part done")


def test_an_order_with_an_open_job_cannot_be_finished(bay: Bay) -> None:
    order = started(bay)
    with pytest.raises(Fault, match="Gearbox oil"):
        ending.finish(bay.actor(bay.mechanic), order.pk, AtFinish(odometer=1, fit_for_use="yes"))


def test_waiting_says_for_what_and_adds_up(bay: Bay) -> None:
    order = started(bay)
    progress.wait(bay.actor(bay.mechanic), order.pk, waiting_for="drain plug washer")
    later = Actor(person=bay.mechanic, channel="test", now=NOW + timedelta(hours=2))
    order = progress.resume(later, order.pk)
    assert (order.state, order.waited_s, order.waiting_for) == ("started", 7200, "")


@pytest.mark.parametrize(
    "act",
    [
        lambda bay, order: progress.start(bay.actor(), order.pk),
        lambda bay, order: progress.wait(bay.actor(), order.pk, waiting_for="x"),
        lambda bay, order: progress.resume(bay.actor(), order.pk),
        lambda bay, order: ending.sign_off(bay.actor(), order.pk),
        lambda bay, order: ending.correct(bay.actor(), order.pk, reason="x"),
    ],
)
def test_a_step_out_of_order_is_refused_and_leaves_no_event(
    bay: Bay, act: Callable[[Bay, WorkOrder], object]
) -> None:
    order = bay.order()
    events = OrderEvent.objects.count()
    with pytest.raises(Fault, match="drafted"):
        act(bay, order)
    assert OrderEvent.objects.count() == events


def test_nobody_signs_off_their_own_work(bay: Bay) -> None:
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(), order.pk)
    progress.end_job(bay.actor(), order.jobs.get().pk, state="done", because="not tried here")
    ending.finish(bay.actor(), order.pk, AtFinish(odometer=ODOMETER_KM, fit_for_use="yes"))
    with pytest.raises(Forbidden, match="own work"):
        ending.sign_off(bay.actor(), order.pk)
    ending.sign_off(bay.actor(bay.second_supervisor), order.pk)


def _pour(actor: Actor, job_id: int) -> None:
    fluids.fluid(actor, job_id, Pouring(way="drained", litres=1.5, client_key="own-work"))


def _tighten(actor: Actor, job_id: int) -> None:
    torques.torque(actor, job_id, Tightened(fastener="drain-plug", client_key="own-work"))


@pytest.mark.parametrize("record", [_pour, _tighten])
def test_whoever_recorded_work_on_it_does_not_sign_it_off_though_another_finished_it(
    bay: Bay, job: Job, record: Callable[[Actor, int], None]
) -> None:
    record(bay.actor(bay.second_supervisor), job.pk)
    mechanic = bay.actor(bay.mechanic)
    progress.end_job(mechanic, job.pk, state="done", because="not tried here")
    ending.finish(mechanic, job.order_id, AtFinish(odometer=ODOMETER_KM, fit_for_use="yes"))
    with pytest.raises(Forbidden, match="own work"):
        ending.sign_off(bay.actor(bay.second_supervisor), job.order_id)
    assert ending.sign_off(bay.actor(), job.order_id).state == "signed off"


def test_a_person_without_the_right_is_refused(bay: Bay) -> None:
    order = bay.order()
    for who in (bay.mechanic, bay.viewer, bay.outsider):
        with pytest.raises(Forbidden):
            progress.release(bay.actor(who), order.pk)


def test_many_orders_are_released_at_once_each_with_its_event(bay: Bay) -> None:
    first, second = bay.order(), other_work(bay)
    stale = other_work(bay)
    progress.plan(bay.actor(), stale.pk, planned_on=NOW.date())
    found = progress.release_many(bay.actor(), {first.pk: 1, second.pk: 1, stale.pk: 1})
    assert found[first.pk] is None
    assert found[second.pk] is None
    assert isinstance(found[stale.pk], Stale)
    released = WorkOrder.objects.filter(state="released", version=2, released_at=NOW)
    assert set(released) == {first, second}
    events = OrderEvent.objects.filter(what="release", from_state="drafted", to_state="released")
    assert [event.order for event in events] == [first, second]


def test_whoever_may_not_release_releases_none_of_many(bay: Bay) -> None:
    order = bay.order()
    found = progress.release_many(bay.actor(bay.outsider), {order.pk: 1})
    assert isinstance(found[order.pk], Forbidden)
    assert not OrderEvent.objects.filter(what="release").exists()


def test_a_stale_version_is_told_to_look_again(bay: Bay) -> None:
    order = bay.order()
    progress.release(bay.actor(), order.pk, version=1)
    with pytest.raises(Stale, match="released now"):
        progress.release(bay.actor(), order.pk, version=1)


def test_a_cancellation_says_why(bay: Bay) -> None:
    order = bay.order()
    with pytest.raises(Fault) as refused:
        progress.cancel(bay.actor(), order.pk, reason=" ")
    assert refused.value.about == "reason"
    order.refresh_from_db()
    assert (order.state, order.jobs.get().state) == ("drafted", "open")


def test_services_taken_off_leave_other_work_and_an_order_with_nothing_is_cancelled(
    bay: Bay,
) -> None:
    wanted = OrderDraft(vehicle_id=bay.van.pk, service_ids=[bay.oil.pk], other_work=[("Wiper", 5)])
    mixed = issue.draft(bay.actor(), wanted)
    left = progress.drop(bay.actor(), mixed.pk, service_ids=[bay.oil.pk], reason="done outside")
    oil, wiper = mixed.jobs.order_by("pk")
    assert (left.state, oil.state, wiper.state) == ("drafted", "dropped", "open")
    assert (oil.ended_at, oil.ended_by, wiper.ended_at) == (NOW, bay.supervisor, None)
    emptied = bay.order()
    progress.drop(bay.actor(), emptied.pk, service_ids=[bay.oil.pk], reason="done outside")
    emptied.refresh_from_db()
    assert (emptied.state, emptied.jobs.get().state) == ("cancelled", "dropped")
    told = [one.events.latest("pk") for one in (mixed, emptied)]
    assert [(event.what, event.reason) for event in told] == [
        *(("drop jobs", "done outside"), ("cancel", "done outside")),
    ]


def test_no_service_is_taken_off_an_order_that_has_begun(bay: Bay) -> None:
    order = started(bay)
    with pytest.raises(Refused, match="is started"):
        progress.drop(bay.actor(), order.pk, service_ids=[bay.oil.pk], reason="done outside")
    assert order.jobs.get().state == "open"


def test_a_cancelled_order_frees_its_services(bay: Bay) -> None:
    order = bay.order()
    with pytest.raises(Fault, match="already"):
        bay.order()
    progress.cancel(bay.actor(), order.pk, reason="sold")
    assert bay.order().pk != order.pk


def test_a_correction_voids_what_the_finish_recorded(bay: Bay) -> None:
    order = started(bay)
    finish(bay, order)
    ending.correct(bay.actor(), order.pk, reason="wrong van")
    chain.refresh([bay.van.pk], NOW + timedelta(hours=13))
    assert DueDate.objects.get().beyond_by_reading
    assert OrderEvent.objects.latest("pk").reason == "wrong van"


def test_a_finish_is_not_corrected_while_its_service_is_on_another_order(bay: Bay) -> None:
    order = started(bay)
    finish(bay, order)
    bay.order()
    with pytest.raises(Refused, match="cancel that one first"):
        ending.correct(bay.actor(), order.pk, reason="wrong van")
    assert ServiceDone.objects.filter(void=True).count() == 0


def test_what_a_phone_sends_after_the_finish_is_evidence_too(bay: Bay) -> None:
    order = started(bay)
    finish(bay, order)
    fluids.fluid(
        bay.actor(bay.mechanic),
        order.jobs.get().pk,
        Pouring(way="drained", litres=2, client_key="late-record"),
    )
    ending.sign_off(bay.actor(), order.pk)
    facts = order.jobs.get().evidence.facts
    assert [(row["way"], row["litres"]) for row in facts["fluids"]] == [("drained", 2)]
    assert facts["state"] == "done"


def test_the_night_drafts_what_is_due_once(bay: Bay) -> None:
    night = Actor(person=None, channel="night", now=NOW)
    assert issue.draft_due(night, NOW.date()) == 1
    assert issue.draft_due(night, NOW.date()) == 0
    assert WorkOrder.objects.get().jobs.get().service == bay.oil


@pytest.mark.parametrize(
    ("state", "reason", "drafted"), [("done", "", 0), ("not done", "part missing", 1)]
)
def test_what_is_done_but_not_finished_is_on_an_order(
    bay: Bay, state: str, reason: str, drafted: int
) -> None:
    """The service counts as done from the finish on; until then nobody is to do it again."""
    job = started(bay).jobs.get()
    mechanic = bay.actor(bay.mechanic)
    progress.end_job(mechanic, job.pk, state=state, reason=reason, because="not tried here")
    joins = issue.joining([bay.van.pk], NOW.date())
    assert len(joins.get(bay.van.pk, [])) == drafted
    night = Actor(person=None, channel="night", now=NOW)
    assert issue.draft_due(night, NOW.date()) == drafted


def test_a_release_taken_back_leaves_one_event_and_a_drafted_order(bay: Bay) -> None:
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    progress.take_back(bay.actor(), order.pk, version=2)
    order.refresh_from_db()
    assert (order.state, order.released_at, order.version) == ("drafted", None, 3)
    assert [event.what for event in order.events.all()] == ["draft", "release", "take back"]


def test_a_release_is_not_taken_back_once_work_began(bay: Bay) -> None:
    order = started(bay)
    with pytest.raises(Refused, match="started"):
        progress.take_back(bay.actor(), order.pk)
    arrived = other_work(bay)
    progress.release(bay.actor(), arrived.pk)
    progress.arrive(bay.actor(bay.mechanic), arrived.pk)
    with pytest.raises(Refused, match="stands in the workshop"):
        progress.take_back(bay.actor(), arrived.pk)
