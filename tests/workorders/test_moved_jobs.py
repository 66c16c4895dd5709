"""Jobs that change their order, drafts for many, what comes back; each with its one event."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from fleet.due.models import DueDate, Service
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.workorders import issue, joblist, listing, progress, recording
from fleet.workorders.draft_many import Drafted, draft_many
from fleet.workorders.issue import OrderDraft, draft_due, joining
from fleet.workorders.models import Job, Procedure, WorkOrder
from fleet.workorders.unasked import cancel_unasked
from tests import scene
from tests.kept import kept
from tests.scene import INVENTED, NOW
from tests.workorders.conftest import Bay

TODAY = NOW.date()


@kept
def coolant(bay: Bay) -> Service:
    """Another service of the van, of which nobody knows the history."""
    return scene.service("engine", km=5_000, months=None)


@kept
def two(bay: Bay, coolant: Service) -> WorkOrder:
    """A drafted order of both services."""
    wanted = OrderDraft(vehicle_id=bay.van.pk, service_ids=[bay.oil.pk, coolant.pk])
    return issue.draft(bay.actor(), wanted)


def told(order: WorkOrder) -> list[tuple[str, str]]:
    rows = order.events.exclude(what="draft").order_by("pk")
    return [(row.what, row.reason) for row in rows]


def move(
    bay: Bay, order: WorkOrder, jobs: list[Job], to: WorkOrder | None, **given: object
) -> WorkOrder:
    ids = [job.pk for job in jobs]
    to_id = to.pk if to else None
    return joblist.move_jobs(
        bay.actor(), order.pk, ids, to_id=to_id, **({"reason": "split"} | given)
    )


# --- moved -------------------------------------------------------------------------------------
def test_a_job_moves_to_an_order_of_its_own(bay: Bay, two: WorkOrder) -> None:
    first, second = two.jobs.order_by("pk")
    made = move(bay, two, [second], None)
    assert [list(one.jobs.all()) for one in (two, made)] == [[first], [second]]
    two.refresh_from_db()
    assert (two.state, two.version, made.state) == ("drafted", 2, "drafted")
    assert told(two) == [("drop jobs", f"{second.title}: to {made}, split")]
    (event,) = made.events.all()
    assert (event.what, event.reason) == ("draft", f"{second.title}: split")


def test_an_order_whose_jobs_all_move_is_cancelled(bay: Bay, two: WorkOrder) -> None:
    first, second = two.jobs.order_by("pk")
    made = move(bay, two, [second], None)
    moved = move(bay, two, [first], made, reason="together again")
    two.refresh_from_db()
    assert (moved.pk, moved.jobs.count(), two.state) == (made.pk, 2, "cancelled")
    assert told(two)[-1] == ("cancel", f"{first.title}: to {made}, together again")
    assert told(made) == [("add jobs", f"{first.title}: from {two}, together again")]


def test_what_is_no_job_of_it_or_has_begun_does_not_move(bay: Bay, two: WorkOrder) -> None:
    first, second = two.jobs.order_by("pk")
    for ids in ([], [first.pk, 999]):
        with pytest.raises(Fault, match="has no such job"):
            joblist.move_jobs(bay.actor(), two.pk, ids, to_id=None, reason="split")
    with pytest.raises(Forbidden):
        joblist.move_jobs(bay.actor(bay.mechanic), two.pk, [first.pk], to_id=None, reason="split")
    other = issue.draft(
        bay.actor(), OrderDraft(vehicle_id=scene.van("V-2").pk, other_work=[("Mirror", 15)])
    )
    with pytest.raises(Fault, match="another vehicle"):
        move(bay, two, [first], other)
    Job.objects.filter(pk=second.pk).update(state="not done")
    with pytest.raises(Refused, match="only an open job"):
        move(bay, two, [second], None)
    assert told(two) == []


def test_a_job_with_records_stays(bay: Bay, two: WorkOrder) -> None:
    first, second = two.jobs.order_by("pk")
    progress.release(bay.actor(), two.pk)
    progress.start(bay.actor(bay.mechanic), two.pk)
    recording.material(
        bay.actor(bay.mechanic), first.pk, name="Rag", pieces=1, client_key="a-rag-001"
    )
    with pytest.raises(Refused, match="Something is recorded"):
        joblist.drop_jobs(bay.actor(), two.pk, job_ids=[first.pk], reason="not now")
    joblist.drop_jobs(bay.actor(), two.pk, job_ids=[second.pk], reason="not now")
    second.refresh_from_db()
    assert (second.state, second.ended_by, second.ended_at) == ("dropped", bay.supervisor, NOW)


def test_nothing_goes_to_an_order_that_has_begun(bay: Bay, two: WorkOrder) -> None:
    first, second = two.jobs.order_by("pk")
    made = move(bay, two, [second], None)
    progress.release(bay.actor(), made.pk)
    progress.start(bay.actor(bay.mechanic), made.pk)
    with pytest.raises(Refused, match="is started"):
        move(bay, two, [first], made)


# --- came back ---------------------------------------------------------------------------------
def test_a_job_that_came_back_is_decided_about_once(bay: Bay, job: Job) -> None:
    progress.end_job(bay.actor(bay.mechanic), job.pk, state="not done", reason="part missing")
    here = [bay.van.depot_id]
    assert list(listing.returned_jobs(here)) == [job]
    version = WorkOrder.objects.get().version
    with pytest.raises(Fault) as refused:
        progress.settle_job(bay.actor(), job.pk, reason=" ")
    assert refused.value.about == "reason"
    with pytest.raises(Forbidden):
        progress.settle_job(bay.actor(bay.mechanic), job.pk, reason="ordered")
    settled = progress.settle_job(bay.actor(), job.pk, reason=f" {'o' * 400}")
    assert (settled.returned, settled.state) == (False, "not done")
    assert WorkOrder.objects.get().version == version + 1
    event = job.order.events.get(what="settle job")
    assert (event.job, event.reason) == (job, "o" * 300)
    with pytest.raises(Refused, match="does not wait for a decision"):
        progress.settle_job(bay.actor(), job.pk, reason="ordered")
    assert list(listing.returned_jobs(here)) == []


# --- drafted for many --------------------------------------------------------------------------
def test_many_services_are_drafted_by_vehicle_each_with_its_answer(
    bay: Bay, coolant: Service
) -> None:
    van, other, away = bay.van, scene.van("V-2"), scene.van("V-3", scene.depot("far"))
    kept_order = bay.order()
    chosen = [(van, bay.oil), (van, coolant), (other, bay.oil), (other, bay.oil), (away, bay.oil)]
    found = draft_many(bay.actor(), chosen)
    new, second = WorkOrder.objects.exclude(pk=kept_order.pk).order_by("pk")
    refused = found[-1]
    assert found[:-1] == [
        Drafted(van, coolant, new.number, made=True),
        Drafted(van, bay.oil, kept_order.number),
        Drafted(other, bay.oil, second.number, made=True),
    ]
    assert (refused.vehicle, refused.order, refused.made) == (away, "", False)
    assert refused.fault
    again = draft_many(bay.actor(), chosen)
    assert [one.made for one in again] == [False] * 4
    assert WorkOrder.objects.count() == 3


def test_what_is_within_its_early_window_comes_along_where_asked_for(
    bay: Bay, coolant: Service
) -> None:
    (row,) = draft_many(bay.actor(), [(bay.van, coolant)], join_early=True)
    assert row.joined == (bay.oil.name,)
    WorkOrder.objects.all().delete()
    (row,) = draft_many(bay.actor(), [(bay.van, coolant)])
    assert row.joined == ()


@pytest.mark.parametrize(
    ("changes", "joins"),
    [
        ({"p50": TODAY}, True),
        ({"p50": TODAY + timedelta(days=1)}, False),
        ({"p50": None}, False),
        ({"p50": TODAY, "history_known": False}, False),
        # 15 % of the interval is the early window, our choice
        ({"p50": None, "meter_life": 0.86}, True),
        ({"p50": None, "meter_life": 0.84}, False),
    ],
)
def test_what_is_due_or_in_its_early_window_would_join(
    bay: Bay, changes: dict[str, object], joins: bool
) -> None:
    bare = {"meter_life": 0.1, "calendar_life": 0.1, "calendar_life_on": TODAY}
    bare |= {"calendar_life_per_d": 0.0}
    DueDate.objects.filter(vehicle=bay.van).update(**(bare | changes))
    found = joining([bay.van.pk], TODAY)
    assert dict(found) == ({bay.van.pk: [bay.oil]} if joins else {})
    bay.order()
    assert joining([bay.van.pk], TODAY) == {}


# --- the night's -------------------------------------------------------------------------------
def by_program(bay: Bay, **later: float) -> Actor:
    return replace(bay.actor(), person=None, now=NOW + timedelta(**later))


@pytest.mark.parametrize(("days", "drafted"), [(0, 1), (7, 1), (8, 0)])
def test_the_night_drafts_what_may_fall_due_within_its_days(
    bay: Bay, settings: object, days: int, drafted: int
) -> None:
    settings.DRAFT_AHEAD_DAYS = 7  # type: ignore[attr-defined]
    Procedure.objects.create(
        service=bay.oil, family="other", edition="1", source=INVENTED, minutes=40
    )
    DueDate.objects.filter(vehicle=bay.van).update(p10=TODAY + timedelta(days=days))
    assert draft_due(by_program(bay), TODAY) == drafted
    assert [job.minutes for job in Job.objects.all()] == [40] * drafted
    if drafted:
        order = WorkOrder.objects.get()
        (event,) = order.events.all()
        assert order.number == f"W-{order.pk:06}"
        assert (event.what, event.to_state, event.person) == ("draft", "drafted", None)


def test_what_the_night_drafted_and_would_not_draft_any_more_is_cancelled(bay: Bay) -> None:
    ids = np.array([bay.van.pk])

    def cancelled(since: float = -1, vehicles: np.ndarray = ids) -> int:
        since_at = NOW + timedelta(hours=since)
        return cancel_unasked(by_program(bay, hours=2), vehicles, since_at, "read wrongly")

    assert draft_due(by_program(bay), TODAY) == 1
    assert cancelled() == 0  # it would be drafted today
    DueDate.objects.update(p10=TODAY + timedelta(days=400))
    assert cancelled(since=1) == 0  # drafted before
    assert cancelled(vehicles=ids + 1) == 0
    assert cancelled(since=0) == 1
    order = WorkOrder.objects.get()
    assert (order.state, order.events.latest("pk").reason) == ("cancelled", "read wrongly")
    assert cancelled() == 0


def test_an_order_that_a_person_touched_or_put_words_on_stays(bay: Bay) -> None:
    draft_due(by_program(bay), TODAY)
    order = WorkOrder.objects.get()
    DueDate.objects.update(p10=TODAY + timedelta(days=400))
    worded = Job.objects.create(order=order, vehicle=bay.van, title="Mirror")
    ids, since = np.array([bay.van.pk]), NOW - timedelta(hours=1)
    assert cancel_unasked(by_program(bay), ids, since, "read wrongly") == 0
    worded.delete()
    progress.plan(bay.actor(), order.pk, planned_on=TODAY)
    assert cancel_unasked(by_program(bay), ids, since, "read wrongly") == 0
