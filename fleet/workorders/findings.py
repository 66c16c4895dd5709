"""What looked wrong: reported, followed up, closed; and vehicles that must not be used."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TypedDict
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet

from fleet.due.models import CheckResult, DueEarlier, Service
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import Right, all_who_may
from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.vehicles.models import Compartment, Vehicle
from fleet.workorders import issue, joblist, late
from fleet.workorders.issue import OrderDraft
from fleet.workorders.keys import known
from fleet.workorders.listing import orders_to_join
from fleet.workorders.models import CalledBy, DoNotUse, Finding, FluidRecord, WorkOrder


class Work(TypedDict):
    """What a follow-up puts on an order."""

    service_ids: Sequence[int]
    other_work: Sequence[issue.OtherWork]
    reason: str


RE_CHECK_DAYS = 14  # our choice: long enough for a seep to show again, short enough to matter
LEAKING = (
    *(Finding.Kind.SEEP, Finding.Kind.DRIP, Finding.Kind.STREAM, Finding.Kind.LEAK),
    Finding.Kind.MISSING_SEALANT,
)


@dataclass(frozen=True, kw_only=True)
class Report:
    """What looked wrong, as somebody saw it."""

    vehicle: Vehicle
    kind: str
    severity: str
    text: str
    client_key: str
    compartment: Compartment | None = None
    order: WorkOrder | None = None  # at the work on which it was seen
    found_by: str = Finding.FoundBy.MECHANIC
    fluid: FluidRecord | None = None  # that shows it
    result: CheckResult | None = None  # that failed

    def check(self) -> None:
        if self.kind not in Finding.Kind.values or self.severity not in Finding.Severity.values:
            raise Fault(
                f"Kinds are {', '.join(Finding.Kind.values)}; "
                f"severities {', '.join(Finding.Severity.values)}."
            )
        if not self.text.strip():
            raise Fault("Say in a few words what was seen.", about="text")
        if self.order is not None and self.order.vehicle_id != self.vehicle.pk:
            raise Fault(f"{self.order} is of another vehicle than {self.vehicle}.", about="order")


def report(actor: Actor, seen: Report) -> Finding:
    """Report what looked wrong, once per key; *before use* also sets *do not use*.

    Raises
    ------
    Fault
        No words, or a kind or severity that does not exist.
    """
    actor.must(Right.REPORT_FINDING, seen.vehicle.depot_id)
    seen.check()
    same = {"vehicle": seen.vehicle, "kind": seen.kind, "text": seen.text.strip()}
    row: Finding | None = known(Finding.objects, seen.client_key, **same)
    if row is not None:
        return row
    with transaction.atomic():
        finding, new = Finding.objects.get_or_create(
            client_key=seen.client_key,
            defaults={
                **same,
                "compartment": seen.compartment,
                "order": seen.order,
                "fluid": seen.fluid,
                "result": seen.result,
                "severity": seen.severity,
                "found_by": seen.found_by,
                "person": actor.person,
                "channel": actor.channel,
                "performed_at": actor.at,
            },
        )
        if new and seen.order is not None:
            late.tell_of(actor, seen.order)
        if new and seen.severity == Finding.Severity.BEFORE_USE:
            reason = f"{finding.kind}: {seen.text}"
            set_do_not_use(actor, vehicle=seen.vehicle, reason=reason, finding=finding)
    return finding


def close(actor: Actor, finding_id: int, *, reason: str) -> Finding:
    """Close a finding that was followed up, or that was none."""
    finding = Finding.objects.select_related("vehicle").filter(pk=finding_id).first()
    if finding is None:
        raise Fault(f"There is no finding {finding_id}.")
    actor.must(Right.RECORD_WORK, finding.vehicle.depot_id)
    if not reason.strip():
        raise Fault("Say what became of it.", about="reason")
    closed = Finding.objects.filter(pk=finding_id, closed_at=None).update(
        closed_at=actor.at, closed_by=actor.person, closed_reason=reason.strip()[:300]
    )
    if not closed:
        raise Refused("This finding is closed already.")
    finding.refresh_from_db()
    return finding


def follow_up(
    actor: Actor,
    finding_id: int,
    *,
    what: str,
    minutes: int,
    service_ids: Sequence[int] = (),
    planned_on: date | None = None,
    re_check_days: int | None = RE_CHECK_DAYS,
    join: str = "",
) -> WorkOrder:
    """Draft the order that puts a finding right, or put that on an open one of the vehicle.

    Parameters
    ----------
    join
        Number of the open order; empty: a new one. For a leak a leak re-check is called as well.
    """
    finding = Finding.objects.select_related("vehicle__depot", "compartment").get(pk=finding_id)
    if finding.closed_at is not None:
        raise Refused("This finding is closed: report it anew, then follow it up.")
    with transaction.atomic():
        work: Work = {"service_ids": service_ids, "other_work": [(what, minutes)],
                      "reason": f"follows a finding: {finding.text}"[:300]}  # fmt: skip
        if join:
            order = _join(actor, finding, join, work)
        else:
            order = issue.draft(
                actor,
                OrderDraft(
                    vehicle_id=finding.vehicle_id, planned_on=planned_on, follows=finding, **work
                ),
            )
        if finding.kind in LEAKING and finding.compartment is not None and re_check_days:
            call_for_re_check(actor, finding, re_check_days)
    return order


def _join(actor: Actor, finding: Finding, number: str, work: Work) -> WorkOrder:
    open_orders = orders_to_join([finding.vehicle_id])
    order = open_orders.filter(number__iexact=number.strip()).first()
    if order is None:
        numbers = ", ".join(open_orders.values_list("number", flat=True)) or "none"
        raise Fault(
            f"{finding.vehicle} has no open order {number.strip()[:20]}; open: {numbers}.",
            about="join",
        )
    WorkOrder.objects.filter(pk=order.pk, follows=None).update(follows=finding)
    joblist.add_jobs(actor, order.pk, **work)
    order.refresh_from_db()
    return order


def call_for_re_check(actor: Actor, finding: Finding, days: int) -> DueEarlier:
    """Make a leak re-check of a compartment due like a service."""
    if finding.compartment is None:
        raise Fault("Say which compartment is to be looked at again.")
    today = actor.at.astimezone(ZoneInfo(finding.vehicle.depot.zone)).date()
    call = DueEarlier.objects.create(
        vehicle=finding.vehicle,
        service=_re_check_service(finding.compartment),
        called_on=today,
        called_at=actor.at,
        due_on=today + timedelta(days=days),
        reason=f"{finding.kind} seen: {finding.text}"[:300],
        person=actor.person,
    )
    CalledBy.objects.create(call=call, finding=finding)
    return call


def _re_check_service(compartment: Compartment) -> Service:
    """The service without limits that looks at a compartment again; made when first needed."""
    service, _ = Service.objects.get_or_create(
        vehicle_type=compartment.vehicle_type,
        slug=f"{compartment.slug}-leak-re-check"[:40],
        defaults={
            "compartment": compartment,
            "name": f"{compartment.name} leak re-check",
            "kind": Service.Kind.CHECK,
            "source": "our choice: due only when a finding calls for it",
        },
    )
    return service


# --- do not use ----------------------------------------------------------------------------
def set_do_not_use(
    actor: Actor, *, vehicle: Vehicle, reason: str, finding: Finding | None = None
) -> DoNotUse:
    """Keep a vehicle from being used; anybody who sees the vehicle may."""
    actor.must(Right.SEE, vehicle.depot_id)
    if not reason.strip():
        raise Fault("Say why the vehicle must not be used.", about="reason")
    return DoNotUse.objects.create(
        vehicle=vehicle,
        reason=reason.strip()[:300],
        set_by=actor.person,
        set_at=actor.at,
        finding=finding,
    )


def clear_do_not_use(actor: Actor, do_not_use_id: int, *, reason: str) -> DoNotUse:
    """Let a vehicle be used again.

    Raises
    ------
    Forbidden
        The person set it, or may not clear it.
    """
    row = DoNotUse.objects.select_related("vehicle").filter(pk=do_not_use_id).first()
    if row is None:
        raise Fault(f"There is no such mark {do_not_use_id}.")
    actor.must(Right.CLEAR_DO_NOT_USE, row.vehicle.depot_id)
    if actor.person is not None and row.set_by_id == actor.person.pk:
        others = (
            " or ".join(str(one) for one in who_may_clear([row])[row.pk])
            or "another person who may"
        )
        raise Forbidden(f"Whoever set it does not clear it: ask {others}.")
    if not reason.strip():
        raise Fault("Say why the vehicle may be used again.", about="reason")
    cleared = DoNotUse.objects.filter(pk=row.pk, cleared_at=None).update(
        cleared_at=actor.at, cleared_by=actor.person, cleared_reason=reason.strip()[:300]
    )
    if not cleared:
        raise Refused("It was cleared already.")
    row.refresh_from_db()
    return row


@reader
def who_may_clear(marks: Sequence[DoNotUse]) -> Read[dict[int, tuple[Person, ...]]]:
    """Those of the vehicle's depot who may clear each mark, by its id: never whoever set it."""
    depots = {mark.vehicle.depot_id for mark in marks}
    there = yield from all_who_may.steps(Right.CLEAR_DO_NOT_USE, depots)
    return {
        mark.pk: tuple(one for one in there[mark.vehicle.depot_id] if one.pk != mark.set_by_id)
        for mark in marks
    }


def standing() -> QuerySet[Finding]:
    """Findings that nobody has taken back."""
    return Finding.objects.filter(withdrawn_by=None)


def open_findings() -> QuerySet[Finding]:
    """Those of them that nobody has closed."""
    rows = standing().filter(closed_at=None)
    return rows.select_related("vehicle__depot", "compartment", "order", "person")


def before_use() -> QuerySet[Finding]:
    """Those of the open ones to be put right before the vehicle is used, the oldest first."""
    return _open_of(Finding.Severity.BEFORE_USE)


def to_follow_up_soon() -> QuerySet[Finding]:
    """Those of the open ones to be put right soon, the oldest first."""
    return _open_of(Finding.Severity.SOON)


def _open_of(severity: str) -> QuerySet[Finding]:
    return open_findings().filter(severity=severity).order_by("performed_at", "pk")


def closed_findings() -> QuerySet[Finding]:
    return standing().exclude(closed_at=None)


def marks_in_force() -> QuerySet[DoNotUse]:
    """Marks that nobody has cleared."""
    rows = DoNotUse.objects.filter(cleared_at=None)
    return rows.select_related("vehicle__depot", "set_by")


def with_marks(orders: QuerySet[WorkOrder]) -> QuerySet[WorkOrder]:
    """Orders with whether their vehicle must not be used, as ``do_not_use``."""
    marks = DoNotUse.objects.filter(vehicle=OuterRef("vehicle"), cleared_at=None)
    return orders.annotate(do_not_use=Exists(marks))


@prepared
def marks_at(depot_ids: Ids) -> Rows:
    """Those of vehicles of some depots, the oldest first."""
    return marks_in_force().filter(vehicle__depot__in=depot_ids).order_by("set_at")


@prepared
def marks_on(vehicle_id: int) -> Rows:
    """Those of one vehicle."""
    return marks_in_force().filter(vehicle=vehicle_id)


@reader
def in_force(vehicle_ids: Sequence[int]) -> Read[dict[int, str]]:
    """Vehicles that must not be used, with the newest reason."""
    found = reasons(vehicle_ids)
    yield [found]
    return dict(found)


@prepared
def reasons(vehicle_ids: Ids) -> Rows:
    """Vehicle and reason of each mark in force, the newest last."""
    rows = marks_in_force().filter(vehicle__in=vehicle_ids).order_by("set_at")
    return rows.values_list("vehicle_id", "reason")
