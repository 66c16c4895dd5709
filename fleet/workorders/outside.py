"""Work done by an outside workshop: late papers are entered back-dated, without torque or stock."""

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
from fleet.workorders.events import note_event
from fleet.workorders.issue import number_of
from fleet.workorders.models import Job, WorkOrder


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

    def check(self, actor: Actor) -> None:
        if not self.services:
            raise Fault("Say which services the workshop did.", about="services")
        if not self.workshop_name.strip() or not self.invoice_number.strip():
            raise Fault("Name the workshop and the number of its invoice.", about="workshop_name")
        if self.done_on > today_at(self.vehicle.depot.zone, actor.now):
            raise Fault(
                f"{self.done_on} lies ahead: enter the day the work was done.", about="done_on"
            )


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
    vehicle = work.vehicle
    actor.must(Right.RELEASE, vehicle.depot_id)
    work.check(actor)
    with transaction.atomic():
        order = WorkOrder.objects.create(
            number=f"new {actor.request_id.hex[:12]}",
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
        )
        order.number = number_of(order.pk)
        order.save(update_fields=["number"])
        _free(actor, order, work.services)
        _enter(actor, order, work)
        reason = work.invoice_number
        note_event(actor, order, "enter outside work", to_state=order.state, reason=reason)
    return order


def _free(actor: Actor, order: WorkOrder, services: Sequence[Service]) -> None:
    """Take the services off orders of our own that were not begun."""
    ids = [service.pk for service in services]
    planned = Job.objects.filter(
        vehicle=order.vehicle,
        service__in=ids,
        state=Job.State.OPEN,
        order__state__in=progress.NOT_BEGUN,
    )
    for pk in sorted(set(planned.values_list("order_id", flat=True))):
        progress.drop(actor, pk, service_ids=ids, reason=f"done outside: {order}")


def _enter(actor: Actor, order: WorkOrder, work: InvoicedWork) -> None:
    rows = [
        ServiceDone(
            vehicle=order.vehicle,
            service=service,
            done_on=work.done_on,
            evidence=ServiceDone.Evidence.OUTSIDE,
            source=f"{order.workshop_name}, invoice {order.invoice_number}",
            person=actor.person,
            total_km=work.odometer_km,
            total_h=work.total_h,
            why_it_stands=work.override_reason,
        )
        for service in work.services
    ]
    record_papers(rows, actor.now)
    order.reading = rows[0].reading
    order.save(update_fields=["reading"])
    Job.objects.bulk_create(
        Job(
            order=order,
            vehicle=order.vehicle,
            service=row.service,
            title=row.service.name,
            state=Job.State.DONE,
            ended_at=actor.at,
            ended_by=actor.person,
            done=row,
        )
        for row in rows
    )
