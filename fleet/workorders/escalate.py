"""Overdue services that somebody must answer for, each night one step further."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np
from django.db import connection, transaction
from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery

from fleet.calc.arrays import IntArray
from fleet.calc.calendar import WorkingDays
from fleet.due.listing import by_day, condition, depot_days
from fleet.due.models import DueDate
from fleet.due.rules import gather_depots
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Vehicle
from fleet.workorders import findings
from fleet.workorders.listing import JobList
from fleet.workorders.models import Escalation, Job

Stage = Escalation.Stage
Pair = tuple[int, int]  # vehicle, service
PATIENCE_DAYS = 5  # working days without an answer; our choice


def escalate(
    actor: Actor,
    depots: Sequence[str] | None = None,
    working: Mapping[int, WorkingDays] | None = None,
) -> int:
    """Open what is overdue, carry on what nobody answered, close what was done.

    Overdue goes to the supervisor at once; unanswered for five working days to deputy and
    manager; out of tolerance it asks "use or stand down". Gives how many services are asked about
    now and were not, or a step further. All of it happens inside the database, whatever the size of
    the fleet.

    Parameters
    ----------
    depots
        By slug; default all.
    working
        Working days of each depot, where the caller has read them already.
    """
    opened: set[Pair] = set()
    days = gather_depots().working if working is None else working
    for today, depot_ids in by_day(depot_days(depots, actor.now)):
        overdue = _overdue(today).filter(depot_id__in=depot_ids)
        asked = Escalation.objects.filter(vehicle__depot_id__in=depot_ids)
        with transaction.atomic():
            _close(asked, overdue, today)
            opened |= _open(overdue, Stage.SUPERVISOR, today)
            opened |= _open(
                _unanswered(overdue, depot_ids, today, days), Stage.DEPUTY_AND_MANAGER, today
            )
            opened |= _open(_out_of_tolerance(overdue, today), Stage.USE_OR_STAND_DOWN, today)
    return len(opened)


def close_done(vehicle_ids: IntArray, today: date) -> None:
    """Close what was asked about some vehicles and is overdue no more, as once it is done.

    Parameters
    ----------
    vehicle_ids : (n,)
        As many as the fleet has; questions are open about few of them.
    """
    asked = Escalation.objects.filter(closed_on=None)
    about = np.array(asked.values_list("vehicle_id", flat=True), dtype=np.int64)
    mine = np.intersect1d(about, vehicle_ids).tolist()
    if mine:
        _close(asked.filter(vehicle_id__in=mine), _overdue(today), today)


def _overdue(today: date) -> QuerySet[DueDate]:
    """Overdue due dates; the day they are sorted by is never ahead.

    Nobody is asked about a round: it waits for the vehicle's next order.
    """
    return DueDate.objects.filter(
        condition("overdue", today),
        sort_on__lte=today,
        service__is_round=False,
    ).exclude(vehicle__status=Vehicle.Status.SOLD)


def _out_of_tolerance(overdue: QuerySet[DueDate], today: date) -> QuerySet[DueDate]:
    return overdue.filter(Q(beyond_tolerance_by_reading=True) | Q(tolerance_until_on__lt=today))


def _unanswered(
    overdue: QuerySet[DueDate],
    depot_ids: Sequence[int],
    today: date,
    working: Mapping[int, WorkingDays],
) -> QuerySet[DueDate]:
    """Those the supervisor was asked about more than five working days ago, without an answer."""
    long_ago = Q(pk__in=[])
    for depot_id in depot_ids:
        calendar = working[depot_id].calendar()
        asked_on = np.busday_offset(today, -PATIENCE_DAYS, roll="backward", busdaycal=calendar)
        long_ago |= Q(vehicle__depot_id=depot_id, since_on__lt=asked_on.item())
    waiting = Escalation.objects.filter(
        long_ago,
        vehicle=OuterRef("vehicle"),
        service=OuterRef("service"),
        stage=Stage.SUPERVISOR,
        closed_on=None,
        answer="",
    )
    return overdue.filter(Exists(waiting))


def open_questions(depots: Depots) -> QuerySet[Escalation]:
    """Overdue services nobody has answered for, each at its furthest stage, most pressing first."""
    rows = Escalation.objects.filter(closed_on=None)
    further = rows.filter(vehicle=OuterRef("vehicle"), service=OuterRef("service"))
    told = Q(Exists(further.exclude(stage=Stage.SUPERVISOR)), stage=Stage.SUPERVISOR)
    asked = Q(Exists(further.filter(stage=Stage.USE_OR_STAND_DOWN)), stage=Stage.DEPUTY_AND_MANAGER)
    found = rows.filter(~told, ~asked, vehicle__depot__in=depots, answer="")
    # "use or stand down" sorts last of the three by name, and presses most
    return found.select_related("vehicle", "service").order_by("-stage", "since_on", "pk")


def longest_late_first(questions: QuerySet[Escalation]) -> QuerySet[Escalation]:
    """Questions with the day that each service passed its limit, the longest ago first."""
    passed = DueDate.objects.filter(vehicle=OuterRef("vehicle"), service=OuterRef("service"))
    rows = questions.annotate(late_since=Subquery(passed.values("sort_on")[:1]))
    return rows.select_related("vehicle__depot", "service").order_by(
        F("late_since").asc(nulls_last=True), "-stage", "pk"
    )


def asked_about(depots: Depots) -> QuerySet[Escalation]:
    """Open questions, the longest late first, with the order that has each service open as
    ``order_list``: number, state, day."""
    open_jobs = Job.objects.filter(
        vehicle=OuterRef("vehicle"), service=OuterRef("service"), state=Job.State.OPEN
    )
    columns = JobList(F("order__number"), F("order__state"), F("order__planned_on"))
    found = open_jobs.order_by().values("vehicle").annotate(found=columns).values("found")
    return longest_late_first(open_questions(depots)).annotate(order_list=Subquery(found))


def _open(rows: QuerySet[DueDate], stage: str, today: date) -> set[Pair]:
    """One open question per vehicle, service and stage, for rows that have none yet: which."""
    asked = Escalation.objects.filter(
        vehicle=OuterRef("vehicle"), service=OuterRef("service"), stage=stage, closed_on=None
    )
    missing = rows.filter(~Exists(asked)).order_by()
    sql, params = missing.values("vehicle_id", "service_id").query.sql_with_params()
    given: list[Any] = [str(stage), today.isoformat()]
    cast = "%s::date" if connection.vendor == "postgresql" else "%s"
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO workorders_escalation "  # noqa: S608
            "(vehicle_id, service_id, stage, since_on, answer, reason) "
            f"SELECT d.vehicle_id, d.service_id, %s, {cast}, '', '' FROM ({sql}) d "
            "WHERE true ON CONFLICT DO NOTHING RETURNING vehicle_id, service_id",
            [*given, *params],
        )
        return {(vehicle_id, service_id) for vehicle_id, service_id in cursor.fetchall()}


def _close(asked: QuerySet[Escalation], overdue: QuerySet[DueDate], today: date) -> None:
    still = overdue.filter(vehicle=OuterRef("vehicle"), service=OuterRef("service"))
    asked.filter(~Exists(still), closed_on=None).update(closed_on=today)


def answer(actor: Actor, escalation_id: int, *, given: str, reason: str) -> Escalation:
    """Answer for an overdue service: planned, use it all the same, or stand the vehicle down."""
    row = Escalation.objects.select_related("vehicle").filter(pk=escalation_id).first()
    if row is None:
        raise Fault(f"There is no such question {escalation_id}.")
    actor.must(Right.DEFER, row.vehicle.depot_id)
    if given not in Escalation.Answer.values or not reason.strip():
        raise Fault(f"Answer {', '.join(Escalation.Answer.values)}, with a reason.", about="reason")
    with transaction.atomic():
        claimed = Escalation.objects.filter(pk=row.pk, answer="", closed_on=None).update(
            answer=given, answered_by=actor.person, answered_at=actor.at, reason=reason.strip()
        )
        if not claimed:
            raise Refused("It has been answered already.")
        if given == Escalation.Answer.STAND_DOWN:
            findings.set_do_not_use(actor, vehicle=row.vehicle, reason=f"stood down: {reason}")
    row.refresh_from_db()
    return row


def answer_many(
    actor: Actor, escalation_ids: Sequence[int], *, given: str, reason: str
) -> dict[int, Fault | None]:
    """The same answer for many, each with its own row: what refuses each, or None."""
    found: dict[int, Fault | None] = {}
    for pk in escalation_ids:
        try:
            answer(actor, pk, given=given, reason=reason)
        except Fault as fault:
            found[pk] = fault
        else:
            found[pk] = None
    return found
