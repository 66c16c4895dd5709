"""Days of orders. One on which the vehicle cannot come is asked about, as that of other work is,
and one on which whoever is to do it is not at work; a release tells of a day that is only proposed,
and of work that is far from due; work begun on a closed day is kept as it happened.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping
from datetime import date, datetime
from functools import partial

from django.db import transaction

from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import Right
from fleet.today import day, today_at
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits.fixed_days import calendars, doubt
from fleet.visits.hands import away_words
from fleet.visits.listing import days_for_orders, newest, visits_in_force
from fleet.visits.unfit import weigh_again
from fleet.workorders import progress
from fleet.workorders.far_early import FarEarly, far_early
from fleet.workorders.models import WorkOrder

ABOUT = "planned_on"
JOBS = "jobs"
OWN = WorkOrder.Where.OWN


def why_it_stands(
    vehicle: Vehicle, depot: Depot, on: date | None, because: str, now: datetime
) -> str:
    """Why the day of an order stands, as somebody said; empty: there is none, or it is no doubt.

    Raises
    ------
    Question
        The vehicle cannot come in on that day, and nobody says why it stands.
    """
    if on is None:
        return ""
    calendar = calendars([vehicle], depot, on, on)[vehicle.pk]
    question = doubt(calendar, on, today_at(depot.zone, now), ABOUT)
    if question is not None and not because.strip():
        raise question
    return because.strip() if question else ""


def plan(
    actor: Actor,
    order_id: int,
    *,
    planned_on: date | None,
    version: int | None = None,
    override_reason: str = "",
) -> WorkOrder:
    """Set (or clear) the day of an order, by hand.

    Raises
    ------
    Question
        The vehicle cannot come in on that day, or who has it is not at work; with a reason it goes
        through.
    """
    with transaction.atomic():
        order = progress.locked(order_id, "vehicle", "depot", "assigned_to")
        actor.must(Right.RELEASE, order.depot_id)
        same = planned_on == order.planned_on
        because = override_reason.strip() or (order.why_it_stands if same else "")
        own = planned_on if order.where == OWN else None
        why = why_it_stands(order.vehicle, order.depot, own, because, actor.now)
        given = "" if same else _why_given(order, order.assigned_to, own, because, actor.now)
        return progress.plan(
            actor, order_id, planned_on=planned_on, version=version, why_it_stands=why,
            reason=why or given,
        )  # fmt: skip


def assign(
    actor: Actor,
    order_id: int,
    *,
    person: Person | None,
    version: int | None = None,
    override_reason: str = "",
) -> WorkOrder:
    """Give an order to a mechanic, or take it back.

    Raises
    ------
    Question
        They are not at work on its day; with a reason it goes through.
    """
    with transaction.atomic():
        order = progress.locked(order_id, "depot")
        actor.must(Right.RELEASE, order.depot_id)
        on = order.planned_on if order.where == OWN else None
        why = _why_given(order, person, on, override_reason, actor.now)
        return progress.assign(actor, order_id, person=person, version=version, reason=why)


def set_both(
    actor: Actor,
    order: WorkOrder,
    *,
    planned_on: date | None,
    person: Person | None,
    version: int | None = None,
    override_reason: str = "",
) -> int | None:
    """Day and mechanic, each only where it differs; the version that follows.

    Raises
    ------
    Question
        As for either, about the two as they will be.
    """
    moved = planned_on != order.planned_on
    with transaction.atomic():
        if person != order.assigned_to:
            give = progress.assign if moved else partial(assign, override_reason=override_reason)
            version = give(actor, order.pk, person=person, version=version).version
        if moved:
            version = plan(
                actor, order.pk, planned_on=planned_on, version=version,
                override_reason=override_reason,
            ).version  # fmt: skip
    return version


def _why_given(
    order: WorkOrder, person: Person | None, on: date | None, because: str, now: datetime
) -> str:
    """Why somebody has an order of a day on which they are not at work; empty: they are."""
    away = away_words(order.depot, person, on, today_at(order.depot.zone, now))
    if away and not because.strip():
        raise Question(f"{away}. Is {order} for {person} all the same? Else choose another.")
    return because.strip() if away else ""


def before_release(
    orders: Collection[WorkOrder], now: datetime, on: date | None = None
) -> dict[int, Question]:
    """What to ask before drafted orders are released, by order id; a constant number of queries
    for each depot.

    Parameters
    ----------
    on
        A day that all of them get with the release; None: each has its own, or none.
    """
    drafted = [one for one in orders if one.state == WorkOrder.State.DRAFTED and one.where == OWN]
    days = {one.pk: on or one.planned_on for one in drafted}
    proposed = days_for_orders([one for one in drafted if days[one.pk] is None], now)
    found = {one.pk: _only_proposed(one, proposed[one.pk])
             for one in drafted if one.pk in proposed}  # fmt: skip
    by_depot: dict[Depot, dict[WorkOrder, date]] = defaultdict(dict)
    for one in drafted:
        planned_on = days[one.pk]
        if planned_on and not (one.why_it_stands and planned_on == one.planned_on):
            by_depot[one.depot][one] = planned_on
    for depot, of in by_depot.items():
        found |= _doubted(depot, of, today_at(depot.zone, now))
    # without a day it may be begun today
    known = {
        one: on or one.planned_on or proposed.get(one.pk) or today_at(one.depot.zone, now)
        for one in orders
        if one.state == WorkOrder.State.DRAFTED
    }
    for pk, rows in far_early(known, now).items():
        said = [str(found[pk])] if pk in found else []
        found[pk] = Question(" ".join([*said, _too_early(rows)]), about=JOBS)
    return found


def _too_early(rows: Collection[FarEarly]) -> str:
    said = "; ".join(
        f"{one.name} falls due about {day(one.due_on)}, "
        f"{one.early_d:,} days after {day(one.done_on)}"
        for one in rows
    )
    it = "it" if len(rows) == 1 else "each"
    return f"{said}. Is it to be done so early? Else take {it} off the order."


def _only_proposed(order: WorkOrder, on: date) -> Question:
    return Question(
        f"The plan proposes {day(on)} for {order.vehicle}, and that day is not published: publish "
        f"it first. Released now, {order} has no day, and takes that one only when it is named. "
        "Release it all the same?",
        yes="it goes out without a day",
    )


def _doubted(depot: Depot, of: Mapping[WorkOrder, date], today: date) -> dict[int, Question]:
    vehicles = {one.vehicle_id: one.vehicle for one in of}
    known = calendars([*vehicles.values()], depot, min(of.values()), max(of.values()))
    asked = {one.pk: doubt(known[one.vehicle_id], on, today, ABOUT) for one, on in of.items()}
    return {pk: question for pk, question in asked.items() if question}


def release(
    actor: Actor, order_id: int, *, version: int | None = None, override_reason: str = ""
) -> WorkOrder:
    """Give a drafted order to the workshop.

    Raises
    ------
    Question
        Its day is only proposed, the vehicle cannot come then, or its work is far from due; with
        a reason it goes through.
    """
    found = release_many(actor, {order_id: version}, override_reason)
    refusal = found.get(order_id, Fault(f"There is no work order {order_id}."))
    if refusal is not None:
        raise refusal
    return WorkOrder.objects.select_related("vehicle", "depot").get(pk=order_id)


def release_many(
    actor: Actor, versions: Mapping[int, int | None], override_reason: str = ""
) -> dict[int, Fault | None]:
    """Give many drafted orders to the workshop at once: what refuses each or is asked, or None."""
    because = override_reason.strip()
    rows = WorkOrder.objects.filter(pk__in=versions).select_related("vehicle", "depot")
    asked = before_release(rows, actor.now)
    free = {pk: at for pk, at in versions.items() if because or pk not in asked}
    told = progress.release_many(actor, free, because if asked else "")
    return {**asked, **told}


def start(actor: Actor, order_id: int, *, version: int | None = None) -> str:
    """Begin an order; what happened is recorded as it happened, whatever day it is.

    Returns
    -------
    str
        Why the workshop is closed that day, kept in the history of the order; empty: it is open.
    """
    with transaction.atomic():
        order = progress.locked(order_id, "vehicle", "depot")
        on = today_at(order.depot.zone, actor.at)
        calendar = calendars([order.vehicle], order.depot, on, on)[order.vehicle_id]
        closed = calendar.closed_why(on)
        progress.start(actor, order_id, version=version, reason=closed)
        _tell_anew(order, today_at(order.depot.zone, actor.now), closed=bool(closed))
    return closed


def _tell_anew(order: WorkOrder, today: date, *, closed: bool) -> None:
    """Say of a visit that has begun on a day that does not hold it what holds for it now."""
    visits = visits_in_force([order.depot]).filter(vehicle=order.vehicle_id, on__gte=today)
    plan_in_force = newest(order.depot)
    if plan_in_force and (visits if closed else visits.exclude(unfit="")).exists():
        weigh_again(plan_in_force, today)
