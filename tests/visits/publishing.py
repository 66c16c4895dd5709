"""Drafts, and a plan published with all its visits."""

from datetime import date

from fleet.due.models import DueDate
from fleet.people.actor import Actor
from fleet.visits.models import Plan
from fleet.visits.publish import Outcome, publish
from fleet.workorders.models import Job, WorkOrder


def published(actor: Actor, found: Plan, **named: object) -> list[Outcome]:
    ids = list(found.visits.values_list("pk", flat=True))
    return publish(actor, found.pk, visit_ids=ids, **named)  # type: ignore[arg-type]


def draft(
    number: str, vehicle: str, *slugs: str, on: date | None = None, **more: object
) -> WorkOrder:
    rows = [DueDate.objects.get(vehicle__fleet_number=vehicle, service__slug=s) for s in slugs]
    van = rows[0].vehicle
    made = WorkOrder.objects.create(
        number=number, vehicle=van, depot=van.depot, planned_on=on, **more
    )
    for row in rows:
        Job.objects.create(
            order=made, vehicle=van, service=row.service, title=row.service.name, minutes=60
        )
    return made


def jobs(order: WorkOrder) -> set[str]:
    return set(order.jobs.filter(state="open").values_list("service__slug", flat=True))


def kinds(order: WorkOrder) -> list[str]:
    return list(order.events.values_list("what", flat=True))
