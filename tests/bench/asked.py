"""The floor of a night in which nothing changed: what it must ask to know that nothing did.

Whatever a night is like, it has to find out at each stage whether anything is another than what is
kept. Here each of these questions is asked once, by the plainest statement that answers it
truthfully from the tables as they are, straight through the driver, and only ids, counts and rows
of small tables come back. Nothing is shared with the program: no queryset, no helper, no stamp is
worked out, no row is built. What a night makes of small tables before it asks, as the numbers that
stand for rules and criteria, is given: it is read from the stamps once, before the clock runs.

Why there is nothing to leave out:

- Verdicts, usage: new readings have an index of their own; but a verdict may have changed without
  a new reading, so each meter's memory is held against its state.
- Duty classes, due dates: rules, the vehicle, its usage, classes, services done and fills can each
  change without any of the others. Each is one number per vehicle, so the least is to hold these
  numbers against those kept. No index can answer it, for a change leaves no other trace.
- The day on which an order is needed is kept with it, and lists go by it: a night that was cut
  short after it wrote due dates left it behind them, so it is held against the dates of the open
  jobs.
- What is late or soon depends on the day: indexes find the few rows, which are then held against
  open jobs and open questions, in both directions.
- Weeks ahead: what a vehicle brought is held against its dates, less those that are late by now.
- The tables that do not grow with the fleet are read whole: a night cannot know what they say
  otherwise.
- The ledger: a night says that it begins and that it has ended, each at once.

Why it is the least: a statement reads each row of a vehicle once, by the index that it needs or by
none where all are read, joins by keys, sorts nothing and gives nothing back. What rests on the same
rows and does not change between is asked together (classes and dates); usage comes before them, as
it changes what they ask about, and the weeks ahead after them.
"""

from datetime import date, timedelta
from typing import Any

from django.db import connection, transaction

from fleet import bulk

SMALL = (
    *("duty_criterion", "vehicles_climatemonth", "vehicles_depot", "vehicles_closure"),
    *("vehicles_compartment", "due_service", "due_limit", "due_guardfactor"),
    *("workorders_procedure", "visits_serviceneed", "visits_workshop", "consumables_classmonth"),
    "overview_workahead",
)
OPEN_JOB = """EXISTS (SELECT 1 FROM workorders_job j WHERE j.vehicle_id = {0}.vehicle_id
    AND j.service_id = {0}.service_id AND j.state = 'open')"""
LATE = "history_known AND sort_on <= {today} AND (calendar_on < {today} OR beyond_by_reading)"
LATE_OR_PROBABLY = f"({LATE} OR history_known AND sort_on < {{today}})"
IN_USE = "('in use', 'hired in')"

QUESTIONS = (
    # readings, usage
    "SELECT id FROM readings_reading WHERE verdict = 'not judged' LIMIT 1",
    "SELECT meter_id FROM readings_verdictmemory WHERE to_replay",
    """SELECT j.meter_id FROM readings_verdictmemory j
    LEFT JOIN usage_usagestate s ON s.meter_id = j.meter_id
    LEFT JOIN (SELECT m.id AS meter_id, i.id FROM usage_seasonindex i
        JOIN vehicles_vehicle v ON v.vehicle_type_id = i.type_pk AND v.depot_id = i.depot_pk
        JOIN vehicles_meter m ON m.vehicle_id = v.id AND m.kind = 'km' WHERE i.in_force) x
        ON x.meter_id = j.meter_id
    WHERE CASE WHEN j.accepted = 0 THEN s.meter_id IS NOT NULL ELSE s.version {unlike} j.version
        OR s.last_at_d {unlike} j.last_at_d OR s.season_id {unlike} x.id END""",
    "SELECT id FROM readings_settlementwithdrawal WHERE drafts IS NULL",
    """SELECT d.id FROM due_servicedone d JOIN readings_reading r ON r.id = d.reading_id
    WHERE d.provisional AND r.verdict = 'accepted' AND NOT EXISTS (
        SELECT 1 FROM due_servicedone n WHERE n.supersedes_id = d.id)""",
    # months that are over
    'SELECT job, MAX("on") FROM runs_run GROUP BY job',
    # duty classes and due dates
    """SELECT v.id FROM vehicles_vehicle v
    LEFT JOIN due_duestamp s ON s.vehicle_id = v.id
    LEFT JOIN duty_dutystamp a ON a.vehicle_id = v.id
    LEFT JOIN usage_usagestate k ON k.vehicle_id = v.id
    WHERE v.status <> 'sold' AND (a.month_on {unlike} {month} OR a.rules {unlike} {criteria}
        OR a.usage {unlike} s.usage_km OR s.duty {unlike} a.changes + 1
        OR s.particulars {unlike} v.revision
        OR COALESCE(k.stamp, 0) NOT IN (s.usage_km, s.usage_h)
        OR s.done {unlike} COALESCE(
            (SELECT MAX(d.id) FROM due_servicedone d WHERE d.vehicle_id = v.id), 0)
        OR (v.vehicle_type_id, v.depot_id, s.rules) NOT IN (VALUES {rules}))""",
    "SELECT vehicle_id, MAX(id) FROM due_fill GROUP BY vehicle_id",
    "SELECT vehicle_id, from_on, until_on, duty_class FROM duty_dutyoverride",
    "SELECT noticed_at FROM due_duemove ORDER BY noticed_at LIMIT 1",
    # orders and questions
    """SELECT o.id FROM workorders_workorder o WHERE NOT (o.state IN ('signed off', 'cancelled'))
    AND o.needed_on {unlike} (SELECT MIN(d.bring_in_by_on) FROM workorders_job j
        JOIN due_duedate d ON d.vehicle_id = j.vehicle_id AND d.service_id = j.service_id
        WHERE j.order_id = o.id AND j.state = 'open')""",
    f"SELECT id FROM due_dueearlier c WHERE withdrawn_at IS NULL AND NOT {OPEN_JOB.format('c')}",
    f"""SELECT d.vehicle_id, d.service_id FROM due_duedate d
    WHERE d.depot_id IN ({{depots}}) AND d.p10 <= {{soon}} AND d.history_known
        AND NOT {OPEN_JOB.format("d")} AND EXISTS (SELECT 1 FROM vehicles_vehicle v
            WHERE v.id = d.vehicle_id AND v.status IN {IN_USE})""",
    f"""SELECT e.id FROM workorders_escalation e WHERE e.closed_on IS NULL AND NOT EXISTS (
        SELECT 1 FROM due_duedate d WHERE d.vehicle_id = e.vehicle_id
            AND d.service_id = e.service_id AND {LATE})""",
    f"""SELECT d.vehicle_id, d.service_id FROM due_duedate d WHERE {LATE}
        AND (NOT EXISTS (SELECT 1 FROM workorders_escalation e WHERE e.vehicle_id = d.vehicle_id
            AND e.service_id = d.service_id AND e.stage = 'supervisor' AND e.closed_on IS NULL)
        OR (beyond_tolerance_by_reading OR tolerance_until_on < {{today}})
            AND NOT EXISTS (SELECT 1 FROM workorders_escalation e WHERE e.closed_on IS NULL
                AND e.vehicle_id = d.vehicle_id AND e.service_id = d.service_id
                AND e.stage = 'use or stand down'))""",
    """SELECT e.id FROM workorders_escalation e WHERE e.stage = 'supervisor' AND e.answer = ''
        AND e.closed_on IS NULL AND e.since_on < {long_ago}""",
    "SELECT vehicle_id FROM due_topup LIMIT 1",
    # stores, weeks ahead, trials
    "SELECT id FROM stores_item LIMIT 1",
    f"""SELECT depot_id, service_id, COUNT(*) FROM due_duedate WHERE {LATE_OR_PROBABLY}
    GROUP BY depot_id, service_id""",
    f"""WITH late (vehicle_id, hash) AS (
        SELECT vehicle_id, SUM(inputs_hash / 256) FROM (
            SELECT vehicle_id, inputs_hash FROM due_duedate WHERE {LATE_OR_PROBABLY}
            LIMIT 1000000000) few GROUP BY vehicle_id)
    SELECT v.id FROM vehicles_vehicle v
    LEFT JOIN due_duestamp s ON s.vehicle_id = v.id
    LEFT JOIN overview_vehicleahead a ON a.vehicle_id = v.id
    LEFT JOIN late l ON l.vehicle_id = v.id
    WHERE COALESCE(a.depot_id, v.depot_id) <> v.depot_id OR COALESCE(a.inputs, 0) <>
        CASE WHEN v.status = 'sold' THEN 0 ELSE s.dates - COALESCE(l.hash, 0) END""",
    "SELECT id FROM workorders_workorder WHERE planned_on IS NOT NULL AND state = 'released'",
    "SELECT id FROM trials_trial LIMIT 1",
)
TELL = (5, 9, 18)  # of the questions: answered with figures; all others must find nothing


def statements(on: date) -> list[str]:
    """Every question of a night of that day, in words that both databases understand."""
    day = "DATE '{}'" if bulk.on_postgres() else "'{}'"
    given = {
        "unlike": "IS DISTINCT FROM" if bulk.on_postgres() else "IS NOT",
        "month": day.format(on.replace(day=1)),
        "today": day.format(on),
        "soon": day.format(on + timedelta(days=14)),
        "long_ago": day.format(on - timedelta(days=7)),
        "criteria": str(_rows("SELECT rules FROM duty_dutystamp LIMIT 1")[0][0]),
        "depots": ", ".join(str(pk) for (pk,) in _rows("SELECT id FROM vehicles_depot")),
        "rules": ", ".join(f"({a}, {b}, {c})" for a, b, c in _rows(KEPT_RULES)),
    }
    whole = [f"SELECT * FROM {table}" for table in SMALL]  # noqa: S608
    return [question.format(**given) for question in QUESTIONS] + whole


KEPT_RULES = """
    SELECT DISTINCT v.vehicle_type_id, v.depot_id, s.rules
    FROM vehicles_vehicle v JOIN due_duestamp s ON s.vehicle_id = v.id"""
NOTE = "UPDATE runs_run SET progress_share = progress_share WHERE id = 1"


def ask(asked: list[str]) -> list[list[Any]]:
    """Ask everything, and note before and after that it is done."""
    _note()
    answers = [_rows(sql) for sql in asked]
    _note()
    return answers


def hold(asked: list[str]) -> None:
    """Hold that nothing has changed, and that one row of each kind that changes is seen."""
    wrong = [asked[at] for at in _found(asked)]
    if wrong:
        raise AssertionError(f"Something has changed: {wrong}")
    for change, at in CHANGES.items():
        with transaction.atomic():
            with connection.cursor() as cursor:
                cursor.execute(change)
            seen = _found(asked)
            transaction.set_rollback(True)
        if at not in seen:
            raise AssertionError(f"Not seen: {change}")


def _found(asked: list[str]) -> list[int]:
    rows = [_rows(sql) for sql in asked[: len(QUESTIONS)]]
    return [at for at, found in enumerate(rows) if found and at not in TELL]


def _one(table: str, change: str, key: str = "vehicle_id") -> str:
    row = f"(SELECT MIN({key}) FROM {table})"
    return f"UPDATE {table} SET {change} WHERE {key} = {row}"  # noqa: S608


CHANGES = {
    _one("readings_reading", "verdict = 'not judged'", "id"): 0,
    _one("readings_verdictmemory", "version = version + 1", "meter_id"): 2,
    _one("duty_dutystamp", "usage = usage + 1"): 6,
    _one("duty_dutystamp", "changes = changes + 1"): 6,
    _one("vehicles_vehicle", "revision = revision + 1", "id"): 6,
    _one("usage_usagestate", "stamp = stamp / 2"): 6,
    _one("due_duestamp", "rules = rules / 2"): 6,
    _one("due_duestamp", "done = done - 1"): 6,
    _one("workorders_workorder", "needed_on = NULL", "id"): 10,
    _one("workorders_job", "state = 'dropped'", "id"): 12,
    "UPDATE due_duedate SET calendar_on = NULL, beyond_by_reading = (1 = 0)": 13,
    _one("workorders_escalation", "closed_on = since_on", "id"): 14,
    _one("overview_vehicleahead", "inputs = inputs + 1"): 19,
}


def _note() -> None:
    cursor = connection.connection.cursor()
    cursor.execute(NOTE)
    cursor.close()


def _rows(sql: str) -> list[Any]:
    connection.ensure_connection()
    cursor = connection.connection.cursor()
    cursor.execute(sql)
    found: list[Any] = cursor.fetchall()
    cursor.close()
    return found
