"""Measured values against pass, watch and fail, and what follows from them."""

from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
from django.db import transaction

from fleet.calc.calendar import add_months
from fleet.calc.slips import Ask, Slip
from fleet.due.models import CheckFigure, CheckResult, DueEarlier
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.units import plain
from fleet.vehicles.models import Vehicle
from fleet.workorders import findings
from fleet.workorders.findings import Report
from fleet.workorders.keys import keep, known
from fleet.workorders.models import CalledBy, Finding, Job, WorkOrder
from fleet.workorders.recording import again, doubt_of, doubts_kept, order_to_record, refuse_waiting

Outcome = CheckResult.Outcome


def outcome(figure: CheckFigure, value: float) -> str:
    """Pass inside the pass limits, watch inside the watch limits, else fail; on both sides.
    A figure without limits is not judged: nobody has said which values are right."""
    if not figure.has_limits:
        return Outcome.NOT_JUDGED
    if _inside(value, figure.pass_from, figure.pass_to):
        return Outcome.PASS
    watched = figure.watch_from is not None or figure.watch_to is not None
    if watched and _inside(value, figure.watch_from, figure.watch_to):
        return Outcome.WATCH
    return Outcome.FAIL


def _inside(value: float, low: float | None, high: float | None) -> bool:
    return (low is None or value >= low) and (high is None or value <= high)


@transaction.atomic
def measure(
    actor: Actor,
    order: WorkOrder,
    *,
    figure: CheckFigure,
    value: float,
    client_key: str,
    test_method: str = "",
    override_reason: str = "",
) -> CheckResult:
    """Record a value measured on an order that still takes records; see ``record_check``."""
    if not CheckResult.objects.filter(client_key=client_key).exists():
        refuse_waiting(actor, order_to_record(actor, order.pk))
    return record_check(
        actor,
        vehicle=order.vehicle,
        figure=figure,
        value=value,
        client_key=client_key,
        test_method=test_method,
        order=order,
        override_reason=override_reason,
    )


def sign_question(figure: CheckFigure, value: float) -> Ask | None:
    """Ask about a value on the other side of zero from every value that passes."""
    low, high = figure.pass_from, figure.pass_to
    below, above = high is not None and high < 0 < value, low is not None and value < 0 < low
    if not (below or above):
        return None
    side = "below" if below else "above"
    return Ask(
        f"{figure.name} {value:+g} {figure.unit}: it passes {side} zero only. Is the sign right?",
        (Slip("the minus sign left out" if below else "a minus sign too many", -value),),
    )


def record_check(
    actor: Actor,
    *,
    vehicle: Vehicle,
    figure: CheckFigure,
    value: float,
    client_key: str,
    test_method: str = "",
    order: WorkOrder | None = None,
    override_reason: str = "",
) -> CheckResult:
    """Record a measured value, once per key; a slip of sign is asked about.

    A fail makes the change due now, or where no change is named for it a finding; a watch makes
    the next check due sooner; a pass never extends the maker's limit, so nothing follows from it.
    """
    actor.must(Right.RECORD_WORK, vehicle.depot_id)
    if not np.isfinite(value):
        raise Fault(f"{figure.name} must be a number in {figure.unit}.", about="value")
    row: CheckResult | None = known(
        CheckResult.objects, client_key, vehicle=vehicle, figure=figure, value=value
    )
    if row is not None:
        return row
    held = figure.at(vehicle.depot_id)
    doubts = doubt_of(sign_question(held, value), "value")
    same = CheckResult.objects.filter(vehicle=vehicle, figure=figure, value=value)
    if order is not None and order.started_at is not None:
        since = same.filter(measured_at__gte=order.started_at)
        doubts += again(actor, since, order.depot.zone, client_key, "measured_at")
    said = doubts_kept(doubts, override_reason)
    with transaction.atomic():
        given: dict[str, object] = {
            "vehicle": vehicle,
            "figure": figure,
            "value": value,
            "outcome": outcome(held, value),
            "test_method": test_method or figure.test_method,
            "measured_at": actor.at,
            "person": actor.person,
            **said,
        }
        result: CheckResult
        result, new = keep(CheckResult.objects, client_key, given)
        if new:
            _follow(actor, held, result, order)
    return result


def _follow(
    actor: Actor, figure: CheckFigure, result: CheckResult, order: WorkOrder | None
) -> None:
    """What follows, by the figure with the limits that hold at the vehicle's depot."""
    vehicle = result.vehicle
    today = actor.at.astimezone(ZoneInfo(vehicle.depot.zone)).date()
    reason = (
        f"{figure.name} {plain(result.value)} {figure.unit}: {result.outcome} ({figure.source})"
    )
    if result.outcome == Outcome.FAIL:
        if figure.calls_for is None:
            return _report(actor, result, reason, order)
        service, due_on = figure.calls_for, today
    elif result.outcome == Outcome.WATCH:
        service = figure.service
        due_on = date.fromisoformat(str(add_months(today, figure.watch_months)))
    else:
        return
    call = DueEarlier.objects.create(
        vehicle=vehicle,
        service=service,
        called_on=today,
        called_at=actor.at,
        due_on=due_on,
        result=result,
        reason=reason[:300],
        person=actor.person,
    )
    if order is not None:
        job = order.jobs.filter(service=figure.service).first()
        CalledBy.objects.create(call=call, job=job)


def _report(actor: Actor, result: CheckResult, reason: str, order: WorkOrder | None) -> None:
    """Report a value that failed and that no change puts right."""
    findings.report(
        actor,
        Report(
            vehicle=result.vehicle,
            kind=Finding.Kind.OTHER,
            severity=Finding.Severity.SOON,
            text=reason[:500],
            client_key=f"check-failed-{result.pk}",
            compartment=result.figure.service.compartment,
            order=order,
            result=result,
        ),
    )


def anchor_watch(job: Job) -> None:
    """A value that wants watching calls for the next check: its own job does not end that."""
    calls = DueEarlier.objects.filter(
        called_by__job=job, called_by__rule=None, service=job.service, withdrawn_at=None
    )
    calls.update(anchor=job.done)
