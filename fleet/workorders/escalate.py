"""Overdue services that somebody must answer for, each night one step further."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np
from django.db import connection, transaction
from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery

from fleet import bulk
from fleet.calc.arrays import IntArray
from fleet.calc.calendar import WorkingDays
from fleet.due.late import late_rows
from fleet.due.listing import At, by_day, depot_days
from fleet.due.models import DueDate
from fleet.due.rules import gather_depots
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.vehicles.find import Depots
from fleet.workorders import findings
from fleet.workorders.listing import JobList
from fleet.workorders.models import Escalation, Job

Stage = Escalation.Stage
Pair = tuple[int, int]  # vehicle, service
PATIENCE_DAYS = 5  # working days without an answer; our choice


def escalate(
    actor: Actor,
    depots: At | None = None,
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
        By slug, or by id with what day it is there; default all.
    working
        Working days of each depot, where the caller has read them already.
    """
    opened: set[Pair] = set()
    days = gather_depots().working if working is None else working
    for today, depot_ids in by_day(depot_days(depots, actor.now)):
        here, ids = bulk.among("v.depot_id", np.array(depot_ids))
        with transaction.atomic():
            _close(f"EXISTS ({AT_DEPOTS} AND {here})", ids, today)
            opened |= _open(depot_ids, today, _long_ago(depot_ids, today, days))
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
    mine = np.intersect1d(about, vehicle_ids)
    if len(mine):
        _close(*bulk.among("workorders_escalation.vehicle_id", mine), today)


def _overdue(today: date) -> tuple[str, list[Any]]:
    """SQL of due dates that are overdue.

    Nobody is asked about a round: it waits for the vehicle's next order.
    """
    rows, params = late_rows(today)
    sql = f"""
        SELECT l.* FROM ({rows}) l JOIN due_service s ON s.id = l.service_id
        WHERE l.overdue AND NOT s.is_round"""  # noqa: S608
    return sql, [*params]


def _long_ago(
    depot_ids: Sequence[int], today: date, working: Mapping[int, WorkingDays]
) -> dict[date, list[int]]:
    """Depots by the day before which a question was asked more than five working days ago."""
    found: dict[date, list[int]] = defaultdict(list)
    for depot_id in depot_ids:
        calendar = working[depot_id].calendar()
        asked_on = np.busday_offset(today, -PATIENCE_DAYS, roll="backward", busdaycal=calendar)
        found[date.fromisoformat(str(asked_on))].append(depot_id)
    return found


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


AT_DEPOTS = """
    SELECT 1 FROM vehicles_vehicle v WHERE v.id = workorders_escalation.vehicle_id"""
OPEN = """
    INSERT INTO workorders_escalation (vehicle_id, service_id, stage, since_on, answer, reason)
    WITH late AS ({overdue}),
    asked (vehicle_id, service_id, stage) AS (
        SELECT vehicle_id, service_id, %s FROM late
        UNION ALL SELECT d.vehicle_id, d.service_id, %s
            FROM late d JOIN vehicles_vehicle v ON v.id = d.vehicle_id
            JOIN workorders_escalation e ON e.vehicle_id = d.vehicle_id
                AND e.service_id = d.service_id AND e.stage = %s
            WHERE e.closed_on IS NULL AND e.answer = '' AND ({long_ago})
        UNION ALL SELECT vehicle_id, service_id, %s FROM late
            WHERE beyond OR tolerance_until_on < %s)
    SELECT a.vehicle_id, a.service_id, a.stage, {today}, '', '' FROM asked a
    WHERE {unasked}
    ON CONFLICT DO NOTHING RETURNING vehicle_id, service_id"""


def _unasked() -> str:
    """SQL of what ``a`` nobody is asked about.

    A PostgreSQL makes a list of what is asked: joined, a table that it takes for a small one is
    read anew for each row, with what was just written. SQLite finds each along its index.
    """
    if bulk.on_postgres():
        return """(a.vehicle_id, a.service_id, a.stage) NOT IN (
            SELECT vehicle_id, service_id, stage FROM workorders_escalation
            WHERE closed_on IS NULL)"""
    return """NOT EXISTS (
        SELECT 1 FROM workorders_escalation e WHERE e.vehicle_id = a.vehicle_id
            AND e.service_id = a.service_id AND e.stage = a.stage AND e.closed_on IS NULL)"""


def _open(
    depot_ids: Sequence[int], today: date, long_ago: Mapping[date, Sequence[int]]
) -> set[Pair]:
    """One open question per vehicle, service and stage that has none yet, and about which: the
    supervisor's about all that is overdue, deputy's and manager's where that was asked
    ``long_ago`` without an answer, and what to do with a vehicle that is out of tolerance."""
    overdue, params = _overdue(today)
    due_here, due_ids = bulk.among("l.depot_id", np.array(depot_ids))
    late = f"{overdue} AND {due_here}"
    where, before = list[str](), list[Any]()
    for asked_on, depot_ids in long_ago.items():
        here, ids = bulk.among("v.depot_id", np.array(depot_ids))
        where.append(f"{here} AND e.since_on < %s")
        before += [*ids, asked_on]
    cast = "CAST(%s AS date)" if bulk.on_postgres() else "%s"
    with connection.cursor() as cursor:
        cursor.execute(
            OPEN.format(overdue=late, long_ago=" OR ".join(where), today=cast, unasked=_unasked()),
            [
                *(*params, *due_ids, str(Stage.SUPERVISOR)),
                *(str(Stage.DEPUTY_AND_MANAGER), str(Stage.SUPERVISOR), *before),
                *(str(Stage.USE_OR_STAND_DOWN), today, today.isoformat()),
            ],
        )
        return {(vehicle_id, service_id) for vehicle_id, service_id in cursor.fetchall()}


def _close(here: str, params: Sequence[Any], today: date) -> None:
    """Close some of what was asked, where it is not overdue: by a condition in SQL, of which SQLite
    asks last where it looks something up."""
    overdue, days = _overdue(today)
    sql = f"""
        UPDATE workorders_escalation SET closed_on = %s WHERE closed_on IS NULL
            AND NOT EXISTS (SELECT 1 FROM ({overdue}) o
                WHERE o.vehicle_id = workorders_escalation.vehicle_id
                    AND o.service_id = workorders_escalation.service_id)
            AND {here}"""  # noqa: S608
    with connection.cursor() as cursor:
        cursor.execute(sql, [today, *days, *params])


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
