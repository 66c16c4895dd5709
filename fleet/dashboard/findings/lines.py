"""Findings as they are listed, and what a person may do about them."""

from collections.abc import Sequence
from typing import IO, Any

from django.http import QueryDict

from fleet.dashboard.orders.changes import read_number
from fleet.due import defer
from fleet.due.models import Service
from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.people.roles import Right, may
from fleet.reads import Ids, Read, Rows, prepared, reader, side_by_side
from fleet.today import today_at
from fleet.vehicles.models import Compartment, Vehicle
from fleet.workorders import (
    evidence,
    failed,
    findings,
    followed,
    issue,
    listing,
    measured,
    photos,
    restrictions,
)
from fleet.workorders.findings import Report
from fleet.workorders.findings_listed import pressing_on
from fleet.workorders.models import Finding, WorkOrder


@reader
def what_followed(pks: Sequence[int]) -> Read[dict[int, list[followed.Followed]]]:
    """What followed from findings, to be taken back with each."""
    found = yield from followed.of_many.steps(findings=pks)
    return {pk: rows for (_, pk), rows in found.items()}


def report(
    actor: Actor, vehicle: Vehicle, given: QueryDict, photo: IO[bytes] | None = None
) -> Finding:
    """Report what a form says about a vehicle, with its photo where there is one."""
    picture = photos.decoded(photo.read(photos.MOST_BYTES + 1)) if photo else None
    places = Compartment.objects.filter(vehicle_type=vehicle.vehicle_type_id)
    slug = given.get("compartment", "")
    found = findings.report(
        actor,
        Report(
            vehicle=vehicle,
            kind=given.get("finding", ""),
            severity=given.get("severity", ""),
            text=given.get("text", ""),
            client_key=given.get("client_key", ""),
            compartment=places.filter(slug=slug).first() if slug else None,
            found_by=given.get("found_by") or Finding.FoundBy.MECHANIC,
        ),
    )
    if picture is not None:
        key = f"{given.get('client_key', '')[:58]}-photo"
        photos.add(actor, picture, client_key=key, finding=found)
    return found


def follow_up(actor: Actor, finding: Finding, given: QueryDict) -> WorkOrder:
    """Draft the order that a form asks for."""
    minutes, days = given.get("minutes", ""), given.get("re_check_days", "")
    return findings.follow_up(
        actor,
        finding.pk,
        what=given.get("what", "").strip()[:120] or f"Put right: {finding.kind}",
        minutes=round(read_number(minutes, "minutes")) if minutes else 0,
        re_check_days=round(read_number(days, "days until the re-check")) if days else None,
        service_ids=_services(finding, given),
        join=given.get("join", ""),
    )


def _services(finding: Finding, given: QueryDict) -> list[int]:
    own = Service.objects.filter(vehicle_type=finding.vehicle.vehicle_type_id)
    return list(own.filter(slug__in=given.getlist("service")).values_list("pk", flat=True))


@reader
def offered(
    found: Sequence[Finding],
) -> Read[list[tuple[Finding, list[Service], list[WorkOrder]]]]:
    """Findings, each with what its follow-up may take along: services, and open orders to join."""
    vehicles = {one.vehicle_id for one in found}
    types = {one.vehicle.vehicle_type_id for one in found}
    open_jobs, services = _taken(vehicles), _services_of_types(types)
    orders = listing.orders_to_join(vehicles)
    yield [open_jobs, services, orders]
    taken = set(open_jobs)
    return [
        (
            one,
            [
                row
                for row in services
                if row.vehicle_type_id == one.vehicle.vehicle_type_id
                and (one.vehicle_id, row.pk) not in taken
            ],
            [order for order in orders if order.vehicle_id == one.vehicle_id],
        )
        for one in found
    ]


@prepared
def _taken(vehicle_ids: Ids) -> Rows:
    return listing.open_jobs(vehicle_ids).values_list("vehicle_id", "service_id")


@prepared
def _services_of_types(vehicle_type_ids: Ids) -> Rows:
    return Service.objects.filter(vehicle_type__in=vehicle_type_ids).order_by("name", "pk")


@reader
def vehicle_work(vehicle: Vehicle, person: Person) -> Read[dict[str, Any]]:
    """What the Vehicle page shows and offers about work."""
    rights = {right.name.lower(): may(person, right, vehicle.depot_id) for right in OFFERED}
    lists = {
        "do_not_use": findings.marks_on(vehicle.pk),
        "found": pressing_on(vehicle.pk),
        "restrictions": restrictions.standing([vehicle.pk]),
        "photos": photos.newest_of(vehicle.pk),
        "deferrals": defer.standing([vehicle.pk], today_at(vehicle.depot.zone)),
    }
    opened, services, values, unanswered, size, *_ = yield from side_by_side(
        listing.open_orders.steps(vehicle),
        issue.services_with_open_job.steps(vehicle),
        measured.newest_of.steps(vehicle),
        failed.unanswered_of.steps(vehicle),
        evidence.pack_size.steps(vehicle.pk),
        *lists.values(),
    )
    orders, to_sign_off = opened
    return {
        **lists,
        "orders": orders,
        "to_sign_off": to_sign_off,
        "measured": values,
        "failed": unanswered,
        "may": rights,
        "finding_kinds": Finding.Kind.values,
        "severities": Finding.Severity.values,
        "found_by": Finding.FoundBy.values[:3],
        "finder": Finding.FoundBy.MECHANIC if person.role == Role.MECHANIC else "",
        "services_free": [one for one in services if not one.has_open_job],
        "services_known": services,
        "pack_size": size,
    }


OFFERED = (
    Right.REPORT_FINDING,
    Right.RELEASE,
    Right.DEFER,
    Right.CLEAR_DO_NOT_USE,
    Right.SEE,
)
