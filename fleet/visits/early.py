"""What is done long before it is due: how early, what that wastes and saves, in one sentence that
every page and the API show."""

from collections import defaultdict
from collections.abc import Collection

from django.db.models import OuterRef, Subquery

from fleet.calc.visit_reasons import Reason
from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.stores import money
from fleet.vehicles.models import Depot
from fleet.visits.models import Plan, PlannedService, Workshop
from fleet.visits.other_work import keys_of
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.progress import BEFORE_THE_END

SHOWN_D = 14  # fewer are the doubt about its date; our choice


def early(row: PlannedService, visit_minor: int) -> str:
    """How early a service of a plan is done, what of its paid life that throws away, and the visit
    that is saved by it; empty: it is not early, or its day costs least."""
    chosen = (row.reason, row.planned_because)
    if row.early_d < SHOWN_D or not row.early_minor or Reason.ON_TIME in chosen:
        return ""
    saves = f", saves a visit of {money.words(visit_minor)}" if Reason.SHARED in chosen else ""
    wastes = f"wastes about {money.words(row.early_minor)} of its life"
    return f"done {round(row.early_d):,} days early: {wastes}{saves}"


@reader
def early_of_orders(orders: Collection[WorkOrder]) -> Read[dict[int, list[str]]]:
    """The same of the open jobs of some orders, each with its name, by order id: as the plans in
    force have them, on the day of the order where it has one; a constant number of queries."""
    planned = _planned({order.vehicle_id for order in orders})
    jobs = _open_jobs([order.pk for order in orders])
    workshops = _workshops({order.depot_id for order in orders})
    yield [planned, jobs, workshops]
    if not planned:
        return {}
    visit_minor = {one.depot_id: one.visit_minor for one in workshops}
    keys = yield from keys_of.steps(jobs)
    by_depot: dict[Depot, dict[tuple[int, int], Job]] = defaultdict(dict)
    for job in jobs:
        if job.pk in keys:
            by_depot[job.order.depot][job.vehicle_id, keys[job.pk]] = job
    told: dict[int, list[str]] = defaultdict(list)
    for depot, of in by_depot.items():
        costs_minor = visit_minor.get(depot.pk, Workshop(depot=depot).visit_minor)
        for row in planned:
            own = row.plan.depot_id == depot.pk
            done = of.get((row.vehicle_id, row.key)) if own else None
            words = early(row, costs_minor)
            if done and row.visit and words and done.order.planned_on in (None, row.visit.on):
                told[done.order_id].append(f"{row.name}: {words}")
    return dict(told)


@prepared
def _open_jobs(order_ids: Ids) -> Rows:
    rows = Job.objects.filter(
        order__in=order_ids, order__state__in=BEFORE_THE_END, state=Job.State.OPEN
    )
    return rows.select_related("order__depot").order_by("pk")


@prepared
def _workshops(depot_ids: Ids) -> Rows:
    return Workshop.objects.filter(depot__in=depot_ids)


@prepared
def _planned(vehicle_ids: Ids) -> Rows:
    """What the newest plan of each depot has of some vehicles."""
    newest = Plan.objects.filter(depot=OuterRef("plan__depot")).order_by("-id").values("pk")[:1]
    rows = PlannedService.objects.filter(vehicle__in=vehicle_ids, visit__isnull=False)
    rows = rows.filter(plan=Subquery(newest))
    return rows.select_related("service", "work", "visit", "plan").order_by("pk")
