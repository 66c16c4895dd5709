"""Findings as they are listed, and what a person may do about them."""

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from django.http import QueryDict

from fleet.dashboard.order_changes import read_number
from fleet.due.models import CheckResult
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.vehicles.models import Compartment, Vehicle
from fleet.workorders import evidence, findings
from fleet.workorders.actor import Actor
from fleet.workorders.models import DoNotUse, Finding, WorkOrder


def open_findings(slugs: Sequence[str]) -> QuerySet[Finding]:
    """Open findings of some depots' vehicles, newest first."""
    rows = Finding.objects.filter(vehicle__depot__slug__in=slugs, closed_at=None, withdrawn_by=None)
    return rows.select_related("vehicle", "compartment", "order", "person").order_by("-pk")


def marks_in_force(slugs: Sequence[str]) -> QuerySet[DoNotUse]:
    rows = DoNotUse.objects.filter(vehicle__depot__slug__in=slugs, cleared_at=None)
    return rows.select_related("vehicle", "set_by").order_by("set_at")


def report(actor: Actor, vehicle: Vehicle, given: QueryDict) -> Finding:
    """Report what a form says about a vehicle."""
    places = Compartment.objects.filter(vehicle_type=vehicle.vehicle_type_id)
    slug = given.get("compartment", "")
    return findings.report(
        actor,
        vehicle=vehicle,
        kind=given.get("finding", ""),
        severity=given.get("severity", ""),
        text=given.get("text", ""),
        client_key=given.get("client_key", ""),
        compartment=places.filter(slug=slug).first() if slug else None,
        found_by=given.get("found_by") or Finding.FoundBy.MECHANIC,
    )


def follow_up(actor: Actor, finding: Finding, given: QueryDict) -> WorkOrder:
    """Draft the order that a form asks for."""
    minutes, days = given.get("minutes", ""), given.get("re_check_days", "")
    return findings.follow_up(
        actor,
        finding.pk,
        what=given.get("what", "").strip()[:120] or f"Put right: {finding.kind}",
        minutes=round(read_number(minutes, "minutes")) if minutes else 0,
        re_check_days=round(read_number(days, "days until the re-check")) if days else None,
    )


def vehicle_work(vehicle: Vehicle, person: Person) -> dict[str, Any]:
    """What the Vehicle page shows and offers about work."""
    open_orders = WorkOrder.objects.filter(vehicle=vehicle, state__in=WorkOrder.OPEN)
    rights = {right.name.lower(): may(person, right, vehicle.depot_id) for right in OFFERED}
    return {
        "orders": open_orders.prefetch_related("jobs"),
        "do_not_use": DoNotUse.objects.filter(vehicle=vehicle, cleared_at=None).select_related(
            "set_by"
        ),
        "found": Finding.objects.filter(vehicle=vehicle, closed_at=None, withdrawn_by=None),
        "measured": _measured_last(vehicle),
        "deferrals": vehicle.deferrals.filter(withdrawn_at=None).select_related(
            "service", "person", "second_person"
        ),
        "may": rights,
        "compartments": Compartment.objects.filter(vehicle_type=vehicle.vehicle_type_id),
        "finding_kinds": Finding.Kind.values,
        "severities": Finding.Severity.values,
        "found_by": Finding.FoundBy.values[:3],
        "services_known": vehicle.vehicle_type.services.order_by("name"),
        "pack_size": len(evidence.pack(vehicle.pk)),
    }


def _measured_last(vehicle: Vehicle) -> list[CheckResult]:
    """The newest value of each figure that was ever measured on a vehicle."""
    rows = CheckResult.objects.filter(vehicle=vehicle).select_related("figure", "person")
    newest = {row.figure_id: row for row in rows.order_by("measured_at", "pk")}
    return sorted(newest.values(), key=lambda row: row.figure.name)


OFFERED = (
    Right.REPORT_FINDING,
    Right.RELEASE,
    Right.DEFER,
    Right.CLEAR_DO_NOT_USE,
    Right.SEE,
)
