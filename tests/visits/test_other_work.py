"""Other work on a vehicle: entered and corrected, planned with services, carried to the order."""

from datetime import date, timedelta

import pytest

from fleet.due.models import Service
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.vehicles.models import Vehicle
from fleet.visits import moves, other_work
from fleet.visits.board import blocks_of
from fleet.visits.listing import service_rows
from fleet.visits.models import Bay, Mechanic, OtherWork, Plan, PlannedService, Visit
from fleet.visits.other_work import Given, open_work
from fleet.visits.publish import Outcome, publish
from fleet.visits.work_rows import work_rows
from fleet.workorders import progress
from fleet.workorders.models import Finding, Job, WorkOrder
from tests import scene
from tests.cast import person
from tests.scene import NOW
from tests.visits.depot import TODAY, fleet, planned

pytestmark = pytest.mark.django_db


def ahead(days: int) -> date:
    return TODAY + timedelta(days=days)


def enter(actor: Actor, van: Vehicle, **given: object) -> OtherWork:
    values = {"kind": "inspection", "title": "Yearly inspection", "minutes": 60, **given}
    return other_work.enter(actor, van, Given(**values))  # type: ignore[arg-type]


def row(found: Plan, work: OtherWork) -> PlannedService:
    return found.services.get(work=work)


def published(actor: Actor, found: Plan) -> list[Outcome]:
    return publish(actor, found.pk, visit_ids=found.visits.values_list("pk", flat=True))


def jobs_in_words(order: WorkOrder) -> set[tuple[str, int]]:
    return {(job.title, job.minutes) for job in order.jobs.filter(service=None)}


def state(work: OtherWork) -> tuple[str, str]:
    (told,) = work_rows(OtherWork.objects.filter(pk=work.pk))
    return told.state, told.order


# --- entered and corrected -----------------------------------------------------------------
def test_who_entered_it_is_kept(chief: Actor) -> None:
    work = enter(chief, scene.van(), kind="recall", title="Belt tensioner", number=" R-77 ")
    assert (work.entered_by, work.entered_at) == (chief.person, NOW)
    assert str(work) == "Belt tensioner (R-77)"


@pytest.mark.parametrize(
    ("given", "about"),
    [
        ({"title": "  "}, "title"),
        ({"minutes": 0}, "minutes"),
        ({"minutes": 1_441}, "minutes"),
        ({"kind": "recall"}, "number"),
        ({"kind": "finding"}, "kind"),
        ({"fixed_on": date(2026, 6, 14)}, "fixed_on"),
        ({"fixed_on": date(2026, 6, 20), "latest_on": date(2026, 6, 20)}, "latest_on"),
    ],
)
def test_what_is_missing_is_asked_for(chief: Actor, given: dict[str, object], about: str) -> None:
    with pytest.raises(Fault) as fault:
        enter(chief, scene.van(), **given)
    assert fault.value.about == about
    assert not OtherWork.objects.exists()


def test_a_mechanic_enters_none() -> None:
    mechanic = Actor(person("Mika", Role.MECHANIC, scene.depot()), "page", NOW)
    with pytest.raises(Forbidden):
        enter(mechanic, scene.van())


def test_a_correction_keeps_what_it_was(chief: Actor) -> None:
    work = enter(chief, scene.van())
    given = Given("tyres", "Winter tyres", 45, skills=["tyres", " "])
    for _ in range(2):  # the second changes nothing
        other_work.correct(chief, work.pk, given)
    work.refresh_from_db()
    assert (work.kind, work.title, work.minutes, work.skills) == (
        "tyres", "Winter tyres", 45, ["tyres"],
    )  # fmt: skip
    assert [one.title for one in work.history.order_by("history_id")] == [
        "Yearly inspection",
        "Winter tyres",
    ]


def test_it_is_ended_by_hand_and_taken_back(chief: Actor) -> None:
    work = enter(chief, scene.van())
    with pytest.raises(Fault, match="why"):
        other_work.end(chief, work.pk, ending="cancelled")
    with pytest.raises(Fault, match="to come"):
        other_work.end(chief, work.pk, ending="done", on=ahead(1))
    other_work.end(chief, work.pk, ending="done", on=ahead(-2))
    (told,) = work_rows(OtherWork.objects.all())
    assert (told.state, told.ended_on) == ("done", ahead(-2))
    with pytest.raises(Refused, match="ended already"):
        other_work.end(chief, work.pk, ending="cancelled", reason="sold")
    other_work.reopen(chief, work.pk)
    assert state(work) == ("open", "")
    with pytest.raises(Refused, match="not ended by hand"):
        other_work.reopen(chief, work.pk)


# --- planned -------------------------------------------------------------------------------
def test_services_join_the_visit_of_a_fixed_day(chief: Actor) -> None:
    # by hand: five days early cost 5 · 90/200 = 2.25, a visit of its own 50
    (van,) = fleet({"V-1": (10,)})
    work = enter(chief, van, fixed_on=ahead(4))
    found = planned()
    (visit,) = found.visits.all()
    assert (visit.on, visit.held, visit.locked) == (ahead(4), True, True)
    # set-up 20, inspection 60, gearbox without a book 30
    assert (visit.minutes, visit.work_min) == (110, 110)
    assert {one.name for one in visit.services.all()} == {"Yearly inspection", "Gearbox oil"}
    assert (row(found, work).wanted_on, row(found, work).reason) == (ahead(4), "its day stands")


def test_a_fixed_day_makes_a_visit_where_nothing_is_due(chief: Actor) -> None:
    work = enter(chief, scene.van(), fixed_on=ahead(30))
    found = planned()
    assert [visit.on for visit in found.visits.all()] == [ahead(30)]
    enter(chief, scene.van("V-2"), fixed_on=ahead(80), title="beyond the plan")
    assert planned().visits.count() == 1
    assert row(found, work).late_d == 0


def test_work_with_a_latest_day_is_done_by_then(chief: Actor) -> None:
    # alone it is worth a visit: 36 working days late at 40 are more than 50
    work = enter(chief, scene.van(), latest_on=ahead(18))
    found = row(planned(), work)
    assert found.visit is not None
    assert found.visit.on <= ahead(18)
    assert (found.late_d, found.wanted_on, found.reason) == (0, ahead(18), "on time")


def test_a_fixed_day_that_passed_is_due_at_once(chief: Actor) -> None:
    work = enter(chief, scene.van(), fixed_on=TODAY)
    later = row(planned(ahead(2)), work)
    assert later.visit is not None
    # due by the end of the 15th, done on the 17th: two days late
    assert (later.visit.on, later.late_d, later.wanted_on) == (ahead(2), 2, ahead(2))


def test_work_without_a_day_waits_for_a_visit_and_joins_it(chief: Actor) -> None:
    van = scene.van()
    work = enter(chief, van, kind="other", title="Fit a tow bar")
    alone = row(planned(), work)
    assert (alone.visit, alone.reason) == (None, "left out")
    enter(chief, van, fixed_on=ahead(9))
    joined = row(planned(), work)
    assert joined.visit is not None
    assert joined.visit.on == ahead(9)


def test_it_asks_for_its_skill(chief: Actor) -> None:
    for name, skills, works_on in (("Ada", [], "1111100"), ("Bo", ["gas"], "0000100")):
        Mechanic.objects.create(
            depot=scene.depot(), name=name, skills=skills, works_on=works_on, source="invented"
        )
    Bay.objects.create(depot=scene.depot(), name="Bay 1", source="invented")
    work = enter(chief, scene.van(), latest_on=ahead(11), skills=["gas"])
    visit = row(planned(), work).visit
    assert visit is not None
    assert (visit.on.weekday(), visit.mechanic) == (4, "Bo")


def test_what_ended_is_planned_no_more(chief: Actor) -> None:
    work = enter(chief, scene.van(), fixed_on=ahead(3))
    assert planned().visits.count() == 1
    other_work.end(chief, work.pk, ending="cancelled", reason="sold")
    assert planned().visits.count() == 0


def test_the_same_work_gives_the_same_plan(chief: Actor) -> None:
    enter(chief, scene.van(), latest_on=ahead(18))
    first = planned()
    assert planned().pk == first.pk
    OtherWork.objects.update(minutes=90)
    assert planned().pk != first.pk


def test_moving_its_visit_moves_a_fixed_day(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    work = enter(chief, van, fixed_on=ahead(4))
    found = planned()
    moves.move(chief, found.pk, found.visits.get().pk, on=ahead(7), version=1)
    work.refresh_from_db()
    assert work.fixed_on == ahead(7)
    assert [visit.on for visit in planned().visits.all()] == [ahead(7)]


# --- on the order --------------------------------------------------------------------------
def test_publishing_carries_it_to_the_order_in_words(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    work = enter(chief, van, kind="recall", title="Belt", number="R-77", fixed_on=ahead(4))
    (told,) = published(chief, planned())
    order = WorkOrder.objects.get(number=told.number)
    assert jobs_in_words(order) == {("Belt (R-77)", 60)}
    assert order.planned_on == ahead(4)
    assert state(work) == ("on order", order.number)
    with pytest.raises(Refused, match=order.number):
        other_work.correct(chief, work.pk, Given("tyres", "other", 5))
    with pytest.raises(Refused, match=order.number):
        other_work.end(chief, work.pk, ending="done")


def test_publishing_it_twice_makes_one_job(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    enter(chief, van, fixed_on=ahead(4))
    found = planned()
    published(chief, found)
    assert not any(one.done for one in published(chief, found))
    again = planned()
    assert not any(one.done for one in published(chief, again))
    assert Job.objects.filter(service=None).count() == 1
    # the order counts it once: set-up 20, inspection 60, gearbox without a book 30 as before
    assert again.visits.get().minutes == 110
    assert {one.name for one in again.services.all()} == {"Yearly inspection", "Gearbox oil"}


def test_it_joins_an_order_that_is_there(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    order = WorkOrder.objects.create(number="W-1", vehicle=van, depot=van.depot)
    Job.objects.create(order=order, vehicle=van, service=Service.objects.get(slug="gearbox-oil"),
                       title="Gearbox oil", minutes=45)  # fmt: skip
    work = enter(chief, van, latest_on=ahead(12))
    (told,) = published(chief, planned())
    assert told.number == "W-1"
    assert state(work) == ("on order", "W-1")
    assert jobs_in_words(order) == {("Yearly inspection", 60)}


def test_done_on_the_order_it_is_done(chief: Actor) -> None:
    work = enter(chief, scene.van(), fixed_on=ahead(4))
    found = planned()
    published(chief, found)
    Job.objects.update(state=Job.State.DONE, ended_at=NOW + timedelta(days=4))
    (told,) = work_rows(OtherWork.objects.all())
    assert (told.state, told.ended_on) == ("done", ahead(4))
    assert not open_work().exists()
    (block,) = blocks_of(found, TODAY)
    assert block.state == "done"
    assert planned().visits.count() == 0
    assert work.pk == told.id


def test_a_cancelled_order_leaves_it_open(chief: Actor) -> None:
    work = enter(chief, scene.van(), fixed_on=ahead(4))
    (told,) = published(chief, planned())
    order = WorkOrder.objects.get(number=told.number)
    progress.cancel(chief, order.pk, reason="not today")
    assert state(work) == ("open", "")
    (again,) = published(chief, planned())
    assert again.number != order.number
    assert state(work) == ("on order", again.number)


def test_what_was_ended_meanwhile_is_not_published(chief: Actor) -> None:
    work = enter(chief, scene.van(), fixed_on=ahead(4))
    found = planned()
    other_work.end(chief, work.pk, ending="done")
    (told,) = published(chief, found)
    assert "ended meanwhile" in str(told.refusal)
    assert not WorkOrder.objects.exists()


def test_the_visit_tells_its_words(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    enter(chief, van, fixed_on=ahead(4))
    found = planned()
    (work,) = [one for one in service_rows(found) if one.other_work]
    assert (work.work_min, work.work_jobs) == (60, 0)
    (block,) = blocks_of(found, TODAY)
    assert ([one.name for one in block.services], block.state) == (
        ["Yearly inspection", "Gearbox oil"], "proposed",
    )  # fmt: skip
    published(chief, found)
    (block,) = blocks_of(planned(), TODAY)
    assert block.state == "published"
    assert not block.others
    rows = service_rows(planned())
    assert {(one.service, one.other_work is not None) for one in rows} == {
        ("Yearly inspection", True), ("Gearbox oil", False),
    }  # fmt: skip
    assert Visit.objects.filter(plan=found).count() == 1


# --- findings ------------------------------------------------------------------------------
def finding(van: Vehicle, severity: str) -> OtherWork:
    seen = Finding.objects.create(
        vehicle=van, kind="seep", severity=severity, text="damp at the plug.", performed_at=NOW,
        client_key=f"damp-{severity}",
    )  # fmt: skip
    return OtherWork.objects.get(finding=seen)


@pytest.mark.parametrize(
    ("severity", "latest_on"), [("before use", TODAY), ("soon", ahead(14)), ("watch", None)]
)
def test_a_finding_wants_its_day(severity: str, latest_on: date | None) -> None:
    work = finding(scene.van(), severity)
    assert (work.kind, work.title, work.latest_on) == (
        "finding", "seep: damp at the plug", latest_on,
    )  # fmt: skip


def test_before_use_comes_in_at_once() -> None:
    work = finding(scene.van(), "before use")
    visit = row(planned(), work).visit
    assert visit is not None
    assert visit.on == TODAY


def test_what_is_watched_joins_a_visit_and_makes_none(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    other = scene.van("V-2")
    watched = finding(van, "watch")
    assert row(planned(), watched).visit is not None
    seen = Finding.objects.create(
        vehicle=other, kind="noise", severity="watch", text="hum", performed_at=NOW,
        client_key="hum-1",
    )  # fmt: skip
    assert planned().services.get(work__finding=seen).visit is None


def test_a_finding_is_published_as_its_follow_up(chief: Actor) -> None:
    work = finding(scene.van(), "soon")
    (told,) = published(chief, planned())
    order = WorkOrder.objects.get(number=told.number)
    assert order.follows == work.finding
    assert [job.title for job in order.jobs.all()] == ["seep: damp at the plug"]


def test_a_finding_closed_or_followed_up_is_planned_once(chief: Actor) -> None:
    van = scene.van()
    work = finding(van, "soon")
    order = WorkOrder.objects.create(
        number="W-9", vehicle=van, depot=van.depot, follows=work.finding, planned_on=ahead(3)
    )
    job = Job.objects.create(order=order, vehicle=van, title="Seal the plug", minutes=25)
    found = planned()
    assert [(visit.on, visit.minutes) for visit in found.visits.all()] == [(ahead(3), 45)]
    assert state(work) == ("on order", "W-9")
    Job.objects.filter(pk=job.pk).update(state=Job.State.DONE, ended_at=NOW)
    assert not open_work().exists()
    Job.objects.all().delete()
    Finding.objects.update(closed_at=NOW, closed_reason="wiped, dry")
    (told,) = work_rows(OtherWork.objects.all())
    assert (told.state, told.reason) == ("done", "wiped, dry")
