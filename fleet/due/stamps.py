"""Which vehicles need a closer look: a few stamps per vehicle, compared inside the database."""

from datetime import date
from typing import Any

import numpy as np
from django.db import connection

from fleet import bulk
from fleet.calc.arrays import Array, IntArray
from fleet.calc.stamps import stamp
from fleet.due.rules import Basis

COLUMNS = (
    *("rules", "particulars", "usage_km", "usage_h", "duty", "done", "fills", "calls"),
    *("read_s", "season"),  # of usage: to tell which of them changed
)

# Rows of services done and fills are only ever added, so the newest id says it all; an index has it
# however long a history is. A call may be withdrawn, and then counts more than one that stands, so
# their sum only ever rises. A class may be decided again in place: each row weighs by a number of
# its own that is no multiple of its id, severe ones twice, so that an exchange of classes does not
# leave the sum as it was. An override may be decided again in place too, and counts anew when it
# begins and after its end.
WEIGHT = "(id * 18546 %% 30011) * (id * 9749 %% 30013)"  # modulo primes; our choice
PRESENT = """
    SELECT v.id AS vehicle_id, COALESCE(r.stamp, 0) AS rules, v.revision AS particulars,
        COALESCE(k.stamp, 0) AS usage_km, COALESCE(h.stamp, 0) AS usage_h,
        COALESCE(a.total, 0) + COALESCE(o.total, 0) AS duty,
        COALESCE((SELECT MAX(d.id) FROM due_servicedone d WHERE d.vehicle_id = v.id), 0) AS done,
        COALESCE((SELECT MAX(f.id) FROM due_fill f WHERE f.vehicle_id = v.id), 0) AS fills,
        COALESCE(c.newest, 0) AS calls,
        CAST((COALESCE(k.last_at_d, 0) + COALESCE(h.last_at_d, 0)) * 86400 AS BIGINT) AS read_s,
        COALESCE(k.season_id, 0) + COALESCE(h.season_id, 0) AS season
    FROM vehicles_vehicle v
    LEFT JOIN rules r ON r.type_id = v.vehicle_type_id AND r.depot_id = v.depot_id
    LEFT JOIN usage_usagestate k ON k.vehicle_id = v.id AND NOT EXISTS (
        SELECT 1 FROM vehicles_meter m WHERE m.id = k.meter_id AND m.kind = 'hours')
    LEFT JOIN vehicles_meter mh ON mh.vehicle_id = v.id AND mh.kind = 'hours'
    LEFT JOIN usage_usagestate h ON h.meter_id = mh.id
    LEFT JOIN (SELECT vehicle_id, CAST(SUM({weight} * CASE duty_class WHEN 'severe' THEN 2
        ELSE 1 END) AS BIGINT) AS total FROM duty_dutyassessment {among} GROUP BY vehicle_id) a
        ON a.vehicle_id = v.id
    LEFT JOIN (SELECT vehicle_id, CAST(SUM({weight} * (({from_d} * 31 + {until_d}) * 8
        + CASE duty_class WHEN 'severe' THEN 4 ELSE 0 END
        + CASE WHEN from_on > %s THEN 1 WHEN until_on < %s THEN 2 ELSE 3 END)) AS BIGINT) AS total
        FROM duty_dutyoverride {among} GROUP BY vehicle_id) o ON o.vehicle_id = v.id
    LEFT JOIN (SELECT vehicle_id, CAST(SUM(id * CASE WHEN withdrawn_at IS NULL THEN 3 ELSE 5 END)
        AS BIGINT) AS newest FROM due_dueearlier {among} GROUP BY vehicle_id) c
        ON c.vehicle_id = v.id
    WHERE v.status <> 'sold'"""


def changed_vehicles(today: date, basis: Basis) -> Array:
    """Vehicles whose due dates rest on something that is not what it was."""
    table, params = _rules_table(basis)
    unlike = "IS DISTINCT FROM" if bulk.on_postgres() else "IS NOT"
    differs = " OR ".join(f"p.{name} {unlike} s.{name}" for name in COLUMNS)
    sql = f"""
        WITH {table}, present AS ({_present("")})
        SELECT p.vehicle_id FROM present p
        LEFT JOIN due_duestamp s ON s.vehicle_id = p.vehicle_id
        WHERE {differs} ORDER BY p.vehicle_id"""  # noqa: S608
    return bulk.read(sql, [*params, today, today], {"vehicle_id": "i8"})["vehicle_id"]


def write_stamps(vehicle_ids: IntArray, today: date, basis: Basis) -> None:
    """Note what the due dates of some vehicles rest on now; call it in their transaction."""
    if not len(vehicle_ids):
        return
    table, params = _rules_table(basis)
    among, ids = bulk.among("vehicle_id", np.asarray(vehicle_ids, dtype=np.int64))
    one, _ = bulk.among("v.id", vehicle_ids)
    present = _present(f"WHERE {among}")
    listed = ", ".join(COLUMNS)
    sets = ", ".join(f"{name} = excluded.{name}" for name in COLUMNS)
    with connection.cursor() as cursor:
        cursor.execute(
            f"""INSERT INTO due_duestamp (vehicle_id, {listed})
                WITH {table} SELECT vehicle_id, {listed} FROM ({present} AND {one}) now
                WHERE true
                ON CONFLICT (vehicle_id) DO UPDATE SET {sets}""",  # noqa: S608
            [*params, *ids, today, today, *(ids * 3)],
        )


def _present(among: str) -> str:
    days = {f"{name}_d": bulk.day_number(f"{name}_on") for name in ("from", "until")}
    return PRESENT.format(among=among, weight=WEIGHT, **days)


def _rules_table(basis: Basis) -> tuple[str, list[Any]]:
    """One stamp for the services, limits and calendar of each vehicle type at each depot."""
    rules, depots = basis.rules, basis.depots
    rows: list[int] = []
    for type_id, services in rules.of_type.items():
        for depot_id, depot_stamp in depots.stamp.items():
            each = stamp(rules.stamp[services], services).view(np.uint64)
            total = int(np.bitwise_xor.reduce(each).view(np.int64))
            rows += [type_id, depot_id, int(stamp(total, depot_stamp))]
    if not rows:
        rows = [-1, -1, 0]
    cast = "(%s::bigint, %s::bigint, %s::bigint)" if bulk.on_postgres() else "(%s, %s, %s)"
    listed = ", ".join([cast] * (len(rows) // 3))
    return f"rules (type_id, depot_id, stamp) AS (VALUES {listed})", rows
