"""Plans as lists: what was planned, and for each service why."""

from dataclasses import dataclass
from datetime import date

from django.db.models import Count, Q, Sum

from fleet.vehicles.models import Depot
from fleet.visits.models import Plan, PlannedService


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
    vehicle: str
    service: str
    on: date | None
    wanted_on: date
    late_d: float
    reason: str
    bay: str
    mechanic: str
    held: bool


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
    """Services of a plan by day, those left out last; one query."""
    found = PlannedService.objects.filter(plan=plan).select_related("vehicle", "service", "visit")
    rows = [
        ServiceRow(
            depot=plan.depot.slug,
            vehicle=one.vehicle.fleet_number,
            service=one.service.name,
            on=one.visit.on if one.visit else None,
            wanted_on=one.wanted_on,
            late_d=round(one.late_d, 1),
            reason=one.reason,
            bay=one.visit.bay if one.visit else "",
            mechanic=one.visit.mechanic if one.visit else "",
            held=bool(one.visit and one.visit.held),
        )
        for one in found
    ]
    return sorted(rows, key=lambda row: (row.on or date.max, row.vehicle, row.service))


def day_rows(plan: Plan) -> list[DayRow]:
    """Days of a plan that have visits, in order; one query."""
    days = plan.visits.values("on").annotate(count=Count("pk"), all_min=Sum("minutes"))
    return [
        DayRow(depot=plan.depot.slug, on=day["on"], visits=day["count"], minutes=day["all_min"])
        for day in days.order_by("on")
    ]
