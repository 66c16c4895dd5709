"""What stands beside orders, who is offered which wrench, and what a card and a pack name."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from fleet.faults import Fault, Forbidden, Question, Refused
from fleet.people.models import Role
from fleet.stores.models import Item, StockMove
from fleet.today import today_at
from fleet.workorders import ending, escalate, progress, withdraw
from fleet.workorders.cardfluids import supplies
from fleet.workorders.ending import AtFinish
from fleet.workorders.fluid_for import _day_of
from fleet.workorders.fluids_in import approve_substitute
from fleet.workorders.glance import Draft, glance
from fleet.workorders.models import (
    DoNotUse,
    Escalation,
    Evidence,
    Finding,
    Job,
    TorqueRecord,
    WorkOrder,
    Wrench,
)
from fleet.workorders.torques import Tightened, preset_wrench, torque
from tests import scene
from tests.cast import person
from tests.kept import kept
from tests.scene import NOW
from tests.stores import shelf
from tests.workorders.conftest import Bay
from tests.workorders.test_booking import Shop, shop
from tests.workorders.wheels import Workshop, workshop

__all__ = ["shop"]
pytestmark = pytest.mark.django_db
TODAY = NOW.date()


# --- beside the list ---------------------------------------------------------------------------
def test_who_releases_is_told_of_drafts_and_mechanics_and_nobody_else(bay: Bay) -> None:
    order, here = bay.order(), bay.van.depot
    progress.plan(bay.actor(), order.pk, planned_on=TODAY)
    nameless = person("Nils", Role.MECHANIC, here)
    type(nameless).objects.filter(pk=nameless.pk).update(first_name="")
    every = WorkOrder.objects.all()
    found = glance({here.pk: TODAY}, [here], bay.supervisor, TODAY, TODAY, listed=every)
    assert found.week == [Draft(order.number, bay.van.fleet_number, 2, TODAY)]
    named = {bay.mechanic.pk: "Mika", nameless.pk: "nils"}
    assert {pk: name for pk, name in found.mechanics if pk in named} == named
    assert found.states == {
        **dict.fromkeys(("released", "started", "waiting", "finished"), 0),
        "drafted": 1,
    }
    told = glance({here.pk: TODAY}, [here], bay.supervisor, TODAY, TODAY, listed=None)
    assert (told.drafts, told.mechanics) == ([], [])
    assert told.overdue_count == len(told.overdue) + told.overdue_more


def test_months_and_what_waits_are_counted(bay: Bay, job: Job) -> None:
    here = bay.van.depot
    progress.end_job(bay.actor(bay.mechanic), job.pk, state="done", because="tried here")
    said = AtFinish(odometer=23_350, fit_for_use="yes")
    ending.finish(bay.actor(bay.mechanic), job.order_id, said)
    Evidence.objects.update(within_limit=False, within_tolerance=True)
    first = date(2026, 6, 1)
    found = glance({here.pk: TODAY}, [here], bay.supervisor, TODAY, first, listed=None)
    (month,) = found.months
    assert (month.month_on, month.done, month.within_tolerance, month.within_limit) == (
        *(first, 1, 1, 0),
    )
    Job.objects.update(returned=True)
    WorkOrder.objects.update(late_since=NOW)
    found = glance({here.pk: TODAY}, [here], bay.supervisor, TODAY, first, listed=None)
    assert found.waiting == {"returned": 1, "late records": 1}


# --- questions ---------------------------------------------------------------------------------
def asked(bay: Bay) -> Escalation:
    return Escalation.objects.create(
        vehicle=bay.van, service=bay.oil, stage="supervisor", since_on=TODAY
    )


def test_a_question_is_answered_with_a_word_and_a_reason(bay: Bay) -> None:
    row = asked(bay)
    for pk, given, reason, words in (
        (999, "planned", "parts come", "no such question 999"),
        (row.pk, "perhaps", "parts come", "with a reason"),
        (row.pk, "planned", " ", "with a reason"),
    ):
        with pytest.raises(Fault, match=words):
            escalate.answer(bay.actor(), pk, given=given, reason=reason)
    with pytest.raises(Forbidden):
        escalate.answer(bay.actor(bay.mechanic), row.pk, given="planned", reason="parts come")
    told = escalate.answer_many(bay.actor(), [row.pk, 999], given="planned", reason=" parts come ")
    assert told[row.pk] is None
    assert str(told[999]) == "There is no such question 999."
    row.refresh_from_db()
    assert (row.answer, row.reason, row.answered_by) == ("planned", "parts come", bay.supervisor)
    assert row.answered_at == NOW
    assert not DoNotUse.objects.exists()
    with pytest.raises(Refused, match="answered already"):
        escalate.answer(bay.actor(), row.pk, given="planned", reason="parts come")


def test_the_longest_late_is_asked_about_first_with_its_order(bay: Bay) -> None:
    here = [bay.van.depot_id]
    order, row = bay.order(), asked(bay)
    other = Escalation.objects.create(
        vehicle=scene.van("V-2"), service=bay.oil, stage="supervisor", since_on=TODAY
    )
    found = list(escalate.asked_about(here))
    assert found == [row, other]  # of the second nobody knows since when
    assert found[0].order_list == [[order.number, "drafted", None]]  # type: ignore[attr-defined]
    assert found[1].order_list is None  # type: ignore[attr-defined]


# --- wrenches ----------------------------------------------------------------------------------
def test_the_wrench_that_a_person_used_last_is_offered_else_the_only_one(
    bay: Bay, job: Job
) -> None:
    for tag in ("A-1", "B-2"):
        Wrench.objects.create(depot=bay.van.depot, tag=tag, calibrated_until_on=TODAY)
    both, me = ["A-1", "B-2"], bay.mechanic
    assert preset_wrench(me, job.order, both) == ""
    assert preset_wrench(me, job.order, ["B-2"]) == "B-2"
    assert preset_wrench(me, job.order, []) == ""
    for at, tag in enumerate(("B-2", "A-1")):
        told = Tightened(fastener="drain-plug", client_key=f"torque-{at}", wrench=tag)
        torque(bay.actor(me), job.pk, replace(told, override_reason="once more"))
    assert preset_wrench(me, job.order, both) == "A-1"
    assert preset_wrench(bay.supervisor, job.order, both) == ""
    assert preset_wrench(me, job.order, ["B-2"]) == "B-2"
    TorqueRecord.objects.filter(wrench__tag="A-1").update(withdrawn_by=me)
    assert preset_wrench(me, job.order, both) == "B-2"


def test_a_wrench_that_is_past_its_day_is_asked_about_and_others_are_named(
    bay: Bay, job: Job
) -> None:
    for tag, days in (("OLD", -1), ("A-1", 0), ("B-2", -9)):
        until_on = TODAY + timedelta(days=days)
        Wrench.objects.create(depot=bay.van.depot, tag=tag, calibrated_until_on=until_on)
    told = Tightened(fastener="drain-plug", client_key="torque-1", wrench="OLD")
    with pytest.raises(Question, match="OLD ended on 2026-06-14. Was it really used") as doubt:
        torque(bay.actor(bay.mechanic), job.pk, told)
    assert doubt.value.candidates == ("A-1: calibrated until 2026-06-15",)
    assert (doubt.value.about, doubt.value.yes) == ("wrench", "wrench OLD was really used")
    torque(bay.actor(bay.mechanic), job.pk, replace(told, wrench="A-1"))


# --- card and pack -----------------------------------------------------------------------------
def test_a_card_accepts_what_was_approved_for_its_job(shop: Shop) -> None:
    other = shelf.product("other")
    worked = [(shop.order, shop.job)]
    before = supplies(worked).fluid(shop.order, shop.job)
    assert before is not None
    assert [one.slug for one in before.accepted] == ["gear-75w90"]
    approve_substitute(
        shop.bay.actor(), compartment=shop.bay.oil.compartment, product=other, reason="none left",
        source="bulletin", depot_id=shop.bay.van.depot_id, job=shop.job,
    )  # fmt: skip
    found = supplies(worked).fluid(shop.order, shop.job)
    assert found is not None
    assert [one.slug for one in found.accepted] == ["gear-75w90", "other"]
    bare = Job.objects.create(order=shop.order, vehicle=shop.bay.van, title="Mirror")
    assert supplies([(shop.order, bare)]).fluid(shop.order, bare) is None


def test_the_rest_of_a_pack_is_written_off_with_why(shop: Shop) -> None:
    shop.oil.draw, shop.oil.hygroscopic = Item.Draw.WHOLE_PACKS, True
    shop.oil.save()
    shop.pour(1.45)
    shop.finish()
    told = dict(StockMove.objects.filter(item=shop.oil).values_list("kind", "reason"))
    assert told == {
        "used": "as recorded",
        "written off": "rest of an opened pack, which is not kept for another job",
    }
    withdraw.withdraw(shop.mechanic, shop.order.pk, shop.job.fluids.get(), reason="other van")
    newest = StockMove.objects.filter(item=shop.oil).order_by("-pk")
    assert {row.reason for row in newest if row.quantity > 0} <= {
        f"{shop.order.number} was corrected",
    }


@pytest.mark.parametrize(
    ("where", "jobs"),
    # the gearbox is the second job's; what belongs to no job's compartment stands with the first
    [("gearbox", [False, True]), ("engine", [True, False]), (None, [True, False])],
)
def test_every_finding_of_an_order_is_frozen_with_one_of_its_jobs(
    bay: Bay, job: Job, where: str | None, jobs: list[bool]
) -> None:
    order = job.order
    Job.objects.filter(pk=job.pk).delete()
    first = Job.objects.create(order=order, vehicle=bay.van, title="Mirror", minutes=5)
    second = Job.objects.create(
        order=order, vehicle=bay.van, service=bay.oil, title="Gearbox oil", minutes=5
    )
    place = bay.oil.vehicle_type.compartments.get(slug=where) if where else None
    Finding.objects.create(
        vehicle=bay.van, order=order, compartment=place, kind="seep", severity="watch",
        text="damp", found_by="mechanic", client_key="seep-0001", performed_at=NOW, channel="t",
    )  # fmt: skip
    actor = bay.actor(bay.mechanic)
    for one in (first, second):
        progress.end_job(actor, one.pk, state="done", because="tried here")
    ending.finish(actor, order.pk, AtFinish(odometer=23_350, fit_for_use="yes"))
    kept_with = [bool(Evidence.objects.get(job=one).facts["findings"]) for one in (first, second)]
    assert kept_with == jobs


@pytest.mark.parametrize(("planned", "later"), [(None, 0), (-3, 0), (0, 0), (5, 5)])
def test_what_goes_in_is_that_of_the_day_of_the_work(planned: int | None, later: int) -> None:
    depot = scene.depot()
    today = today_at(depot.zone)
    order = WorkOrder(depot=depot)
    order.planned_on = None if planned is None else today + timedelta(days=planned)
    assert _day_of(order) == today + timedelta(days=later)
    order.finished_at = NOW
    assert _day_of(order) == TODAY


# --- too early ---------------------------------------------------------------------------------
@kept
def wheels(bay: Bay) -> Workshop:
    return workshop(bay)


def test_a_re_check_that_comes_early_tells_the_minutes_since(wheels: Workshop) -> None:
    rule = wheels.rule(to_km=None, from_km=None, after_min=30, points=[])
    wheels.changed()
    job = wheels.again(rule, minutes=12)
    with pytest.raises(Question, match="is wanted after 30 min standing; it is 12 min since"):
        wheels.confirmed(job, "early", wheels.at(minutes=12.9), rule="wheels")
