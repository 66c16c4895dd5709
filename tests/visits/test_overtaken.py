"""A plan that an order overtook says so, where it is looked at and where it is published."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from fleet.people.actor import Actor
from fleet.visits import order_days
from fleet.visits.board import Block, blocks_of, overtaken
from fleet.visits.models import Plan
from fleet.visits.overtaken import only_when_named, out_of_date
from fleet.workorders import progress
from fleet.workorders.models import WorkOrder
from tests.visits.depot import TODAY, fleet, planned
from tests.visits.publishing import draft, published

pytestmark = pytest.mark.django_db


def words(on: date) -> str:
    return f"{on.day} {on:%b %Y}"


def only_block(plan: Plan) -> Block:
    (block,) = blocks_of(plan, TODAY)
    return block


def said_of(plan: Plan, blocks: list[Block]) -> str:
    return out_of_date(plan, overtaken(blocks, TODAY))


def set_and_released(chief: Actor, order: WorkOrder, plan: Plan) -> date:
    """Two days after the one that the plan has."""
    on: date = plan.visits.get().on + timedelta(days=2)
    progress.plan(chief, order.pk, planned_on=on)
    progress.release(chief, order.pk)
    return on


def test_an_order_set_since_makes_its_visit_out_of_date_and_planned_anew_it_stands(
    chief: Actor,
) -> None:
    fleet({"V-1": (10, 200)})
    order = draft("W-1", "V-1", "gearbox-oil")
    plan = planned()
    first = next(one for one in blocks_of(plan, TODAY) if one.visit.on < TODAY + timedelta(20))
    assert (first.state, said_of(plan, [first])) == ("proposed", "")
    on = first.visit.on + timedelta(days=2)
    order_days.plan(chief, order.pk, planned_on=on, override_reason="as agreed")
    progress.release(chief, order.pk)
    said = said_of(plan, blocks_of(plan, TODAY))
    assert f"W-1 was set to {words(on)} since, and the plan still has V-1 on" in said
    assert words(first.visit.on) in said
    assert said.endswith(". Planned anew, it keeps it.")
    told = {block.visit.on: block.state for block in blocks_of(plan, TODAY)}
    assert told[first.visit.on] == "out of date"
    anew = planned()
    assert said_of(anew, blocks_of(anew, TODAY)) == ""
    assert {b.visit.on: b.state for b in blocks_of(anew, TODAY)}[on] == "released"


def test_what_a_plan_adds_to_a_released_order_does_not_make_it_merely_proposed(
    chief: Actor,
) -> None:
    fleet({"V-1": (10, 12)})
    order = draft("W-1", "V-1", "gearbox-oil", on=TODAY + timedelta(days=8))
    progress.release(chief, order.pk)
    block = next(one for one in blocks_of(planned(), TODAY) if one.orders)
    assert len(block.services) == 2
    assert block.state == "released in part"


def test_publishing_names_the_day_on_which_a_released_order_stands(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    order = draft("W-1", "V-1", "gearbox-oil")
    plan = planned()
    on = set_and_released(chief, order, plan)
    (told,) = published(chief, plan)
    assert str(told.refusal).startswith(f"W-1 is released for {words(on)}: it is moved only when")
    (told,) = published(chief, plan, released=[order.pk])
    assert told.done == (f"planned for {words(plan.visits.get().on)} instead of {words(on)}",)


def test_more_visits_than_five_are_counted_and_a_day_that_is_past_is_not(chief: Actor) -> None:
    fleet({f"V-{number}": (10,) for number in range(1, 8)})
    orders = [draft(f"W-{number}", f"V-{number}", "gearbox-oil") for number in range(1, 8)]
    plan = planned()
    for order in orders:
        WorkOrder.objects.filter(pk=order.pk).update(planned_on=TODAY + timedelta(days=40))
    blocks = blocks_of(plan, TODAY)
    said = said_of(plan, blocks)
    assert said.count("was set to") == 5
    assert "; and 2 more. Planned anew, it keeps them." in said
    assert overtaken(blocks, TODAY + timedelta(days=60)) == []
    assert "more" not in said_of(plan, blocks[:5])


def test_two_orders_of_one_visit_are_both_named_and_kept(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    order = draft("W-1", "V-1", "gearbox-oil")
    plan = planned()
    set_and_released(chief, order, plan)
    block = only_block(plan)
    both = replace(block, elsewhere=block.elsewhere * 2)
    assert said_of(plan, [both]).endswith("Planned anew, it keeps them.")


def test_a_released_order_without_a_day_is_moved_only_when_named() -> None:
    order = WorkOrder(number="W-1", planned_on=None)
    assert only_when_named(order) == "W-1 is released: it is moved only when named."
