"""Which vehicles need a closer look: a few stamps per vehicle, compared inside the database."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import chain, product

import numpy as np
from django.db import connection

from fleet import bulk
from fleet.calc.arrays import Array, IntArray
from fleet.calc.stamps import stamp
from fleet.due.rules import Basis
from fleet.duty import assess

COMPARED = ("particulars", "usage_km", "usage_h", "duty", "done", "fills", "calls")
TELLING = ("read_s", "season")  # parts of usage, kept to tell which of them changed
COLUMNS = ("rules", *COMPARED, *TELLING, "dates")
PARTS_OF_A_HASH = 256  # so that a sum over a vehicle's services stays a 64-bit number

# Rows of services done and fills are only ever added, so the newest id says it all; an index has it
# however long a history is. A call may be withdrawn, and then counts more than one that stands, so
# their sum only ever rises. Classes that were assessed are counted where they become others. An
# override may be decided again in place: each row weighs by a number of its own that is no multiple
# of its id, severe ones more, so that an exchange of classes does not leave the sum as it was; it
# counts anew when it begins and after its end.
WEIGHT = "(id * 18546 %% 30011) * (id * 9749 %% 30013)"  # modulo primes; our choice
PRESENT = {
    "particulars": "v.revision",
    "usage_km": "COALESCE(k.stamp, 0)",
    "usage_h": "COALESCE(h.stamp, 0)",
    "duty": "COALESCE(a.changes + 1, 0) + COALESCE(o.total, 0)",
    "done": "COALESCE((SELECT MAX(d.id) FROM due_servicedone d WHERE d.vehicle_id = v.id), 0)",
    "fills": "COALESCE((SELECT MAX(f.id) FROM due_fill f WHERE f.vehicle_id = v.id), 0)",
    "calls": "COALESCE(c.newest, 0)",
    "read_s": "CAST((COALESCE(k.last_at_d, 0) + COALESCE(h.last_at_d, 0)) * 86400 AS BIGINT)",
    "season": "COALESCE(k.season_id, 0) + COALESCE(h.season_id, 0)",
    "dates": f"""COALESCE((SELECT CAST(SUM(x.inputs_hash / {PARTS_OF_A_HASH}) AS BIGINT)
        FROM due_duedate x WHERE x.vehicle_id = v.id), 0)""",  # noqa: S608
}
HOURS = """
    LEFT JOIN vehicles_meter m ON m.vehicle_id = v.id AND m.kind = 'hours'
    LEFT JOIN usage_usagestate h ON h.meter_id = m.id"""
# of all vehicles: those without such a meter need not be looked up to see it
HOURS_OF_ALL = """
    LEFT JOIN (SELECT m.vehicle_id, m.id, u.stamp, u.last_at_d, u.season_id
        FROM vehicles_meter m LEFT JOIN usage_usagestate u ON u.meter_id = m.id
        WHERE m.kind = 'hours') h ON h.vehicle_id = v.id"""
SOURCES = """
    LEFT JOIN usage_usagestate k ON k.vehicle_id = v.id AND k.meter_id <> COALESCE({hours}, 0)
    LEFT JOIN duty_dutystamp a ON a.vehicle_id = v.id
    LEFT JOIN (SELECT vehicle_id, CAST(SUM({weight} * (({from_d} * 31 + {until_d}) * 8
        + CASE duty_class WHEN 'severe' THEN 4 ELSE 0 END
        + CASE WHEN from_on > %s THEN 1 WHEN until_on < %s THEN 2 ELSE 3 END)) AS BIGINT) AS total
        FROM duty_dutyoverride {among} GROUP BY vehicle_id) o ON o.vehicle_id = v.id
    LEFT JOIN (SELECT vehicle_id, CAST(SUM(id * CASE WHEN withdrawn_at IS NULL THEN 3 ELSE 5 END)
        AS BIGINT) AS newest FROM due_dueearlier {among} GROUP BY vehicle_id) c
        ON c.vehicle_id = v.id"""


@dataclass(frozen=True)
class Changed:
    """Vehicles of which something is not what it was."""

    classes: Array  # of what their duty classes rest on
    dates: Array  # of what their due dates rest on


def changed(today: date, basis: Basis, criteria: int) -> Changed:
    """Ask of the whole fleet whose duty classes, for a month or by ``criteria``, and whose due
    dates rest on something else now. What is assessed may change due dates: ask about it again."""
    others, params = _differs(basis)
    classes = assess.DIFFERS.format(unlike=_unlike(), stamp="a", usage=PRESENT["usage_km"])
    # told twice: of columns of a subselect SQLite would work out each for every vehicle
    sql = f"""
        SELECT v.id, {classes}, {others} FROM vehicles_vehicle v
        LEFT JOIN due_duestamp s ON s.vehicle_id = v.id {_sources(None)}
        WHERE v.status <> 'sold' AND ({classes} OR {others}) ORDER BY v.id"""  # noqa: S608
    which = [today.replace(day=1), criteria, *params]
    given = [*which, today, today, *which]
    found = bulk.read(sql, given, {"id": "i8", "classes": "?", "dates": "?"})
    return Changed(found["id"][found["classes"]], found["id"][found["dates"]])


def changed_dates(vehicle_ids: IntArray, today: date, basis: Basis) -> Array:
    """Those of some vehicles whose due dates rest on something else now."""
    if not len(vehicle_ids):
        return np.asarray(vehicle_ids, dtype=np.int64)
    others, params = _differs(basis)
    among, ids = bulk.among("vehicle_id", np.asarray(vehicle_ids, dtype=np.int64))
    one, _ = bulk.among("v.id", vehicle_ids)
    sql = f"""
        SELECT v.id FROM vehicles_vehicle v
        LEFT JOIN due_duestamp s ON s.vehicle_id = v.id {_sources(f"WHERE {among}")}
        WHERE v.status <> 'sold' AND {one} AND {others} ORDER BY v.id"""  # noqa: S608
    return bulk.read(sql, [today, today, *(ids * 3), *params], {"id": "i8"})["id"]


def _differs(basis: Basis) -> tuple[str, list[int]]:
    rules, params = _other_rules(basis)
    terms = [f"s.{name} {_unlike()} {PRESENT[name]}" for name in COMPARED]
    return f"({' OR '.join(terms)} OR s.vehicle_id IS NULL OR {rules})", params


def _unlike() -> str:
    return "IS DISTINCT FROM" if bulk.on_postgres() else "IS NOT"


def write_stamps(vehicle_ids: IntArray, today: date, basis: Basis) -> None:
    """Note what the due dates of some vehicles rest on now, once they are written; call it in their
    transaction."""
    if not len(vehicle_ids):
        return
    rules, params = _rules_table(basis)
    among, ids = bulk.among("vehicle_id", np.asarray(vehicle_ids, dtype=np.int64))
    one, _ = bulk.among("v.id", vehicle_ids)
    names = ("vehicle_id", *COLUMNS)
    sets = ", ".join(f"{name} = excluded.{name}" for name in COLUMNS)
    now = {"vehicle_id": "v.id", "rules": "COALESCE(r.stamp, 0)"} | PRESENT
    with connection.cursor() as cursor:
        cursor.execute(
            f"""INSERT INTO due_duestamp ({", ".join(names)})
                WITH {rules} SELECT {", ".join(now[name] for name in names)}
                FROM vehicles_vehicle v
                LEFT JOIN rules r ON r.type_id = v.vehicle_type_id AND r.depot_id = v.depot_id
                {_sources(f"WHERE {among}")} WHERE v.status <> 'sold' AND {one}
                ON CONFLICT (vehicle_id) DO UPDATE SET {sets}""",  # noqa: S608
            [*params, today, today, *(ids * 3)],
        )


def _sources(among: str | None) -> str:
    """All that is looked up of vehicles ``v``, of some or (None) of all of them."""
    days = {f"{name}_d": bulk.day_number(f"{name}_on") for name in ("from", "until")}
    hours, meter = (HOURS_OF_ALL, "h.id") if among is None else (HOURS, "m.id")
    rest = SOURCES.format(among=among or "", weight=WEIGHT, hours=meter, **days)
    return hours + rest


def _other_rules(basis: Basis) -> tuple[str, list[int]]:
    """SQL of whether the rules of a vehicle's type at its depot are others than those kept."""
    rows = _rule_stamps(basis)
    if not rows:
        return "s.rules <> 0", []
    types = sorted({type_id for type_id, *_ in rows})
    marks = ", ".join(["%s"] * len(types))
    sql = f"""(v.vehicle_type_id, v.depot_id, s.rules) NOT IN ({_listed(rows)})
        AND (s.rules <> 0 OR v.vehicle_type_id IN ({marks}))"""
    return sql, [*chain(*rows), *types]


def _rules_table(basis: Basis) -> tuple[str, list[int]]:
    """SQL of a table: one stamp for each vehicle type at each depot."""
    rows = _rule_stamps(basis) or [(-1, -1, 0)]
    return f"rules (type_id, depot_id, stamp) AS ({_listed(rows)})", [*chain(*rows)]


def _listed(rows: Sequence[tuple[int, int, int]]) -> str:
    cast = "(%s::bigint, %s::bigint, %s::bigint)" if bulk.on_postgres() else "(%s, %s, %s)"
    return f"VALUES {', '.join([cast] * len(rows))}"


def _rule_stamps(basis: Basis) -> list[tuple[int, int, int]]:
    rules, depots = basis.rules, basis.depots
    totals = {
        type_id: np.bitwise_xor.reduce(stamp(rules.stamp[services], services))
        for type_id, services in rules.of_type.items()
    }
    pairs = list(product(totals, depots.stamp))
    of_type = np.array([totals[type_id] for type_id, _ in pairs], dtype=np.int64)
    of_depot = np.array([depots.stamp[pk] for _, pk in pairs], dtype=np.int64)
    stamps = stamp(of_type, of_depot).tolist()
    return [(*pair, one) for pair, one in zip(pairs, stamps, strict=True)]
