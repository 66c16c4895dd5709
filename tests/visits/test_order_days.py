"""Days of orders by hand: asked about like fixed days; released and begun with what is known."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.due.models import Service
from fleet.faults import Fault, Forbidden, Question, Stale
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.visits import order_days, publish
from fleet.visits import plan as plans
from fleet.visits.board import board
from fleet.visits.models import Mechanic, Plan, Visit
from fleet.visits.weigh import orders_of
from fleet.workorders import issue, progress
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import WorkOrder
from tests import scene
from tests.cast import person
from tests.visits.depot import TODAY, fleet
from tests.visits.test_fixed_days import away_on, blocked_on, closed_on
from tests.visits.test_other_work import ahead

pytestmark = pytest.mark.django_db
MORNING = datetime(2026, 6, 15, 8, tzinfo=UTC)
SATURDAY = datetime(2026, 6, 20, 8, tzinfo=UTC)  # TODAY is a Monday


@pytest.fixture
def chief() -> Actor:
    return Actor(person("Sura", Role.SUPERVISOR, scene.depot()), "page", MORNING)


def draft(chief: Actor, on: date | None = None, number: str = "V-1") -> WorkOrder:
    van = scene.van(number)
    return issue.draft(
        chief, OrderDraft(vehicle_id=van.pk, other_work=[("Mats", 10)], planned_on=on)
    )


def proposed(chief: Actor) -> tuple[Plan, WorkOrder]:
    """A drafted order of what the plan proposes for Thursday the 25th, the day it falls due."""
    (van,) = fleet({"V-1": (10,)})
    Mechanic.objects.create(depot=scene.depot(), name="Ada", source="invented")
    order = issue.draft(
        chief,
        OrderDraft(vehicle_id=van.pk, service_ids=[Service.objects.get(slug="gearbox-oil").pk]),
    )
    (plan,) = plans.plan([van.depot_id], TODAY)
    return plan, order


@pytest.mark.parametrize(
    ("at", "make", "why", "near"),
    [
        (2, closed_on, "Plain is closed on 17 Jun 2026 (stocktaking)", (16, 18)),
        (2, blocked_on, "Plain takes no visits on 17 Jun 2026 (harvest)", (16, 18)),
        (2, away_on, "V-1 is away on 17 Jun 2026 (hired out)", (16, 18)),
        (5, None, "Plain is closed on 20 Jun 2026, as on every Saturday", (19, 22)),
    ],
)
def test_a_day_on_which_it_cannot_come_is_asked_about_and_stands_with_a_reason(
    chief: Actor, at: int, make: Callable[[date], None] | None, why: str, near: tuple[int, int]
) -> None:
    order = draft(chief)
    if make:
        make(ahead(at))
    with pytest.raises(Question) as asked:
        order_days.plan(chief, order.pk, planned_on=ahead(at))
    assert str(asked.value) == (
        f"{why}: no plan can keep that day. Is it right? "
        f"Else choose {near[0]} Jun 2026 or {near[1]} Jun 2026."
    )
    assert asked.value.about == "planned_on"
    assert WorkOrder.objects.get().planned_on is None
    given = {"planned_on": ahead(at), "override_reason": " the inspector comes "}
    stands = order_days.plan(chief, order.pk, **given)
    assert (stands.planned_on, stands.why_it_stands) == (ahead(at), "the inspector comes")
    assert stands.events.latest("pk").reason == "the inspector comes"
    # said once: the same day again, and its release, are asked about no more
    order_days.plan(chief, order.pk, planned_on=ahead(at))
    assert order_days.release(chief, order.pk).state == "released"


def test_another_day_takes_the_reason_away(chief: Actor) -> None:
    closed_on(ahead(2))
    order = draft(chief)
    order_days.plan(chief, order.pk, planned_on=ahead(2), override_reason="it must")
    moved = order_days.plan(chief, order.pk, planned_on=ahead(3), override_reason="it must")
    assert moved.why_it_stands == ""
    with pytest.raises(Question):
        order_days.plan(chief, order.pk, planned_on=ahead(2))


def test_neither_a_past_day_nor_one_of_an_outside_workshop_is_asked_about(chief: Actor) -> None:
    order = draft(chief)
    order_days.plan(chief, order.pk, planned_on=date(2026, 6, 14))  # a Sunday, over
    WorkOrder.objects.update(where=WorkOrder.Where.OUTSIDE)
    order_days.plan(chief, order.pk, planned_on=ahead(5))


def test_who_may_not_plan_and_who_saw_another_version_is_told_so(chief: Actor) -> None:
    order = draft(chief)
    viewer = Actor(person("Vic", Role.VIEWER, scene.depot()), "page", MORNING)
    with pytest.raises(Forbidden):
        order_days.plan(viewer, order.pk, planned_on=ahead(5))
    with pytest.raises(Stale):
        order_days.plan(chief, order.pk, planned_on=ahead(3), version=order.version + 1)


def test_a_plan_does_not_tell_again_what_was_answered(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    service = Service.objects.get(slug="gearbox-oil")
    order = issue.draft(chief, OrderDraft(vehicle_id=van.pk, service_ids=[service.pk]))
    order_days.plan(chief, order.pk, planned_on=ahead(5), override_reason="it must")
    (found,) = plans.plan([van.depot_id], TODAY)
    assert found.visits.get().unfit == ""
    WorkOrder.objects.update(why_it_stands="")
    (found,) = plans.plan([van.depot_id], TODAY)
    assert "V-1 stands on 20 Jun 2026, when the workshop is closed" in found.visits.get().unfit


# --- releasing ---------------------------------------------------------------------------------
def test_a_release_says_that_the_day_is_only_proposed(chief: Actor) -> None:
    plan, order = proposed(chief)
    on = plan.visits.get().on
    with pytest.raises(Question) as asked:
        order_days.release(chief, order.pk)
    assert str(asked.value) == (
        f"The plan proposes {on.day} Jun 2026 for V-1, and that day is not published: publish it "
        f"first. Released now, {order} has no day, and takes that one only when it is named. "
        "Release it all the same?"
    )
    assert WorkOrder.objects.get().state == "drafted"
    order_days.release(chief, order.pk, override_reason=asked.value.yes)
    assert order.events.latest("pk").reason == "it goes out without a day"


def test_a_published_day_is_released_without_a_question(chief: Actor) -> None:
    plan, order = proposed(chief)
    publish.publish(chief, plan.pk, visit_ids=[plan.visits.get().pk])
    assert order_days.release(chief, order.pk).state == "released"


def test_a_day_closed_since_is_asked_about_when_its_order_is_released(chief: Actor) -> None:
    order = draft(chief, ahead(2))
    closed_on(ahead(2))
    with pytest.raises(Question, match="closed on 17 Jun 2026"):
        order_days.release(chief, order.pk)
    order_days.release(chief, order.pk, override_reason="it must")
    assert order.events.latest("pk").reason == "it must"


def test_work_far_from_due_is_asked_about_with_when_it_falls_due(chief: Actor) -> None:
    # half of 200 days is used where 100 are left; on the 17th 98 are: 49 % of its interval
    (van,) = fleet({"V-1": (100,)})
    services = list(Service.objects.values_list("pk", flat=True))
    order = issue.draft(chief, OrderDraft(vehicle_id=van.pk, service_ids=services))
    order_days.plan(chief, order.pk, planned_on=ahead(2))
    with pytest.raises(Question) as asked:
        order_days.release(chief, order.pk)
    one = "{} falls due about 23 Sep 2026, 98 days after 17 Jun 2026"
    assert str(asked.value) == (
        f"{one.format('Gearbox oil')}. Is it to be done so early? Else take it off the order."
    )
    assert (asked.value.about, asked.value.yes) == ("jobs", "")
    order_days.release(chief, order.pk, override_reason="it is sold")
    assert order.events.latest("pk").reason == "it is sold"


def test_both_are_asked_where_the_day_is_in_doubt_too(chief: Actor) -> None:
    (van,) = fleet({"V-1": (100, 100)})
    services = list(Service.objects.values_list("pk", flat=True))
    order = issue.draft(chief, OrderDraft(vehicle_id=van.pk, service_ids=services))
    order_days.plan(chief, order.pk, planned_on=ahead(2))
    closed_on(ahead(2))
    with pytest.raises(Question) as asked:
        order_days.release(chief, order.pk)
    assert str(asked.value) == (
        "Plain is closed on 17 Jun 2026 (stocktaking): no plan can keep that day. Is it right? "
        "Else choose 16 Jun 2026 or 18 Jun 2026. "
        "Gearbox oil falls due about 23 Sep 2026, 98 days after 17 Jun 2026; "
        "Engine oil falls due about 23 Sep 2026, 98 days after 17 Jun 2026. "
        "Is it to be done so early? Else take each off the order."
    )


def test_an_outside_workshop_is_asked_about_early_work_by_its_day_or_today(chief: Actor) -> None:
    (van,) = fleet({"V-1": (100,)})
    service = Service.objects.get(slug="gearbox-oil")
    outside = WorkOrder.Where.OUTSIDE
    order = issue.draft(
        chief, OrderDraft(vehicle_id=van.pk, service_ids=[service.pk], where=outside)
    )
    with pytest.raises(Question, match="23 Sep 2026, 100 days after 15 Jun 2026"):
        order_days.release(chief, order.pk)
    order_days.plan(chief, order.pk, planned_on=ahead(20))
    assert order_days.release(chief, order.pk).state == "released"


def test_of_many_each_is_asked_about_or_released(chief: Actor) -> None:
    closed_on(ahead(2))
    free, doubted = draft(chief, ahead(3), "V-1"), draft(chief, ahead(2), "V-2")
    found = order_days.release_many(chief, {free.pk: None, doubted.pk: None})
    assert found[free.pk] is None
    assert isinstance(found[doubted.pk], Question)
    assert set(WorkOrder.objects.filter(state="released")) == {free}
    with pytest.raises(Fault, match="There is no work order 999"):
        order_days.release(chief, 999)


def test_what_is_asked_before_a_release_costs_as_many_queries_for_many(chief: Actor) -> None:
    closed_on(ahead(2))
    orders = [draft(chief, ahead(2), f"V-{number}") for number in range(6)]
    rows = WorkOrder.objects.select_related("vehicle", "depot")

    def queries(count: int) -> int:
        some = list(rows.filter(pk__in=[one.pk for one in orders[:count]]))
        with CaptureQueriesContext(connection) as captured:
            assert len(order_days.before_release(some, MORNING)) == count
        return len(captured)

    assert queries(6) == queries(2)


# --- beginning ---------------------------------------------------------------------------------
def test_work_begun_on_a_closed_day_is_kept_as_it_happened_with_why(chief: Actor) -> None:
    order = draft(chief)
    progress.release(chief, order.pk)
    there = replace(chief, now=SATURDAY)
    closed = order_days.start(there, order.pk)
    assert closed == "Plain is closed on 20 Jun 2026, as on every Saturday"
    begun = WorkOrder.objects.get()
    assert (begun.state, begun.started_at) == ("started", SATURDAY)
    assert order.events.latest("pk").reason == closed


def test_work_told_of_on_monday_is_of_the_day_it_was_begun(chief: Actor) -> None:
    order = draft(chief)
    progress.release(chief, order.pk)
    late = Actor(chief.person, "api", datetime(2026, 6, 22, 8, tzinfo=UTC), SATURDAY)
    assert "20 Jun 2026" in order_days.start(late, order.pk)


def test_work_begun_on_an_open_day_says_nothing(chief: Actor) -> None:
    order = draft(chief)
    away_on(TODAY)  # it is there all the same
    progress.release(chief, order.pk)
    assert order_days.start(chief, order.pk) == ""
    assert order.events.latest("pk").reason == ""


def test_a_visit_that_has_begun_is_not_asked_to_move(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    service = Service.objects.get(slug="gearbox-oil")
    order = issue.draft(
        chief, OrderDraft(vehicle_id=van.pk, service_ids=[service.pk], planned_on=TODAY)
    )
    progress.release(chief, order.pk)
    closed_on(TODAY, "burst pipe")
    plans.plan([van.depot_id], TODAY)
    assert Visit.objects.get().unfit == (
        "V-1 stands on 15 Jun 2026, when the workshop is closed (burst pipe): choose another day. "
        "It fits on 16 Jun 2026."
    )
    order_days.start(chief, order.pk)
    assert Visit.objects.get().unfit == (
        "V-1 stands on 15 Jun 2026, when the workshop is closed (burst pipe): its work has begun "
        "and goes on when it can. There is room to go on with it on 16 Jun 2026."
    )


@pytest.mark.parametrize(("closed", "on"), [([], ahead(7)), ([ahead(7)], ahead(8))])
@pytest.mark.parametrize("planned_on", [None, ahead(4)])
def test_what_is_begun_or_left_over_goes_on_when_the_workshop_is_open_next(
    chief: Actor, planned_on: date | None, closed: list[date], on: date
) -> None:
    """On a Sunday: on Monday, or on Tuesday where that is closed."""
    (van,) = fleet({"V-1": (10,)})
    service = Service.objects.get(slug="gearbox-oil")
    order = issue.draft(chief, OrderDraft(vehicle_id=van.pk, service_ids=[service.pk]))
    state = WorkOrder.State.RELEASED if planned_on else WorkOrder.State.WAITING
    WorkOrder.objects.update(state=state, planned_on=planned_on, started_at=MORNING)
    for one in closed:
        closed_on(one)
    sunday = ahead(6)
    (plan,) = plans.plan([van.depot_id], sunday)
    visit = plan.visits.get()
    assert (visit.on, visit.unfit) == (on, "")
    assert orders_of(visit) == [order]
    (block,) = board(plan, sunday, sunday, 14).days[(on - sunday).days].blocks
    assert (block.state, block.orders) == (state, (order,))
