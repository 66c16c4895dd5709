"""What stands about the list of orders, and what is told when something comes late or goes."""

from datetime import timedelta

import pytest

from fleet.due.models import DueDate
from fleet.workorders import ending, findings, late, listing, progress, torques, withdraw
from fleet.workorders.ending import AtFinish
from fleet.workorders.findings import Report
from fleet.workorders.glance import glance
from fleet.workorders.models import Finding, Job, OrderEvent, WorkOrder
from fleet.workorders.record_kinds import record_of
from fleet.workorders.torques import Tightened
from tests import scene
from tests.scene import NOW
from tests.workorders.conftest import Bay

GROUPS = ("past", "week", "later")
pytestmark = pytest.mark.django_db
TODAY = NOW.date()


def overdue_vans(bay: Bay, count: int) -> None:
    row = DueDate.objects.get(vehicle=bay.van)
    row.delete()
    for at in range(count):
        row.pk, row.vehicle = None, scene.van(f"V-{at + 10}")
        row.sort_on = row.calendar_on = TODAY - timedelta(days=20 + at)
        row.save()


def test_five_overdue_services_are_named_the_longest_late_first_and_all_are_counted(
    bay: Bay,
) -> None:
    overdue_vans(bay, 6)
    here = bay.van.depot
    found = glance({here.pk: TODAY}, [here], bay.supervisor, TODAY, TODAY, listed=None)
    assert [one.vehicle for one in found.overdue] == ["V-15", "V-14", "V-13", "V-12", "V-11"]
    assert found.overdue_count == 6


@pytest.mark.parametrize(("days", "group"), [(-1, "past"), (0, "week"), (6, "week"), (7, "later")])
def test_drafts_of_the_next_seven_days_are_told_from_those_past_and_later(
    bay: Bay, days: int, group: str
) -> None:
    order, here = bay.order(), bay.van.depot
    progress.plan(bay.actor(), order.pk, planned_on=TODAY + timedelta(days=days))
    assert listing.week_ends(TODAY) == TODAY + timedelta(days=6)
    every = WorkOrder.objects.all()
    found = glance({here.pk: TODAY}, [here], bay.supervisor, TODAY, TODAY, listed=every)
    groups = {name: [one.number for one in getattr(found, name)] for name in GROUPS}
    assert groups == {**dict.fromkeys(GROUPS, []), group: [order.number]}


@pytest.mark.parametrize(("days", "among"), [(6, True), (7, False)])
def test_a_draft_without_a_day_is_of_the_week_where_it_is_needed_by_then(
    bay: Bay, days: int, among: bool
) -> None:
    DueDate.objects.update(bring_in_by_on=TODAY + timedelta(days=days))
    order, here = bay.order(), bay.van.depot
    every = WorkOrder.objects.all()
    found = glance({here.pk: TODAY}, [here], bay.supervisor, TODAY, TODAY, listed=every)
    assert [one.number for one in found.week] == [order.number] * among


# --- what comes late, and what is taken back ------------------------------------------------
def leak(bay: Bay, order: WorkOrder | None, key: str) -> Finding:
    return findings.report(
        bay.actor(bay.mechanic),
        Report(
            vehicle=bay.van,
            order=order,
            kind=Finding.Kind.LEAK,
            severity=Finding.Severity.WATCH,
            text="drips",
            client_key=key,
        ),
    )


def events(order: WorkOrder, what: str) -> list[OrderEvent]:
    return list(OrderEvent.objects.filter(order=order, what=what))


def test_a_finding_from_before_the_sign_off_that_comes_after_it_is_told_once(
    bay: Bay, job: Job
) -> None:
    order = job.order
    progress.end_job(bay.actor(bay.mechanic), job.pk, state="not done", reason="part missing")
    ending.finish(bay.actor(bay.mechanic), order.pk, AtFinish(odometer=24_000, fit_for_use="yes"))
    ending.sign_off(bay.actor(bay.second_supervisor), order.pk)
    order.refresh_from_db()
    late.tell_of(bay.actor(bay.mechanic), order)  # at the same moment: it was to be seen
    assert events(order, "late records") == []
    WorkOrder.objects.filter(pk=order.pk).update(signed_off_at=NOW + timedelta(minutes=5))
    for _ in range(2):
        late.tell_of(bay.actor(bay.mechanic), order)
    assert len(events(order, "late records")) == 1
    told = WorkOrder.objects.get(pk=order.pk)
    assert (told.late_since, told.version) == (NOW, order.version + 1)


def test_a_finding_taken_back_is_told_in_its_order_where_it_has_one(bay: Bay, job: Job) -> None:
    of_order, of_nobody = leak(bay, job.order, "phone-1-leak"), leak(bay, None, "phone-2-leak")
    for one in (of_order, of_nobody):
        withdraw.withdraw_finding(bay.actor(bay.mechanic), one, reason="it was water")
        one.refresh_from_db()
        assert one.withdrawn_by == bay.mechanic
    (told,) = events(job.order, "withdraw record")
    assert told.reason.endswith("it was water")


def test_a_record_is_found_by_the_word_for_one_or_for_many_of_its_kind(bay: Bay, job: Job) -> None:
    of_order, of_nobody = leak(bay, job.order, "phone-1-leak"), leak(bay, None, "phone-2-leak")
    torque = torques.torque(
        bay.actor(bay.mechanic),
        job.pk,
        Tightened(client_key="phone-1-plug", fastener="drain-plug"),
    )
    assert record_of(job.order, "torque", torque.pk) == torque
    assert record_of(job.order, "torques", torque.pk) == torque
    assert record_of(job.order, "finding", of_order.pk) == of_order
    assert record_of(job.order, "finding", of_nobody.pk) is None  # of no order
    assert record_of(job.order, "song", torque.pk) is None


# --- lists -------------------------------------------------------------------------------------
def numbered(bay: Bay, number: str, **given: object) -> WorkOrder:
    return WorkOrder.objects.create(
        number=number, vehicle=bay.van, depot=bay.van.depot, **given
    )  # fmt: skip


def test_open_orders_of_a_vehicle_are_told_from_those_to_be_signed_off(bay: Bay) -> None:
    started = numbered(bay, "W-1", state="started")
    finished = numbered(bay, "W-2", state="finished")
    numbered(bay, "W-3", state="signed off")
    assert listing.open_orders(bay.van) == ([started], [finished])


def test_late_records_wait_for_who_signs_off(bay: Bay) -> None:
    here = [bay.van.depot]
    later = numbered(bay, "W-1", state="signed off", late_since=NOW)
    first = numbered(bay, "W-2", state="signed off", late_since=NOW - timedelta(days=1))
    numbered(bay, "W-3", state="signed off")
    assert list(listing.orders_with_late_records(here, bay.supervisor)) == [first, later]
    assert list(listing.orders_with_late_records(here, bay.mechanic)) == []


@pytest.mark.parametrize(
    ("day", "who", "where", "lacks"),
    [
        (True, True, "own workshop", False),
        (True, False, "own workshop", True),
        (False, True, "own workshop", True),
        (False, False, "own workshop", True),
        (False, False, "outside workshop", False),  # which has its own days and people
    ],
)
def test_what_lacks_a_day_or_a_mechanic_is_not_planned(
    bay: Bay, day: bool, who: bool, where: str, lacks: bool
) -> None:
    order = numbered(
        bay, "W-1", where=where, planned_on=TODAY if day else None,
        assigned_to=bay.mechanic if who else None,
    )  # fmt: skip
    assert listing.unplanned([order]) == ([order] if lacks else [])
