"""Changes that really run at the same time, each on a connection of its own: one of them wins,
and it leaves one event. Among these the night, who drafts while a person does."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from itertools import count
from threading import Thread

import pytest
from django.conf import settings
from django.db import connections, transaction
from rest_framework.test import APIClient

from fleet import chain
from fleet.due import defer
from fleet.due.models import Deferral, DueDate, ServiceDone
from fleet.faults import Forbidden, Refused, Stale
from fleet.people.actor import Actor
from fleet.readings.models import Reading, Source
from fleet.workorders import ending, escalate, findings, fluids, issue, needed, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.findings import Report
from fleet.workorders.fluids import Pouring
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Escalation, FluidRecord, Job, OrderEvent, WorkOrder
from tests import scene
from tests.api.routes import address
from tests.api.test_repeats_at_once import TOGETHER, together
from tests.scene import NOW
from tests.waiting import until_somebody_waits
from tests.workorders.conftest import Bay

pytestmark = pytest.mark.django_db(transaction=True)
ONE_WINS = {"won": 1, "refused": TOGETHER - 1}
NIGHT = Actor(person=None, channel="night", now=NOW)


def tried(act: Callable[[], object]) -> str:
    """Whether a change was made; anything but a refusal breaks the test."""
    try:
        act()
    except (Refused, Stale, Forbidden):
        return "refused"
    return "won"


def at_once(act: Callable[[], object]) -> dict[str, int]:
    return dict(together(lambda: tried(act)))


def events(what: str) -> int:
    return OrderEvent.objects.filter(what=what).count()


def started(bay: Bay) -> WorkOrder:
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    return progress.start(bay.actor(bay.mechanic), order.pk)


def ready(bay: Bay) -> WorkOrder:
    """An order whose job is done."""
    order = started(bay)
    progress.end_job(
        bay.actor(bay.mechanic), order.jobs.get().pk, state="done", because="not tried here"
    )
    return order


def finish(bay: Bay, order: WorkOrder) -> None:
    later = Actor(person=bay.mechanic, channel="test", now=NOW + timedelta(hours=12))
    ending.finish(later, order.pk, AtFinish(odometer=23_350, fit_for_use="yes"))


def test_of_many_releases_one_is_made(bay: Bay) -> None:
    order = bay.order()
    assert at_once(lambda: progress.release(bay.actor(), order.pk)) == ONE_WINS
    assert (events("release"), WorkOrder.objects.get().version) == (1, 2)


def test_of_many_starts_one_is_made(bay: Bay) -> None:
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    assert at_once(lambda: progress.start(bay.actor(bay.mechanic), order.pk)) == ONE_WINS
    assert (events("start"), WorkOrder.objects.get().assigned_to) == (1, bay.mechanic)


def test_of_many_finishes_one_records_the_service_and_the_odometer(bay: Bay) -> None:
    order = ready(bay)
    assert at_once(lambda: finish(bay, order)) == ONE_WINS
    assert events("finish") == 1
    assert Reading.objects.filter(source=Source.WORK_ORDER).count() == 1
    assert ServiceDone.objects.filter(evidence="work order").count() == 1


def test_of_many_corrections_one_voids_the_service(bay: Bay) -> None:
    order = ready(bay)
    finish(bay, order)
    assert at_once(lambda: ending.correct(bay.actor(), order.pk, reason="wrong van")) == ONE_WINS
    assert (events("correct"), ServiceDone.objects.filter(void=True).count()) == (1, 1)


def test_a_start_and_a_cancellation_never_both_happen(bay: Bay) -> None:
    order, turns = bay.order(), count()
    progress.release(bay.actor(), order.pk)

    def act() -> object:
        if next(turns) % 2:
            return progress.start(bay.actor(bay.mechanic), order.pk, version=2)
        return progress.cancel(bay.actor(), order.pk, reason="sold", version=2)

    assert at_once(act) == ONE_WINS
    assert events("start") + events("cancel") == 1


def overdue_engine(bay: Bay) -> list[int]:
    """A second overdue service of the van; both, in the order opposite to the night's."""
    engine = scene.service("engine", km=10_000, months=12)
    scene.done(bay.van, engine, date(2025, 11, 1), 1_000)
    chain.refresh([bay.van.pk], NOW)
    return sorted([bay.oil.pk, engine.pk], reverse=True)


@pytest.mark.skipif(not settings.SERVED, reason="on SQLite the other waits until it is made")
def test_who_waited_for_an_order_goes_by_the_jobs_that_it_has_then(bay: Bay) -> None:
    """Due dates moved while a person takes a job off, whose day was the first."""
    engine_id, oil_id = overdue_engine(bay)
    oil_on, engine_on = NOW.date(), NOW.date() - timedelta(days=5)
    DueDate.objects.filter(service=oil_id).update(bring_in_by_on=oil_on)
    DueDate.objects.filter(service=engine_id).update(bring_in_by_on=engine_on)
    wanted = OrderDraft(vehicle_id=bay.van.pk, service_ids=[oil_id, engine_id])
    order = issue.draft(bay.actor(), wanted)
    WorkOrder.objects.update(needed_on=None)
    with ThreadPoolExecutor(1) as pool:
        with transaction.atomic():
            progress.drop(bay.actor(), order.pk, service_ids=[engine_id], reason="done outside")
            followed = pool.submit(follow_apart)
            until_somebody_waits()
        assert followed.result() == 1
    assert WorkOrder.objects.get().needed_on == oil_on


def follow_apart() -> int:
    try:
        return needed.follow()
    finally:
        connections.close_all()


def test_by_hand_and_by_night_at_once_one_order_is_drafted(bay: Bay) -> None:
    chosen, turns = overdue_engine(bay), count()

    def act() -> object:
        if next(turns) % 2:
            return issue.draft_due(NIGHT, NOW.date())
        return issue.draft(bay.actor(), OrderDraft(vehicle_id=bay.van.pk, service_ids=chosen))

    at_once(act)
    assert (WorkOrder.objects.count(), events("draft")) == (1, 1)
    jobs = Job.objects.filter(state=Job.State.OPEN).values_list("service", flat=True)
    assert sorted(jobs) == sorted(chosen)


def test_two_nights_at_once_draft_once(bay: Bay) -> None:
    made = together(lambda: issue.draft_due(NIGHT, NOW.date()))
    assert made == {1: 1, 0: TOGETHER - 1}
    assert (WorkOrder.objects.count(), events("draft")) == (1, 1)


def other_work(bay: Bay, number: int) -> int:
    order = issue.draft(
        bay.actor(), OrderDraft(vehicle_id=bay.van.pk, other_work=[(f"Wiper {number}", 5)])
    )
    return order.pk


def test_two_who_release_the_week_at_once_release_each_order_once(bay: Bay) -> None:
    ids, turns = [other_work(bay, number) for number in range(12)], count()

    def act() -> int:
        mine = ids if next(turns) % 2 else ids[::-1]
        found = progress.release_many(bay.actor(), dict.fromkeys(mine, 1))
        return sum(refusal is None for refusal in found.values())

    assert together(act) == {12: 1, 0: TOGETHER - 1}
    assert events("release") == len(ids)


def test_a_finding_is_closed_by_one_of_many(bay: Bay) -> None:
    seep = findings.report(
        bay.actor(bay.mechanic),
        Report(
            vehicle=bay.van, kind="seep", severity="soon", text="damp", client_key="seep-at-once"
        ),
    )
    assert at_once(lambda: findings.close(bay.actor(), seep.pk, reason="wiped")) == ONE_WINS


def test_do_not_use_is_cleared_by_one_of_many(bay: Bay) -> None:
    mark = findings.set_do_not_use(bay.actor(bay.mechanic), vehicle=bay.van, reason="brakes")

    def clear() -> object:
        return findings.clear_do_not_use(bay.actor(), mark.pk, reason="bled, firm")

    assert at_once(clear) == ONE_WINS


def test_a_question_is_answered_by_one_of_many(bay: Bay) -> None:
    asked = Escalation.objects.create(
        vehicle=bay.van, service=bay.oil, stage="supervisor", since_on=NOW.date()
    )

    def stand_down() -> object:
        return escalate.answer(bay.actor(), asked.pk, given="stand down", reason="no bay free")

    assert at_once(stand_down) == ONE_WINS
    assert bay.van.do_not_use.count() == 1


def test_a_deferral_is_agreed_to_by_one_of_many(bay: Bay) -> None:
    row = Deferral.objects.create(
        vehicle=bay.van,
        service=bay.oil,
        person=bay.supervisor,
        until_km=90_000,
        reason="no bay free",
        beyond_tolerance=True,
    )
    assert at_once(lambda: defer.agree(row, person=bay.second_supervisor)) == ONE_WINS


def test_a_record_sent_many_times_at_once_is_there_once(bay: Bay) -> None:
    job = started(bay).jobs.get()

    def pour() -> int:
        mechanic = bay.actor(bay.mechanic)
        given = {"way": "topped up", "litres": 0.2, "client_key": "top-up-at-once"}
        return fluids.fluid(mechanic, job.pk, Pouring(**given)).record.pk

    assert list(together(pour).values()) == [TOGETHER]
    assert bay.van.top_ups.count() == FluidRecord.objects.count() == 1


def test_what_is_taken_while_another_signs_off_is_in_the_evidence(bay: Bay) -> None:
    order, turns = ready(bay), count()
    finish(bay, order)
    job = order.jobs.get()

    def act() -> object:
        turn = next(turns)
        if turn == 0:
            return ending.sign_off(bay.actor(), order.pk)
        given = {"way": "drained", "litres": turn / 10, "client_key": f"drained-{turn}"}
        return fluids.fluid(bay.actor(bay.mechanic), job.pk, Pouring(**given))

    outcomes = at_once(act)
    evidence = Job.objects.get(pk=job.pk).evidence
    taken = FluidRecord.objects.count()
    assert outcomes["won"] == taken + 1
    assert len(evidence.facts["fluids"]) == taken


@pytest.mark.skipif(not settings.SERVED, reason="on SQLite the other waits until it is made")
def test_a_draft_made_while_its_due_date_moves_has_the_new_day(bay: Bay) -> None:
    moved_to = NOW.date() + timedelta(days=2)

    def move() -> None:
        DueDate.objects.filter(vehicle=bay.van, service=bay.oil).update(bring_in_by_on=moved_to)
        needed.follow()
        connections.close_all()

    with transaction.atomic():
        order = bay.order()
        mover = Thread(target=move)
        mover.start()
        mover.join()
    order.refresh_from_db()
    assert order.needed_on == moved_to


def release_by_api(bay: Bay, order: WorkOrder, **headers: str) -> int:
    client = APIClient()
    client.force_authenticate(bay.supervisor)
    where = address(f"work-orders/{order.number}/release")
    return int(client.post(where, {}, format="json", headers=headers).status_code)


def test_of_many_calls_with_the_same_tag_one_changes_the_order(bay: Bay) -> None:
    order = bay.order()
    statuses = together(lambda: release_by_api(bay, order, **{"If-Match": '"1"'}))
    assert statuses == {200: 1, 412: TOGETHER - 1}
    assert events("release") == 1


def test_one_call_sent_many_times_under_one_key_changes_the_order_once(bay: Bay) -> None:
    order = bay.order()
    headers = {"If-Match": '"1"', "Idempotency-Key": "one"}
    statuses = together(lambda: release_by_api(bay, order, **headers))
    assert set(statuses) <= {200, 409}  # 409: the first is still running
    assert statuses[200] >= 1
    assert events("release") == 1
    assert release_by_api(bay, order, **headers) == 200
