"""Measured values against pass, watch and fail, and what follows from them."""

from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from django.db import transaction

from fleet.calc.calendar import add_months
from fleet.due.models import CheckFigure, CheckResult, DueEarlier
from fleet.faults import Fault
from fleet.people.roles import Right
from fleet.vehicles.models import Vehicle
from fleet.workorders.actor import Actor
from fleet.workorders.keys import known
from fleet.workorders.models import WorkOrder
from fleet.workorders.recording import open_order

Outcome = CheckResult.Outcome


def outcome(figure: CheckFigure, value: float) -> str:
    """Pass inside the pass limits, watch inside the watch limits, else fail; on both sides."""
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
) -> CheckResult:
    """Record a value measured on an order that still takes records; see ``record_check``."""
    if not CheckResult.objects.filter(client_key=client_key).exists():
        open_order(actor, order.pk)
    return record_check(
        actor,
        vehicle=order.vehicle,
        figure=figure,
        value=value,
        client_key=client_key,
        test_method=test_method,
    )


def record_check(
    actor: Actor,
    *,
    vehicle: Vehicle,
    figure: CheckFigure,
    value: float,
    client_key: str,
    test_method: str = "",
) -> CheckResult:
    """Record a measured value, once per key.

    A fail makes the change due now, a watch the next check sooner; a pass never extends the
    maker's limit, so nothing follows from it.
    """
    actor.must(Right.RECORD_WORK, vehicle.depot_id)
    if not np.isfinite(value):
        raise Fault(f"{figure.name} must be a number in {figure.unit}.", about="value")
    row: CheckResult | None = known(
        CheckResult.objects, client_key, vehicle=vehicle, figure=figure, value=value
    )
    if row is not None:
        return row
    with transaction.atomic():
        result, new = CheckResult.objects.get_or_create(
            client_key=client_key,
            defaults={
                "vehicle": vehicle,
                "figure": figure,
                "value": value,
                "outcome": outcome(figure, value),
                "test_method": test_method or figure.test_method,
                "measured_at": actor.at,
                "person": actor.person,
            },
        )
        if new:
            _follow(actor, vehicle, result)
    return result


def _follow(actor: Actor, vehicle: Vehicle, result: CheckResult) -> None:
    today = actor.at.astimezone(ZoneInfo(vehicle.depot.zone)).date()
    figure = result.figure
    reason = f"{figure.name} {result.value:g} {figure.unit}: {result.outcome} ({figure.source})"
    if result.outcome == Outcome.FAIL and figure.calls_for is not None:
        service, due_on, called_on = figure.calls_for, today, today
    elif result.outcome == Outcome.WATCH:
        # the check itself is recorded as done today, so the call must count from after it
        service, called_on = figure.service, today + timedelta(days=1)
        due_on = date.fromisoformat(str(add_months(today, figure.watch_months)))
    else:
        return
    DueEarlier.objects.create(
        vehicle=vehicle,
        service=service,
        called_on=called_on,
        due_on=due_on,
        reason=reason[:300],
        person=actor.person,
    )
