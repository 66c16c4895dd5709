"""Plans as lists: what was planned, and for each service why."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Count, OuterRef, Q, QuerySet, Subquery, Sum
from django.utils import timezone

from fleet.calc.labour import Labour
from fleet.today import today_at
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Depot
from fleet.visits.early import early
from fleet.visits.labour import labour, of_job
from fleet.visits.models import PLANNED_KEY, Bay, Plan, PlannedService, Promise, Visit, Workshop
from fleet.visits.other_work import keys_of
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.progress import BEFORE_THE_END, UNDER_WAY

ENDED_SHOWN_D = 90  # promises that ended longer ago are not listed; our choice


@dataclass(frozen=True)
class PlanRow:
    """One depot's plan in figures. Money in minor units; the gap is a share of the cost."""

    depot: str  # slug
    cost: int
    bound: int
    gap: float
    visits: int
    services: int
    left_out: int


@dataclass(frozen=True)
class DayRow:
    """One day of a plan on which somebody comes in."""

    depot: str
    on: date
    visits: int
    minutes: int  # in the bays [min]


@dataclass(frozen=True)
class ServiceRow:
    """One service of a plan."""

    depot: str
    visit: int | None  # its id; empty: left out
    vehicle: str
    service: str  # or other work, in words
    other_work: int | None  # its id, where it is that
    work_min: int  # that it is planned with, of whoever does it [min]
    work_jobs: int  # finished ones that these minutes are learnt from; 0: by the book
    on: date | None
    wanted_on: date
    late_d: float
    early_d: float
    early_minor: int  # of paid life, thrown away by that
    early: str  # far: how far, what that wastes and saves
    reason: str
    detail: str  # a part and about when more of it is there; or what bars an earlier place
    planned_because: str  # of a day that stands: the reason of the plan that chose it
    bay: str
    mechanic: str
    held: bool
    locked: bool


@dataclass(frozen=True)
class PromiseRow:
    """A day that somebody was told, and how it ended."""

    id: int
    depot: str
    vehicle: str
    on: date
    told_to: str
    told_by: str  # user name
    told_at: datetime
    ending: str  # empty: it stands
    reason: str


def gap(cost: int, bound: int) -> float:
    """By which share of its cost a better plan could be cheaper, at most."""
    return round(max(0.0, (cost - bound) / cost), 6) if cost > 0 else 0.0


def plan_row(plan: Plan) -> PlanRow:
    """A stored plan in figures."""
    counted = plan.services.aggregate(all=Count("pk"), out=Count("pk", filter=Q(visit=None)))
    return PlanRow(
        depot=plan.depot.slug,
        cost=plan.cost_minor,
        bound=plan.bound_minor,
        gap=gap(plan.cost_minor, plan.bound_minor),
        visits=plan.visits.count(),
        services=counted["all"],
        left_out=counted["out"],
    )


def newest(depot: Depot) -> Plan | None:
    """The plan of a depot that is in force."""
    return Plan.objects.filter(depot=depot).order_by("-id").first()


def service_rows(plan: Plan) -> list[ServiceRow]:
    """Services of a plan by day, those left out last; a constant number of queries."""
    rows_of = PlannedService.objects.filter(plan=plan)
    found = rows_of.select_related("vehicle", "service", "work", "visit")
    minutes, visit_minor = labour_of(plan, found), Workshop.of(plan.depot).visit_minor
    rows = [
        ServiceRow(
            depot=plan.depot.slug,
            visit=one.visit_id,
            vehicle=one.vehicle.fleet_number,
            service=one.name,
            other_work=one.work_id,
            work_min=minutes[one.pk].minutes,
            work_jobs=minutes[one.pk].jobs,
            on=one.visit.on if one.visit else None,
            wanted_on=one.wanted_on,
            late_d=round(one.late_d, 1),
            early_d=round(one.early_d, 1),
            early_minor=one.early_minor,
            early=early(one, visit_minor) if one.visit else "",
            reason=one.reason,
            detail=one.detail,
            planned_because=one.planned_because,
            bay=one.visit.bay if one.visit else "",
            mechanic=one.visit.mechanic if one.visit else "",
            held=bool(one.visit and one.visit.held),
            locked=bool(one.visit and one.visit.locked),
        )
        for one in found
    ]
    return sorted(rows, key=lambda row: (row.on or date.max, row.vehicle, row.service))


def labour_of(plan: Plan, rows: Iterable[PlannedService]) -> dict[int, Labour]:
    """Minutes of what is planned, and what they rest on, by its id: of what an order has on its
    day the order's, as they take the workshop's time."""
    known = labour(plan.depot, {one.service_id for one in rows if one.service_id}, plan.as_of_on)
    stands = Q(order__planned_on__isnull=False) | Q(order__state__in=UNDER_WAY)
    open_jobs = Job.objects.filter(
        stands,
        vehicle__in={one.vehicle_id for one in rows},
        state=Job.State.OPEN,
        order__depot=plan.depot,
        order__where=WorkOrder.Where.OWN,
        order__state__in=BEFORE_THE_END,
    )
    jobs = list(open_jobs.select_related("order"))
    keys = keys_of(jobs)
    on_order = {(job.vehicle_id, keys[job.pk]): job for job in jobs if job.pk in keys}
    found = {}
    for one in rows:
        job, own = on_order.get((one.vehicle_id, one.key)), known.get(one.service_id or 0)
        own = of_job(job, own) if job else own
        work_min = one.work.minutes if one.work else 0
        found[one.pk] = own or Labour(work_min, work_min)
    return found


def day_rows(plan: Plan) -> list[DayRow]:
    """Days of a plan that have visits, in order; one query."""
    days = plan.visits.values("on").annotate(count=Count("pk"), all_min=Sum("minutes"))
    return [
        DayRow(depot=plan.depot.slug, on=day["on"], visits=day["count"], minutes=day["all_min"])
        for day in days.order_by("on")
    ]


def visits_in_force(depots: Depots) -> QuerySet[Visit]:
    """Visits of the newest plan of each of some depots."""
    newest_ids = Plan.objects.filter(depot=OuterRef("plan__depot")).order_by("-id").values("pk")
    rows = Visit.objects.filter(plan__depot__in=depots, plan=Subquery(newest_ids[:1]))
    return rows.select_related("plan__depot", "vehicle")


def told(plan: Plan) -> list[str]:
    """What is not entered, cannot be done or does not fit its day any more, in sentences."""
    rows = Visit.objects.filter(plan=plan).exclude(unfit="").order_by("on", "vehicle__fleet_number")
    return [*plan.lacking, *rows.values_list("unfit", flat=True)]


def days_for_orders(orders: Collection[WorkOrder], now: datetime) -> dict[int, date]:
    """The first day, from today on, that the plans in force have for a job of each order, by
    order id; a constant number of queries."""
    jobs = Job.objects.filter(order__in=orders, state=Job.State.OPEN).select_related("order")
    keys = keys_of(jobs)
    of = {(job.vehicle_id, keys.get(job.pk)): job.order_id for job in jobs}
    todays = {one.depot_id: today_at(one.depot.zone, now) for one in orders}
    visits = visits_in_force(list({one.depot for one in orders}))
    rows = PlannedService.objects.filter(
        visit__in=visits.order_by().values("pk"), vehicle__in={one.vehicle_id for one in orders}
    ).values_list("vehicle_id", PLANNED_KEY, "plan__depot_id", "visit__on")
    found: dict[int, date] = {}
    for vehicle_id, key, depot_id, on in rows.order_by("-visit__on"):
        order_id = of.get((vehicle_id, key))
        if order_id is not None and on >= todays[depot_id]:
            found[order_id] = on
    return found


def bays_of(depot: Depot) -> list[str]:
    """Names of the bays of a depot; none where nothing is entered."""
    return list(Bay.objects.filter(depot=depot).order_by("name").values_list("name", flat=True))


def visits_until(plan_id: int, today: date, until: date) -> list[Visit]:
    """Visits of a plan from today to a day."""
    return list(Visit.objects.filter(plan=plan_id, on__gte=today, on__lte=until).order_by("on"))


def promise_rows(depots: Depots, pk: int | None = None) -> list[PromiseRow]:
    """Promises that stand, and those that ended lately, by day; one query."""
    since = timezone.now() - timedelta(days=ENDED_SHOWN_D)
    rows = Promise.objects.filter(Q(ending="") | Q(ended_at__gte=since), depot__in=depots)
    if pk is not None:
        rows = rows.filter(pk=pk)
    return [
        PromiseRow(
            id=one.pk,
            depot=one.depot.slug,
            vehicle=one.vehicle.fleet_number,
            on=one.on,
            told_to=one.told_to,
            told_by=one.told_by.username if one.told_by else "",
            told_at=one.told_at,
            ending=one.ending,
            reason=one.reason,
        )
        for one in rows.select_related("vehicle", "depot", "told_by").order_by("on", "pk")
    ]
