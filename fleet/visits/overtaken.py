"""Orders that were given another day than the plan has for what they do, in words."""

from collections.abc import Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from fleet.today import day
from fleet.visits.board import Block
from fleet.visits.models import Plan
from fleet.workorders.models import WorkOrder

NAMED = 5  # visits in one sentence; our choice


def out_of_date(plan: Plan, found: Sequence[Block]) -> str:
    """That a plan is out of date, in one sentence: which orders were set to which days since.

    ``found`` are its visits that orders have overtaken; none: an empty text.
    """
    if not found:
        return ""
    told = "; ".join(_set_since(one) for one in found[:NAMED])
    more = f"; and {len(found) - NAMED} more" if len(found) > NAMED else ""
    made = _moment(plan.made_at, plan.depot.zone)
    it = "them" if len(found) > 1 or len(found[0].elsewhere) > 1 else "it"
    return f"Out of date, as this plan was made {made}: {told}{more}. Planned anew, it keeps {it}."


def _set_since(block: Block) -> str:
    orders = " and ".join(f"{one} was set to {_set_to(one)} since" for one in block.elsewhere)
    van = block.visit.vehicle
    return f"{orders}, and the plan still has {van} on {day(block.visit.on)}"


def _set_to(order: WorkOrder) -> str:
    return day(order.planned_on) if order.planned_on else "no day"


def _moment(at: datetime, zone: str) -> str:
    there = at.astimezone(ZoneInfo(zone))
    return f"{day(there.date())}, {there:%H:%M}"


def only_when_named(order: WorkOrder) -> str:
    """That a released order keeps its day, and which that is."""
    if order.planned_on is None:
        return f"{order} is released: it is moved only when named."
    return (
        f"{order} is released for {day(order.planned_on)}: it is moved only when named. Planned "
        "anew, the plan keeps to that day."
    )


def set_by_hand(order: WorkOrder) -> str:
    """That a drafted order keeps the day that somebody gave it."""
    return f"{order} was given {_set_to(order)} by hand: plan anew, and the plan keeps to it."


def planned_for(order: WorkOrder, on: date) -> str:
    """What becomes of the day of an order."""
    before = f" instead of {day(order.planned_on)}" if order.planned_on else ""
    return f"planned for {day(on)}{before}"
