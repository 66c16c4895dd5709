"""Publish a plan: its visits become days and mechanics of drafted orders. Release is its own act.

Each visit is published whole or not at all, and every order that it touches is told of. What is
as it should be is left alone, so that publishing twice does nothing the second time. A day that
does not hold its visit, as it was closed since the plan was made, keeps nobody from publishing it;
it is said.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from django.db import transaction

from fleet.due.models import ServiceDone
from fleet.faults import Fault, Refused, Stale
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.today import day, today_at
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits import other_work
from fleet.visits.events import note
from fleet.visits.hands import Hands
from fleet.visits.missing import Missing
from fleet.visits.models import (
    PLANNED_KEY,
    OtherWork,
    Plan,
    PlannedService,
    Visit,
)
from fleet.visits.other_work import keys_of, open_work
from fleet.visits.overtaken import only_when_named, planned_for, set_by_hand
from fleet.visits.unfit import weigh_again
from fleet.workorders import issue, joblist, progress
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.progress import BEFORE_THE_END

State = WorkOrder.State
Pair = tuple[int, int]  # vehicle, service
PLANNED = (Vehicle.Status.IN_USE, Vehicle.Status.HIRED_IN)
BY_PLAN = "as the published plan says"


@dataclass(frozen=True)
class Outcome:
    """What publishing did to one order, or why it did nothing."""

    number: str  # of the order; empty: none was drafted
    vehicle: str
    on: date  # of the visit
    done: tuple[str, ...] = ()  # in words; empty with no refusal: it was so already
    version: int | None = None
    refusal: Fault | None = None
    besides: tuple[str, ...] = ()  # what to know of it, though nothing is changed thereby
    visit_id: int = 0
    unfit: str = ""  # why its day does not hold the visit; empty: it does


def claimed(actor: Actor, plan_id: int, version: int | None) -> Plan:
    """The plan in force of a depot, held until the transaction ends, as it was seen.

    Raises
    ------
    Stale
        There is a newer one, or a visit was moved meanwhile.
    """
    plan = Plan.objects.select_related("depot").filter(pk=plan_id).first()
    if plan is None:
        raise Stale("This plan is no longer kept: look at the newest one.")
    actor.must(Right.RELEASE, plan.depot)
    Depot.objects.select_for_update().get(pk=plan.depot_id)
    newest = Plan.objects.filter(depot=plan.depot_id).order_by("-id").first()
    if newest is None or newest.pk != plan_id:
        raise Stale(f"{plan.depot.name} was planned anew meanwhile: look again.")
    if version is not None and newest.version != version:
        raise Stale(f"The plan of {plan.depot.name} was changed meanwhile: look again.")
    return newest


def publish(
    actor: Actor,
    plan_id: int,
    *,
    visit_ids: Collection[int],
    version: int | None = None,
    orders: Mapping[int, int] | None = None,
    released: Collection[int] = (),
    dry: bool = False,
) -> list[Outcome]:
    """Set day and mechanic of the orders of some visits, and draft those that are missing.

    Parameters
    ----------
    version
        Of the plan, as it was seen; None: whichever it is.
    orders
        By order id, the version that was seen; an order that is not among them is new since then.
        None: whichever they are.
    released
        Released orders that may be moved all the same; started and later ones never are.
    dry
        Change nothing, but tell what would be done.

    Raises
    ------
    Forbidden
        The person may not release orders at the depot.
    Stale
        The plan is not the one that was seen.
    """
    with transaction.atomic():
        plan = claimed(actor, plan_id, version)
        publishing = _Publishing(actor, plan, orders, frozenset(released))
        visits = Visit.objects.filter(plan=plan, pk__in=visit_ids).select_related("vehicle")
        for visit in visits.prefetch_related("services__service", "services__work").order_by(
            "on", "pk"
        ):
            publishing.visit(visit)
        publishing.weigh()
        if not dry:
            publishing.note()
            return publishing.outcomes
        transaction.set_rollback(True)
    kept = set(
        WorkOrder.objects.filter(vehicle__visits__in=visit_ids).values_list("number", flat=True)
    )
    return [one if one.number in kept else replace(one, number="") for one in publishing.outcomes]


@dataclass
class _Touched:
    """What was done to one order for one visit."""

    order: WorkOrder
    done: list[str] = field(default_factory=list)
    besides: list[str] = field(default_factory=list)


class _Publishing:
    """One plan while it is published."""

    def __init__(
        self,
        actor: Actor,
        plan: Plan,
        seen: Mapping[int, int] | None,
        released: frozenset[int],
    ) -> None:
        self.actor, self.plan, self.seen, self.released = actor, plan, seen, released
        self.outcomes: list[Outcome] = []
        self.own: set[int] = set()  # orders changed by this act: whose version is known
        self.today = today_at(plan.depot.zone, actor.now)
        self.hands = Hands(plan)
        planned = PlannedService.objects.filter(plan=plan)
        rows = planned.values_list("vehicle", PLANNED_KEY, "visit")
        self.visit_of: dict[Pair, int | None] = {(v, s): visit for v, s, visit in rows}

    def visit(self, visit: Visit) -> None:
        """Publish one visit, whole or not at all."""
        try:
            with transaction.atomic():
                touched = _OneVisit(self, visit).publish()
        except _Stopped as stopped:
            self._refused(visit, stopped.order, stopped.fault)
        else:
            self.outcomes += [self._told(visit, one) for one in touched]
            self.own |= {one.order.pk for one in touched if one.done}

    def weigh(self) -> None:
        """Say with each visit that is published whether its day holds it, as things are now."""
        done = [one for one in self.outcomes if one.refusal is None]
        told = weigh_again(self.plan, self.today) if done else {}
        for number, one in enumerate(self.outcomes):
            if one in done and one.visit_id in told:
                self.outcomes[number] = replace(one, unfit=told[one.visit_id])

    def note(self) -> None:
        """One row of history, where anything was changed."""
        changed = sum(bool(one.done) for one in self.outcomes)
        if changed:
            many = f"{changed} order{'s' * (changed != 1)}"
            note(self.actor, self.plan.depot_id, "published", detail=many)

    def _refused(self, visit: Visit, order: WorkOrder | None, fault: Fault) -> None:
        self.outcomes.append(_outcome(visit, order, refusal=fault))

    def _told(self, visit: Visit, touched: _Touched) -> Outcome:
        order = WorkOrder.objects.get(pk=touched.order.pk)
        return _outcome(visit, order, done=tuple(touched.done), besides=tuple(touched.besides))


def _outcome(visit: Visit, order: WorkOrder | None, **more: Any) -> Outcome:
    return Outcome(
        number=order.number if order else "",
        vehicle=visit.vehicle.fleet_number,
        on=visit.on,
        version=order.version if order else None,
        visit_id=visit.pk,
        **more,
    )


class _Stopped(Exception):  # noqa: N818 - no error: it carries a refusal out of a transaction
    def __init__(self, fault: Fault, order: WorkOrder | None = None) -> None:
        super().__init__(str(fault))
        self.fault, self.order = fault, order


class _OneVisit:
    """One visit and the orders of its vehicle."""

    def __init__(self, all_of_it: _Publishing, visit: Visit) -> None:
        self.whole, self.actor, self.on = all_of_it, all_of_it.actor, visit.on
        self.visit = visit
        self.planned = {one.key: one for one in visit.services.all()}
        locked_orders = WorkOrder.objects.select_for_update().filter(
            vehicle=visit.vehicle_id, state__in=BEFORE_THE_END
        )
        self.orders = {order.pk: order for order in locked_orders.order_by("pk")}
        jobs = Job.objects.filter(order__in=self.orders, state=Job.State.OPEN)
        self.jobs = list(jobs.select_related("order").order_by("pk"))
        self.keys = keys_of(self.jobs)
        self.touched: dict[int, _Touched] = {}
        here = {job.order_id for job in self.jobs if self._is_here(job)}
        hands = all_of_it.hands
        self.holder = hands.among([self.orders[pk] for pk in sorted(here)], visit.on)
        self.person = self.holder or hands.of(visit.mechanic, visit.on)

    def publish(self) -> list[_Touched]:
        self._refuse_overtaken()
        drafts = self._sorted_out()
        kept = [one for one in drafts if one.follows_id]  # what follows a finding stays together
        joined = [one for one in drafts if not one.follows_id]
        target = next(iter([*joined, *kept]), None)
        if target is not None:
            self._send_strangers_off(target)
            for source in joined[1:]:
                self._move(source, target)
        missing = self._missing()
        if target is None and missing.rows:
            self._draft(missing)
        elif target is not None and missing.rows:
            self._add(target, missing)
        for order in dict.fromkeys([*([target] if target else []), *kept]):
            self._set(order)
        return list(self.touched.values())

    def _refuse_overtaken(self) -> None:
        """What happened since the plan was made."""
        van, depot = self.visit.vehicle, self.whole.plan.depot
        if self.on < self.whole.today:
            raise _Stopped(Refused(f"{day(self.on)} is past: plan anew."))
        if van.depot_id != depot.pk or van.status not in PLANNED:
            raise _Stopped(Refused(f"{van} no longer comes to {depot.name}: plan anew."))
        done = ServiceDone.objects.filter(
            vehicle=van, service__in=self.planned, recorded_at__gt=self.whole.plan.made_at
        )
        for one in done.select_related("service")[:1]:
            raise _Stopped(Refused(f"{one.service.name} was recorded meanwhile: plan anew."))
        works = {one.work_id for one in self.planned.values() if one.work_id}
        for work in OtherWork.objects.filter(pk__in=works).exclude(pk__in=open_work()):
            raise _Stopped(Refused(f"{work} was ended meanwhile: plan anew."))

    # --- what there is -------------------------------------------------------------------------
    def _sorted_out(self) -> list[WorkOrder]:
        """The drafted orders of the visit, oldest first; what was given out is seen to at once."""
        here = {job.order_id for job in self.jobs if self._is_here(job)}
        drafts = []
        for order in (self.orders[pk] for pk in sorted(here)):
            if order.where == WorkOrder.Where.OUTSIDE:
                raise _Stopped(Refused(f"{order} is of an outside workshop."), order)
            if order.state == State.DRAFTED:
                given = order.planned_on  # nobody keeps to one that has passed
                if given and given != self.on and given >= self.whole.today:
                    raise _Stopped(Refused(set_by_hand(order)), order)
                drafts.append(order)
            elif order.state == State.RELEASED:
                self._released(order)
            else:
                self._touch(order)
        return drafts

    def _released(self, order: WorkOrder) -> None:
        if order.planned_on == self.on or order.pk in self.whole.released:
            self._set(order)
        else:
            raise _Stopped(Refused(only_when_named(order)), order)

    def _is_here(self, job: Job) -> bool:
        return self.keys.get(job.pk) in self.planned

    def _missing(self) -> Missing:
        """Services and other work that no order has open."""
        have = {*self.keys.values()}
        rows = [one for key, one in sorted(self.planned.items()) if key not in have]
        return Missing(rows)

    def _touch(self, order: WorkOrder, done: str = "") -> _Touched:
        told = self.touched.setdefault(order.pk, _Touched(order))
        if done:
            told.done.append(done)
        return told

    def _must_be_as_seen(self, order: WorkOrder) -> None:
        seen, pk = self.whole.seen, order.pk
        if seen is None or pk in self.whole.own or pk in self.touched and self.touched[pk].done:
            return
        if seen.get(pk) != order.version:
            raise _Stopped(Stale(f"{order} was changed meanwhile: look again."), order)

    # --- what is done --------------------------------------------------------------------------
    def _send_strangers_off(self, target: WorkOrder) -> None:
        """What the plan does on another visit, or leaves out, goes on a draft of its own."""
        found = [job for job in self.jobs if job.order_id == target.pk and self._stranger(job)]
        if found:
            self._must_be_as_seen(target)
            names = _names(found)
            other = self._try(target, joblist.move_jobs, target.pk, [job.pk for job in found],
                              to_id=None, reason=BY_PLAN)  # fmt: skip
            self._touch(target, f"{names} moved to an order of its own")
            self._touch(other, f"drafted with {names} from {target}, no day yet")

    def _stranger(self, job: Job) -> bool:
        pair = (job.vehicle_id, self.keys.get(job.pk, 0))
        known = self.whole.visit_of
        return pair in known and known[pair] != self.visit.pk

    def _move(self, source: WorkOrder, target: WorkOrder) -> None:
        here = [job for job in self.jobs if job.order_id == source.pk and self._is_here(job)]
        for order in (source, target):
            self._must_be_as_seen(order)
        self._try(source, joblist.move_jobs, source.pk, [job.pk for job in here],
                  to_id=target.pk, reason=BY_PLAN)  # fmt: skip
        self._touch(target, f"{_names(here)} moved here from {source}")
        self._touch(source, f"{_names(here)} moved to {target}")

    def _draft(self, missing: Missing) -> None:
        order = self._try(
            None,
            issue.draft,
            issue.OrderDraft(
                vehicle_id=self.visit.vehicle_id,
                planned_on=self.on,
                assigned_to=self.person,
                reason=BY_PLAN,
                **missing.given,
            ),
        )
        other_work.put_on(order, missing.works)
        to = f" and given to {self.person}{self._whose()}" if self.person else ""
        self._touch(order, f"drafted with {missing.names}, planned for {day(self.on)}{to}")
        self._tell_of_nobody(order)

    def _add(self, target: WorkOrder, missing: Missing) -> None:
        self._must_be_as_seen(target)
        self._try(target, joblist.add_jobs, target.pk, reason=BY_PLAN, **missing.given)
        other_work.put_on(target, missing.works)
        self._touch(target, f"{missing.names} added")

    def _set(self, order: WorkOrder) -> None:
        """Day, and mechanic where nobody has it yet."""
        if order.planned_on != self.on:
            self._must_be_as_seen(order)
            told = planned_for(order, self.on)
            self._try(order, progress.plan, order.pk, planned_on=self.on)
            self._touch(order, told)
        if self.person is not None and order.assigned_to_id is None:
            self._must_be_as_seen(order)
            self._try(order, progress.assign, order.pk, person=self.person)
            self._touch(order, f"given to {self.person}{self._whose()}")
        self._touch(order)
        self._tell_of_nobody(order)

    def _whose(self) -> str:
        """Why it is not whom the plan names."""
        planned = self.whole.hands.of(self.visit.mechanic, self.on)
        return ", who has this van already" if self.holder and self.holder != planned else ""

    def _tell_of_nobody(self, order: WorkOrder) -> None:
        """Who has it, or should, may not be there."""
        sentence = self.whole.hands.lacks(self.visit.mechanic, order.assigned_to, self.on)
        if sentence:
            self._touch(order).besides.append(sentence)

    def _try(
        self, order: WorkOrder | None, verb: Callable[..., WorkOrder], *given: Any, **named: Any
    ) -> WorkOrder:
        try:
            return verb(self.actor, *given, **named)
        except Fault as fault:
            raise _Stopped(fault, order) from fault


def _names(jobs: Sequence[Job]) -> str:
    return ", ".join(job.title for job in jobs)
