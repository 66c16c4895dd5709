"""Publishing a plan: drafts get the plan's day and mechanic; nothing else moves by itself."""

from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.due.models import DueDate, Service, ServiceDone
from fleet.faults import Forbidden, Refused, Stale
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.vehicles.models import Closure
from fleet.visits.models import PlanEvent, Visit
from fleet.visits.publish import publish
from fleet.workorders import progress
from fleet.workorders.models import Finding, Job, OrderEvent, WorkOrder
from tests import scene
from tests.cast import person
from tests.scene import NOW
from tests.visits.depot import TODAY, fleet, planned
from tests.visits.publishing import draft, jobs, kinds, published

pytestmark = pytest.mark.django_db
State = WorkOrder.State


def test_a_drafted_order_gets_the_day_and_stays_drafted(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    order = draft("W-1", "V-1", "gearbox-oil")
    found = planned()
    (told,) = published(chief, found)
    order.refresh_from_db()
    assert (order.planned_on, order.state) == (found.visits.get().on, State.DRAFTED)
    assert (told.number, told.refusal, told.version) == ("W-1", None, order.version)
    assert kinds(order) == ["plan"]


def test_publishing_again_does_nothing(chief: Actor) -> None:
    fleet({"V-1": (10, 12), "V-2": (20,)})
    draft("W-1", "V-1", "gearbox-oil")
    found = planned()
    published(chief, found)
    rows = list(WorkOrder.objects.order_by("pk").values())
    events = OrderEvent.objects.count()
    again = published(chief, found)
    assert all(one.done == () and one.refusal is None for one in again)
    assert list(WorkOrder.objects.order_by("pk").values()) == rows
    assert OrderEvent.objects.count() == events


@pytest.mark.parametrize("dry", [True, False])
def test_a_day_closed_since_the_plan_was_made_is_said(chief: Actor, dry: bool) -> None:
    fleet({"V-1": (10,), "V-2": (40,)})
    found = planned()
    visit = found.visits.get(vehicle__fleet_number="V-1")
    Closure.objects.create(depot=found.depot, on=visit.on, note="stocktaking")
    told = {one.vehicle: one for one in published(chief, found, dry=dry)}
    why = told["V-1"].unfit
    day = f"{visit.on.day} {visit.on:%b %Y}"
    assert f"V-1 stands on {day}, when the workshop is closed (stocktaking)" in why
    assert (told["V-1"].refusal, told["V-2"].unfit) == (None, "")
    visit.refresh_from_db()
    assert (visit.unfit == why) is not dry


def test_publishing_again_with_the_versions_first_seen_does_nothing(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    order = draft("W-1", "V-1", "gearbox-oil")
    found = planned()
    for _ in range(2):
        (told,) = published(chief, found, orders={order.pk: 1})
        assert told.refusal is None


def test_what_has_no_order_yet_is_drafted(chief: Actor) -> None:
    fleet({"V-1": (10, 12)})
    found = planned()
    (told,) = published(chief, found)
    order = WorkOrder.objects.get(number=told.number)
    assert (order.state, order.planned_on) == (State.DRAFTED, found.visits.get().on)
    assert jobs(order) == {"gearbox-oil", "engine-oil"}


def test_jobs_of_two_drafts_move_onto_the_oldest_and_are_never_double(chief: Actor) -> None:
    fleet({"V-1": (10, 12)})
    first, second = draft("W-1", "V-1", "gearbox-oil"), draft("W-2", "V-1", "engine-oil")
    published(chief, planned())
    second.refresh_from_db()
    assert jobs(first) == {"gearbox-oil", "engine-oil"}
    assert (second.state, jobs(second)) == (State.CANCELLED, set())
    assert Job.objects.count() == 2
    assert (kinds(first), kinds(second)) == (["add jobs", "plan"], ["cancel"])


def test_a_draft_whose_day_has_passed_gets_the_day_of_its_visit(chief: Actor) -> None:
    """The plan has what is left over on the next day of work; no day by hand stands against it."""
    fleet({"V-1": (10,)})
    order = draft("W-1", "V-1", "gearbox-oil", on=TODAY - timedelta(days=3))
    found = planned()
    assert found.visits.get().on == TODAY
    (told,) = published(chief, found)
    order.refresh_from_db()
    assert (told.refusal, order.planned_on) == (None, TODAY)
    before = TODAY - timedelta(days=3)
    assert told.done == (
        f"planned for {TODAY.day} {TODAY:%b %Y} instead of {before.day} {before:%b %Y}",
    )


def test_what_the_plan_does_on_another_visit_goes_on_a_draft_of_its_own(chief: Actor) -> None:
    fleet({"V-1": (3, 50)})
    order = draft("W-1", "V-1", "gearbox-oil", "engine-oil")
    found = planned()
    assert found.visits.count() == 2  # by hand: 47 days early cost more than a visit
    published(chief, found)
    assert jobs(order) == {"gearbox-oil"}
    other = WorkOrder.objects.exclude(pk=order.pk).get()
    assert jobs(other) == {"engine-oil"}
    by_day = dict(found.visits.values_list("services__service__slug", "on"))
    order.refresh_from_db()
    assert [order.planned_on, other.planned_on] == [by_day["gearbox-oil"], by_day["engine-oil"]]


def test_the_other_visit_keeps_no_day_while_it_is_not_published(chief: Actor) -> None:
    fleet({"V-1": (3, 50)})
    order = draft("W-1", "V-1", "gearbox-oil", "engine-oil")
    found = planned()
    near = found.visits.order_by("on")[0]
    publish(chief, found.pk, visit_ids=[near.pk])
    other = WorkOrder.objects.exclude(pk=order.pk).get()
    assert (other.state, other.planned_on) == (State.DRAFTED, None)


def test_a_released_order_without_a_day_moves_only_when_named(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    order = draft("W-1", "V-1", "gearbox-oil", state=State.RELEASED)
    found = planned()
    (told,) = published(chief, found)
    assert isinstance(told.refusal, Refused)
    order.refresh_from_db()
    assert order.planned_on is None
    (told,) = published(chief, found, released=[order.pk])
    order.refresh_from_db()
    assert (told.refusal, order.state, order.planned_on) == (
        None, State.RELEASED, found.visits.get().on,
    )  # fmt: skip


@pytest.mark.parametrize("state", [State.STARTED, State.WAITING])
def test_a_started_order_never_moves(chief: Actor, state: str) -> None:
    fleet({"V-1": (10,)})
    order = draft("W-1", "V-1", "gearbox-oil")
    found = planned()
    WorkOrder.objects.filter(pk=order.pk).update(state=state)
    (told,) = published(chief, found, released=[order.pk])
    order.refresh_from_db()
    assert (told.done, order.planned_on, order.version) == ((), None, 1)


def test_a_day_set_by_hand_since_the_plan_was_made_is_kept(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    order = draft("W-1", "V-1", "gearbox-oil")
    found = planned()
    on = found.visits.get().on + timedelta(days=7)
    progress.plan(chief, order.pk, planned_on=on)
    (told,) = published(chief, found)
    order.refresh_from_db()
    assert isinstance(told.refusal, Refused)
    assert order.planned_on == on


def test_an_order_changed_since_it_was_seen_is_told_and_the_others_go_on(chief: Actor) -> None:
    fleet({"V-1": (10,), "V-2": (20,)})
    first, second = draft("W-1", "V-1", "gearbox-oil"), draft("W-2", "V-2", "gearbox-oil")
    found = planned()
    progress.assign(chief, first.pk, person=chief.person)
    told = published(chief, found, orders={first.pk: 1, second.pk: 1})
    assert [(one.number, type(one.refusal)) for one in told] == [
        ("W-1", Stale), ("W-2", type(None)),
    ]  # fmt: skip
    first.refresh_from_db()
    assert first.planned_on is None


def test_an_order_that_nobody_has_seen_is_new_since_then(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    draft("W-1", "V-1", "gearbox-oil")
    (told,) = published(chief, planned(), orders={})
    assert isinstance(told.refusal, Stale)


def test_a_visit_is_published_whole_or_not_at_all(chief: Actor) -> None:
    fleet({"V-1": (10, 12)})
    first = draft("W-1", "V-1", "gearbox-oil")
    second = draft("W-2", "V-1", "engine-oil", state=State.RELEASED)
    published(chief, planned(), orders={first.pk: 1, second.pk: 1})
    first.refresh_from_db()
    assert (first.planned_on, first.version) == (None, 1)
    assert not OrderEvent.objects.exists()


def test_a_plan_that_is_no_longer_the_newest_is_refused(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    old = planned()
    DueDate.objects.filter(vehicle=van).update(km_p50=TODAY + timedelta(days=20))
    assert planned().pk != old.pk
    with pytest.raises(Stale):
        published(chief, old)


def test_a_plan_that_was_changed_since_it_was_seen_is_refused(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    found = planned()
    with pytest.raises(Stale):
        published(chief, found, version=found.version + 1)


def test_who_may_not_release_may_not_publish(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    found = planned()
    for who in (person("Vito", Role.VIEWER, scene.depot()), person("Otto", Role.SUPERVISOR)):
        with pytest.raises(Forbidden):
            published(replace(chief, person=who), found)


def test_a_dry_run_tells_the_same_and_changes_nothing(chief: Actor) -> None:
    fleet({"V-1": (10, 12), "V-2": (20,)})
    draft("W-1", "V-1", "gearbox-oil")
    found = planned()
    dry = published(chief, found, dry=True)
    assert not OrderEvent.objects.exists()
    assert WorkOrder.objects.count() == 1
    real = published(chief, found)
    assert [(one.vehicle, one.on, one.done) for one in dry] == [
        (one.vehicle, one.on, one.done) for one in real
    ]
    assert [one.number for one in dry] == ["W-1", ""]


def test_a_published_day_holds_when_planned_again(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    first = planned()
    published(chief, first)
    DueDate.objects.filter(vehicle=van).update(km_p50=TODAY + timedelta(days=30))
    again = planned()
    assert (again.visits.get().on, again.visits.get().held) == (first.visits.get().on, True)


def test_a_draft_that_follows_a_finding_stays_whole_and_gets_the_day(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10, 12)})
    seen = Finding.objects.create(
        vehicle=van, kind="seep", severity="watch", text="damp", performed_at=NOW,
        client_key="damp-001",
    )  # fmt: skip
    first = draft("W-1", "V-1", "gearbox-oil")
    second = draft("W-2", "V-1", "engine-oil", follows=seen)
    found = planned()
    published(chief, found)
    for order, own in ((first, {"gearbox-oil"}), (second, {"engine-oil"})):
        order.refresh_from_db()
        assert (jobs(order), order.planned_on) == (own, found.visits.get().on)


def test_a_vehicle_that_went_to_another_depot_is_left_alone(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    found = planned()
    van.depot = scene.depot("hill")
    van.save()
    (told,) = published(chief, found)
    assert isinstance(told.refusal, Refused)
    assert not WorkOrder.objects.exists()


def test_a_vehicle_off_the_road_is_left_alone(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    found = planned()
    van.status = van.Status.OFF_ROAD
    van.save()
    (told,) = published(chief, found)
    assert isinstance(told.refusal, Refused)


def test_a_service_recorded_since_the_plan_was_made_is_not_drafted_again(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    found = planned()
    ServiceDone.objects.create(
        vehicle=van, service=Service.objects.get(slug="gearbox-oil"), done_on=TODAY,
        evidence="invoice", source="an invoice",
    )  # fmt: skip
    (told,) = published(chief, found)
    assert isinstance(told.refusal, Refused)
    assert not WorkOrder.objects.exists()


def test_a_day_that_is_past_is_not_published(chief: Actor) -> None:
    fleet({"V-1": (3,)})
    found = planned()
    later = replace(chief, now=NOW + timedelta(days=30))
    (told,) = published(later, found)
    assert isinstance(told.refusal, Refused)


def test_what_joins_an_order_of_the_day_is_put_on_it(chief: Actor) -> None:
    fleet({"V-1": (10, 12)})
    on = TODAY + timedelta(days=9)
    order = draft("W-1", "V-1", "gearbox-oil", on=on)
    found = planned()
    assert found.visits.get().on == on
    published(chief, found)
    assert jobs(order) == {"gearbox-oil", "engine-oil"}
    assert WorkOrder.objects.count() == 1


def test_an_order_of_an_outside_workshop_is_told_of(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    draft("W-1", "V-1", "gearbox-oil", where=WorkOrder.Where.OUTSIDE)
    (told,) = published(chief, planned())
    assert told.number == "W-1"
    assert isinstance(told.refusal, Refused)


def test_visits_of_another_plan_are_not_published(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    found = planned()
    others = [pk + 1_000 for pk in Visit.objects.values_list("pk", flat=True)]
    assert publish(chief, found.pk, visit_ids=others) == []


def test_publishing_leaves_one_row_of_history_and_none_when_repeated(chief: Actor) -> None:
    fleet({"V-1": (10,), "V-2": (20,)})
    found = planned()
    for _ in range(2):
        published(chief, found)
    published(chief, found, dry=True)
    event = PlanEvent.objects.get()
    assert (event.what, event.detail, event.person) == ("published", "2 orders", chief.person)
