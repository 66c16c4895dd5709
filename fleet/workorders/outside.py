"""Work done by an outside workshop: late papers are entered back-dated, without torque or stock."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.db import transaction

from fleet.due.models import Service, ServiceDone
from fleet.due.record import record_papers
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.readings.enter import noon_at
from fleet.today import today_at
from fleet.vehicles.models import Vehicle
from fleet.workorders import progress
from fleet.workorders.events import event_of
from fleet.workorders.issue import numbered
from fleet.workorders.models import Job, OrderEvent, WorkOrder


@dataclass(frozen=True, kw_only=True)
class InvoicedWork:
    """What an outside workshop did, as its papers say."""

    vehicle: Vehicle
    services: Sequence[Service]
    done_on: date
    odometer_km: float | None
    total_h: float | None = None  # engine hours, of a machine whose limits count them [h]
    workshop_name: str
    invoice_number: str
    cost_minor: int | None = None
    document: str = ""
    override_reason: str = ""  # why the odometer stands against the readings

    def fault(self, actor: Actor) -> Fault | None:
        """What is missing or cannot be."""
        if not self.services:
            return Fault("Say which services the workshop did.", about="services")
        if not self.workshop_name.strip() or not self.invoice_number.strip():
            text = "Name the workshop and the number of its invoice."
            return Fault(text, about="workshop_name")
        if self.done_on > today_at(self.vehicle.depot.zone, actor.now):
            text = f"{self.done_on} lies ahead: enter the day the work was done."
            return Fault(text, about="done_on")
        return None


def record(actor: Actor, work: InvoicedWork) -> WorkOrder:
    """Enter what an outside workshop did, from its papers.

    Open jobs of these services on orders that were not begun are dropped: the work is done.

    Raises
    ------
    Forbidden
        The person may not release orders at the vehicle's depot.
    Fault
        No workshop or invoice is named, the day lies ahead, or nothing was done.
    Question
        The readings contradict the odometer; with ``override_reason`` it is kept.
    """
    (outcome,) = record_many(actor, [work])
    if isinstance(outcome, Fault):
        raise outcome
    return outcome


def record_many(actor: Actor, works: Sequence[InvoicedWork]) -> list[WorkOrder | Fault]:
    """Enter a stack of papers at once; one outcome for each, in order.

    Papers with a fault, or with an odometer that the readings contradict (then a `Question`), are
    left out with it, and the others are entered.

    Raises
    ------
    Forbidden
        The person may not release orders at the depot of one of the vehicles.
    """
    for depot_id in {work.vehicle.depot_id for work in works}:
        actor.must(Right.RELEASE, depot_id)
    found: dict[int, WorkOrder | Fault] = {}
    for at, work in enumerate(works):
        if (fault := work.fault(actor)) is not None:
            found[at] = fault
    whole = [at for at in range(len(works)) if at not in found]
    with transaction.atomic():
        done = [_services_done(actor, works[at]) for at in whole]
        for at, question in zip(whole, record_papers(done, actor.now), strict=True):
            if question is not None:
                found[at] = question
        kept = [(at, rows) for at, rows in zip(whole, done, strict=True) if at not in found]
        orders = _enter(actor, [(works[at], rows) for at, rows in kept])
    entered = {at: order for (at, _), order in zip(kept, orders, strict=True)}
    return [found.get(at) or entered[at] for at in range(len(works))]


def _services_done(actor: Actor, work: InvoicedWork) -> list[ServiceDone]:
    return [
        ServiceDone(
            vehicle=work.vehicle,
            service=service,
            done_on=work.done_on,
            evidence=ServiceDone.Evidence.OUTSIDE,
            source=f"{work.workshop_name.strip()}, invoice {work.invoice_number.strip()}",
            person=actor.person,
            total_km=work.odometer_km,
            total_h=work.total_h,
            why_it_stands=work.override_reason,
        )
        for service in work.services
    ]


def _enter(actor: Actor, done: Sequence[tuple[InvoicedWork, list[ServiceDone]]]) -> list[WorkOrder]:
    """The orders of papers whose services are recorded."""
    orders = numbered(_order(actor, work, rows) for work, rows in done)
    papers = [(order, rows) for order, (_, rows) in zip(orders, done, strict=True)]
    _free(actor, papers)
    Job.objects.bulk_create(_job(actor, order, row) for order, rows in papers for row in rows)
    OrderEvent.objects.bulk_create(
        event_of(
            actor, order, "enter outside work", to_state=order.state, reason=work.invoice_number
        )
        for order, (work, _) in zip(orders, done, strict=True)
    )
    return orders


def _order(actor: Actor, work: InvoicedWork, rows: Sequence[ServiceDone]) -> WorkOrder:
    vehicle = work.vehicle
    return WorkOrder(
        vehicle=vehicle,
        depot=vehicle.depot,
        where=WorkOrder.Where.OUTSIDE,
        state=WorkOrder.State.FINISHED,
        planned_on=work.done_on,
        finished_at=noon_at(work.done_on, vehicle.depot.zone),
        finished_by=actor.person,
        fit_for_use=WorkOrder.Fit.YES,
        workshop_name=work.workshop_name.strip(),
        invoice_number=work.invoice_number.strip(),
        cost_minor=work.cost_minor,
        document=work.document,
        reading=rows[0].reading,
    )


def _job(actor: Actor, order: WorkOrder, row: ServiceDone) -> Job:
    return Job(
        order=order,
        vehicle=order.vehicle,
        service=row.service,
        title=row.service.name,
        state=Job.State.DONE,
        ended_at=actor.at,
        ended_by=actor.person,
        done=row,
    )


def _free(actor: Actor, papers: Sequence[tuple[WorkOrder, list[ServiceDone]]]) -> None:
    """Take the services off orders of our own that were not begun."""
    by = {(row.vehicle_id, row.service_id): order for order, rows in papers for row in rows}
    planned = Job.objects.filter(
        vehicle__in={vehicle_id for vehicle_id, _ in by},
        service__in={service_id for _, service_id in by},
        state=Job.State.OPEN,
        order__state__in=progress.NOT_BEGUN,
    )
    freed: dict[tuple[int, WorkOrder], list[int]] = defaultdict(list)
    for order_id, *pair in planned.values_list("order_id", "vehicle_id", "service_id"):
        if (order := by.get((pair[0], pair[1]))) is not None:
            freed[order_id, order].append(pair[1])
    for (order_id, order), ids in sorted(freed.items(), key=lambda one: one[0][0]):
        progress.drop(actor, order_id, service_ids=ids, reason=f"done outside: {order}")
