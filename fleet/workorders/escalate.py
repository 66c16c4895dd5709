"""Overdue services that somebody must answer for, each night one step further."""

from collections.abc import Sequence
from datetime import date

import numpy as np
from django.db import transaction
from django.db.models import Q

from fleet.calc.calendar import WorkingDays
from fleet.due.listing import DueRow, due_rows
from fleet.due.rules import gather_depots
from fleet.faults import Fault
from fleet.people.roles import Right
from fleet.workorders import findings
from fleet.workorders.actor import Actor
from fleet.workorders.models import Escalation

Stage = Escalation.Stage
PATIENCE_DAYS = 5  # working days without an answer; our choice


def escalate(actor: Actor, depots: Sequence[str] | None = None) -> int:
    """Open what is overdue, carry on what nobody answered, close what was done.

    Overdue goes to the supervisor at once; unanswered for five working days to deputy and
    manager; out of tolerance it asks "use or stand down". Gives the number of rows opened.
    """
    rows = due_rows(depots=depots, states=["overdue"], now=actor.now)
    overdue = {(row.vehicle_id, row.service_id): row for row in rows}
    with transaction.atomic():
        _close_done(overdue, depots, actor.now.date())
        stored = _open_ones(list(overdue))
        wanted = [
            (key, stage)
            for key, row in overdue.items()
            for stage in _stages(row, stored.get(key, {}))
            if stage not in stored.get(key, {})
        ]
        Escalation.objects.bulk_create(
            (
                Escalation(vehicle_id=key[0], service_id=key[1], stage=stage,
                           since_on=overdue[key].today)
                for key, stage in wanted
            ),
            ignore_conflicts=True,
        )  # fmt: skip
    return len(wanted)


def _stages(row: DueRow, stored: dict[str, Escalation]) -> list[str]:
    stages: list[str] = [Stage.SUPERVISOR]
    first = stored.get(Stage.SUPERVISOR)
    if first is not None and not first.answer and _working_days(row, first) > PATIENCE_DAYS:
        stages.append(Stage.DEPUTY_AND_MANAGER)
    if row.out_of_tolerance:
        stages.append(Stage.USE_OR_STAND_DOWN)
    return stages


def _working_days(row: DueRow, first: Escalation) -> int:
    working: WorkingDays = gather_depots().working[first.vehicle.depot_id]
    return int(np.busday_count(first.since_on, row.today, busdaycal=working.calendar()))


def _open_ones(keys: Sequence[tuple[int, int]]) -> dict[tuple[int, int], dict[str, Escalation]]:
    rows = Escalation.objects.filter(
        vehicle_id__in={vehicle for vehicle, _ in keys}, closed_on=None
    ).select_related("vehicle")
    found: dict[tuple[int, int], dict[str, Escalation]] = {}
    for row in rows:
        found.setdefault((row.vehicle_id, row.service_id), {})[row.stage] = row
    return found


def _close_done(
    overdue: dict[tuple[int, int], DueRow], depots: Sequence[str] | None, today: date
) -> None:
    where = Q(closed_on=None)
    if depots is not None:
        where &= Q(vehicle__depot__slug__in=depots)
    rows = Escalation.objects.filter(where).values_list("pk", "vehicle_id", "service_id")
    done = [pk for pk, vehicle, service in rows if (vehicle, service) not in overdue]
    Escalation.objects.filter(pk__in=done).update(closed_on=today)


def answer(actor: Actor, escalation_id: int, *, given: str, reason: str) -> Escalation:
    """Answer for an overdue service: planned, use it all the same, or stand the vehicle down."""
    row = Escalation.objects.select_related("vehicle").filter(pk=escalation_id).first()
    if row is None:
        raise Fault(f"There is no such question {escalation_id}.")
    actor.must(Right.DEFER, row.vehicle.depot_id)
    if given not in Escalation.Answer.values or not reason.strip():
        raise Fault(f"Answer {', '.join(Escalation.Answer.values)}, with a reason.")
    with transaction.atomic():
        claimed = Escalation.objects.filter(pk=row.pk, answer="").update(
            answer=given, answered_by=actor.person, answered_at=actor.at, reason=reason.strip()
        )
        if not claimed:
            raise Fault("It has been answered already.")
        if given == Escalation.Answer.STAND_DOWN:
            findings.set_do_not_use(actor, vehicle=row.vehicle, reason=f"stood down: {reason}")
    row.refresh_from_db()
    return row
