"""Values measured while an order was worked on."""

from django.db.models import QuerySet

from fleet.due import frost
from fleet.due.models import CheckFigure, CheckResult
from fleet.reads import Read, Rows, prepared, reader, side_by_side
from fleet.vehicles.models import Vehicle
from fleet.workorders.listing import service_jobs
from fleet.workorders.models import Job, WorkOrder


@reader
def newest_of(vehicle: Vehicle) -> Read[list[CheckResult]]:
    """The newest value of each figure that was ever measured on a vehicle, by its name."""
    rows, coldest = yield from side_by_side(
        _of_vehicle(vehicle.pk), frost.coldest.steps([vehicle.depot_id])
    )
    newest = {row.figure_id: row for row in rows}
    for row in newest.values():  # limits as they hold here
        row.figure = frost.as_at(row.figure, coldest.get(vehicle.depot_id))
    return sorted(newest.values(), key=lambda row: row.figure.name)


@prepared
def _of_vehicle(vehicle_id: int) -> Rows:
    rows = CheckResult.objects.filter(vehicle=vehicle_id, withdrawn_by=None)
    return rows.select_related("figure__calls_for", "person").order_by("measured_at", "pk")


@reader
def figures_of(order: WorkOrder) -> Read[list[CheckFigure]]:
    """What is measured on an order, with the limits of the depot the vehicle is based at."""
    depot_id = order.vehicle.depot_id
    rows, coldest = yield from side_by_side(_figures_on(order.pk), frost.coldest.steps([depot_id]))
    return [frost.as_at(row, coldest.get(depot_id)) for row in rows]


@prepared
def _figures_on(order_id: int) -> Rows:
    services = service_jobs(order_id).values("service")
    return CheckFigure.objects.filter(service__in=services).select_related("service")


def of_order(order: WorkOrder) -> QuerySet[CheckResult]:
    """Values of an order's services that were measured from its start to its sign-off."""
    if order.started_at is None:
        return CheckResult.objects.none()
    rows = CheckResult.objects.filter(
        vehicle=order.vehicle_id,
        figure__service__in=service_jobs(order.pk).values("service"),
        measured_at__gte=order.started_at,
    )
    if order.signed_off_at is not None:
        rows = rows.filter(measured_at__lte=order.signed_off_at)
    return rows.select_related("figure__service", "person", "withdrawn_by").order_by("pk")


def of_job(job: Job) -> QuerySet[CheckResult]:
    """Values of one job's service that stand; none where it has no service."""
    rows = of_order(job.order).filter(withdrawn_by=None, figure__service=job.service_id)
    return rows if job.service_id is not None else rows.none()
