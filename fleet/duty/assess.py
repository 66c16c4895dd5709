"""Decide the duty class of each vehicle and compartment, month by month, with its evidence.

The class in force during a month rests on the months before it. One month is decided on top of
the class before it; a vehicle without any class is decided from its first known month on.
"""

import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from django.db import connection, transaction

from fleet import bulk
from fleet.calc import duty
from fleet.calc.arrays import Array
from fleet.calc.duty import CALM_MONTHS, Assessment, Condition, Criterion, Exposure
from fleet.calc.stamps import stamp_text
from fleet.duty import measures as monthly
from fleet.duty.models import Criterion as CriterionRow
from fleet.duty.models import DutyAssessment, DutyClass, DutyStamp
from fleet.reads import Rows, fetch, prepared
from fleet.vehicles.models import ClimateMonth, Compartment, CompartmentKind, Depot, Vehicle

VEHICLES_AT_ONCE = 10_000
MEASURED_MONTHS = 3  # a quarter of the usual window of twelve; our choice
MOST_MONTHS = 120  # a first assessment looks back so far at most; our choice
KINDS = tuple(CompartmentKind.values)
Place = tuple[int, int, date]  # vehicle, compartment, first day of a class
Told = tuple[str, str]  # class, and its evidence as it is kept
# SQL of whether the class of a vehicle for a month, by rules, was not decided on what is known now
DIFFERS = """
    ({stamp}.month_on {unlike} %s OR {stamp}.rules {unlike} %s OR {stamp}.usage {unlike} {usage})"""


@dataclass(frozen=True)
class Fleet:
    """Vehicles of one chunk, sorted by id."""

    id: Array
    type_id: Array
    depot_id: Array
    powertrain: Array
    declared: Array  # object: list of criterion slugs
    usage: Array  # stamp of the distance meter's usage


def criteria() -> list[Criterion]:
    """Criteria in force, as the arithmetic takes them."""
    return [criterion(row) for row in criteria_in_force()]


@prepared
def criteria_in_force() -> Rows:
    return CriterionRow.objects.filter(in_force=True)


def criterion(row: CriterionRow) -> Criterion:
    """One as the arithmetic takes it."""
    alternatives = tuple(tuple(Condition(*parts) for parts in group) for group in row.conditions)
    return Criterion(
        slug=row.slug,
        compartments=tuple(row.compartments),
        powertrains=tuple(row.powertrains),
        alternatives=alternatives,
        weight="engine_h" if row.weight == "engine_h" else "km",
        share_limit=row.share_limit,
        source=row.source,
        window_months=row.window_months,
    )


def rules_stamp() -> int:
    """One number for everything an assessment rests on besides the vehicle itself."""
    rows = [_all_of_criteria(), _all_of_climate(), _hills(), _kinds()]
    fetch(rows)
    return stamp_text(json.dumps([list(each) for each in rows], default=str))


@prepared
def _all_of_criteria() -> Rows:
    return CriterionRow.objects.order_by("pk").values_list()


@prepared
def _all_of_climate() -> Rows:
    return ClimateMonth.objects.order_by("pk").values_list()


@prepared
def _hills() -> Rows:
    return Depot.objects.order_by("pk").values_list("pk", "hilly")


@prepared
def _kinds() -> Rows:
    return Compartment.objects.order_by("pk").values_list("pk", "vehicle_type_id", "kind")


def assess(vehicle_ids: Array, month_on: date, rules: int, since_on: date | None = None) -> int:
    """Decide the class in force from the first of a month; give the number of rows changed.

    Parameters
    ----------
    month_on
        First day of the month that the class is wanted for.
    since_on
        Decide again from this month on (a sheet of the month before it was changed).
    """
    known = criteria()
    changed = 0
    for begin in range(0, len(vehicle_ids), VEHICLES_AT_ONCE):
        fleet = _gather_fleet(vehicle_ids[begin : begin + VEHICLES_AT_ONCE])
        changed += _assess_chunk(fleet, known, month_on, rules, since_on)
    return changed


def _assess_chunk(
    fleet: Fleet, known: list[Criterion], month_on: date, rules: int, since_on: date | None
) -> int:
    previous, has_class = _gather_previous(fleet, since_on or month_on)
    month = np.datetime64(month_on, "M")
    first = np.full(len(fleet.id), np.datetime64(since_on or month_on, "M"))
    first[~has_class] = _first_months(_take(fleet, np.flatnonzero(~has_class)), month)
    changed = 0
    for begin in np.unique(first):
        rows = np.flatnonzero(first == begin)
        changed += _decide(_take(fleet, rows), known, begin, month, previous[rows])
    with transaction.atomic():
        _record_stamps(fleet, month_on, rules)
    return changed


def _decide(fleet: Fleet, known: list[Criterion], first: Any, month: Any, previous: Array) -> int:
    """Decide months ``first`` … ``month`` (a class in force rests on the months before it)."""
    lead = duty.lead_in_months(known) + CALM_MONTHS
    months = np.arange(first - lead, month)
    tables = monthly.gather(fleet.id, fleet.depot_id, months)
    found = duty.assess(
        known,
        KINDS,
        fleet.powertrain.tolist(),
        tables,
        _declared(fleet, known),
        first_month=len(months) - int((month - first).astype(int)) - 1,
        previous=previous,
    )
    return _record(fleet, found, np.arange(first, month + 1))


def exposures(
    vehicle: Vehicle, month_on: date, known: Sequence[Criterion] | None = None
) -> dict[str, list[dict[str, Any]]]:
    """Every exposure of a vehicle as of a month, by kind of compartment, under some criteria
    (default those in force)."""
    known = criteria() if known is None else known
    fleet = _fleet_of(vehicle)
    month = np.datetime64(month_on, "M")
    months = np.arange(month - duty.lead_in_months(known) - CALM_MONTHS, month)
    tables = monthly.gather(fleet.id, fleet.depot_id, months)
    found = duty.assess(
        known,
        KINDS,
        fleet.powertrain.tolist(),
        tables,
        _declared(fleet, known),
        first_month=len(months) - 1,
    )
    return {kind: _as_rows(found.evidence(0, row, 0)) for row, kind in enumerate(KINDS)}


def _as_rows(exposures: Sequence[Exposure]) -> list[dict[str, Any]]:
    """Exposures as they are kept and shown."""
    return [
        {
            "criterion": item.slug,
            "exposure": round(item.share, 4),
            "limit": item.limit,
            "declared": item.declared,
            "reached": item.reached,
        }
        for item in exposures
    ]


# --- gather ------------------------------------------------------------------------------
def _gather_fleet(vehicle_ids: Array) -> Fleet:
    where, params = bulk.among("v.id", np.asarray(vehicle_ids, dtype=np.int64))
    sql = f"""
        SELECT v.id, v.vehicle_type_id, v.depot_id, t.powertrain, v.declared_use,
            COALESCE(s.stamp, 0)
        FROM vehicles_vehicle v JOIN vehicles_vehicletype t ON t.id = v.vehicle_type_id
        LEFT JOIN vehicles_meter m ON m.vehicle_id = v.id AND m.kind = 'km'
        LEFT JOIN usage_usagestate s ON s.meter_id = m.id
        WHERE {where} ORDER BY v.id"""  # noqa: S608
    kinds = {"id": "i8", "type_id": "i8", "depot_id": "i8", "powertrain": "O"}
    found = bulk.read(sql, params, kinds | {"declared": "O", "usage": "i8"})
    found["declared"] = np.array(
        [json.loads(use) if isinstance(use, str) else use for use in found["declared"]] + [None],
        dtype=object,
    )[:-1]
    return Fleet(**found)


def _fleet_of(vehicle: Vehicle) -> Fleet:
    """One vehicle that has been read already; of its usage nothing is asked."""
    declared = np.empty(1, dtype=object)
    declared[0] = vehicle.declared_use
    return Fleet(
        id=np.array([vehicle.pk]),
        type_id=np.array([vehicle.vehicle_type_id]),
        depot_id=np.array([vehicle.depot_id]),
        powertrain=np.array([vehicle.vehicle_type.powertrain], dtype=object),
        declared=declared,
        usage=np.zeros(1, dtype=np.int64),
    )


def _take(fleet: Fleet, rows: Array) -> Fleet:
    return Fleet(**{name: column[rows] for name, column in vars(fleet).items()})


def _declared(fleet: Fleet, known: Sequence[Criterion]) -> Array:
    """Declared use, criterion by vehicle."""
    rows = [[criterion.slug in use for use in fleet.declared] for criterion in known]
    return np.array(rows, dtype=bool).reshape(len(known), len(fleet.id))


def _first_months(fleet: Fleet, month: Any) -> Array:
    """First month to decide of vehicles without a class, at most the month wanted.

    The first class counts for all days before it, too: so it should rest on measured months,
    where the history is long enough for that.
    """
    where, params = bulk.among("m.vehicle_id", fleet.id)
    sql = f"""
        SELECT m.vehicle_id, MIN({bulk.day_number('k."on"')}) FROM usage_kmat k
        JOIN vehicles_meter m ON m.id = k.meter_id AND m.kind = 'km'
        WHERE {where} GROUP BY m.vehicle_id"""  # noqa: S608
    found = bulk.read(sql, params, {"vehicle_id": "i8", "on_d": "i8"})
    first = np.full(len(fleet.id), month)
    known = found["on_d"].astype("M8[D]").astype("M8[M]") + MEASURED_MONTHS
    first[np.searchsorted(fleet.id, found["vehicle_id"])] = known
    return np.asarray(np.minimum(np.maximum(first, month - MOST_MONTHS), month))


def _gather_previous(fleet: Fleet, month_on: date) -> tuple[Array, Array]:
    """Class in force before a month, vehicle by kind (-1: none), and who has any class."""
    where, params = bulk.among("a.vehicle_id", fleet.id)
    sql = f"""
        SELECT a.vehicle_id, c.kind, CASE WHEN a.duty_class = 'severe' THEN 1 ELSE 0 END
        FROM duty_dutyassessment a JOIN vehicles_compartment c ON c.id = a.compartment_id
        WHERE {where} AND a.from_on < %s ORDER BY a.vehicle_id, a.from_on"""  # noqa: S608
    found = bulk.read(sql, [*params, month_on], {"vehicle_id": "i8", "kind": "O", "severe": "i8"})
    previous = np.full((len(fleet.id), len(KINDS)), duty.NO_CLASS_YET)
    kind = np.array([KINDS.index(name) for name in found["kind"]], dtype=np.int64)
    # rows come oldest first: of several assignments to one place the last one stays
    previous[np.searchsorted(fleet.id, found["vehicle_id"]), kind] = found["severe"]
    return previous, (previous != duty.NO_CLASS_YET).any(axis=1)


# --- record ------------------------------------------------------------------------------
def _record(fleet: Fleet, found: Assessment, months: Array) -> int:
    """Write a row where the class changes, and take away one that no longer marks a change."""
    wanted = _wanted(fleet, found, months.astype("M8[D]").tolist())
    with transaction.atomic():
        ids, stored = _stored(fleet, months[0].astype("M8[D]").item())
        stale = [ids[place] for place in stored if place not in wanted]
        _drop(stale)
        _count_change(_otherwise(wanted, stored))
        written = _write(_differing(wanted, stored))
    return written + len(stale)


def _wanted(fleet: Fleet, found: Assessment, days: list[date]) -> dict[Place, Told]:
    wanted: dict[Place, Told] = {}
    for kind, places in _compartments().items():
        number = KINDS.index(kind)
        vehicle, month = np.nonzero(found.changed[:, number])
        evidence = _evidence(found, number, vehicle, month)
        severe = found.severe[vehicle, number, month].tolist()
        names = (str(DutyClass.SEVERE if one else DutyClass.NORMAL) for one in severe)
        told = list(zip(names, evidence, strict=True))
        ids, on = fleet.id[vehicle].tolist(), [days[at] for at in month.tolist()]
        for row, type_id in enumerate(fleet.type_id[vehicle].tolist()):
            for pk in places.get(type_id, ()):
                wanted[ids[row], pk, on[row]] = told[row]
    return wanted


def _evidence(found: Assessment, kind: int, vehicle: Array, month: Array) -> list[str]:
    """Exposures behind some decisions, as they are kept; those of many vehicles are the same."""
    own = [at for at, one in enumerate(found.criteria) if KINDS[kind] in one.compartments]
    exposure, stood_in = (part[own][:, vehicle, month] for part in (found.exposure, found.stood_in))
    alike: dict[tuple[float, ...], str] = {}
    texts = []
    for row, key in enumerate(map(tuple, np.vstack((exposure, stood_in)).T.tolist())):
        if (text := alike.get(key)) is None:
            exposures = found.evidence(int(vehicle[row]), kind, int(month[row]))
            text = alike[key] = json.dumps(_as_rows(exposures))
        texts.append(text)
    return texts


def _compartments() -> dict[str, dict[int, list[int]]]:
    """By kind, and by vehicle type."""
    found: dict[str, dict[int, list[int]]] = defaultdict(lambda: defaultdict(list))
    for pk, type_id, kind in Compartment.objects.values_list("pk", "vehicle_type_id", "kind"):
        found[kind][type_id].append(pk)
    return found


def _stored(fleet: Fleet, since: date) -> tuple[dict[Place, int], dict[Place, Told]]:
    """Rows from a day on: their ids, and what they say."""
    where, params = bulk.among("vehicle_id", fleet.id)
    sql = f"""
        SELECT id, vehicle_id, compartment_id, {bulk.day_number("from_on")}, duty_class, evidence
        FROM duty_dutyassessment WHERE {where} AND from_on >= %s"""  # noqa: S608
    kinds = dict.fromkeys(("id", "vehicle_id", "compartment_id", "on"), "i8")
    found = bulk.read(sql, [*params, since], kinds | {"class": "O", "evidence": "O"})
    days = found["on"].astype("M8[D]").tolist()
    listed = found["vehicle_id"].tolist(), found["compartment_id"].tolist(), days
    places = list(zip(*listed, strict=True))
    told = zip(found["class"].tolist(), found["evidence"].tolist(), strict=True)
    ids = dict(zip(places, found["id"].tolist(), strict=True))
    return ids, dict(zip(places, told, strict=True))


def _differing(wanted: dict[Place, Told], stored: dict[Place, Told]) -> dict[Place, Told]:
    """What is wanted and not stored so."""
    texts = {evidence for _, evidence in (*wanted.values(), *stored.values())}
    # a database may keep it with its names in another order
    said = {text: json.dumps(json.loads(text), sort_keys=True) for text in texts}
    kept = {place: (own, said[evidence]) for place, (own, evidence) in stored.items()}
    return {
        place: (own, evidence)
        for place, (own, evidence) in wanted.items()
        if kept.get(place) != (own, said[evidence])
    }


def _otherwise(wanted: dict[Place, Told], stored: dict[Place, Told]) -> Array:
    """Vehicles whose classes become others."""
    now, before = ({(place, own) for place, (own, _) in rows.items()} for rows in (wanted, stored))
    return np.array(sorted({vehicle_id for (vehicle_id, *_), _ in now ^ before}), dtype=np.int64)


def _write(rows: dict[Place, Told]) -> int:
    if not rows:
        return 0
    vehicle_id, compartment_id, from_on = zip(*rows, strict=True)
    duty_class, evidence = zip(*rows.values(), strict=True)
    columns = {
        "vehicle_id": np.array(vehicle_id, dtype=np.int64),
        "compartment_id": np.array(compartment_id, dtype=np.int64),
        "from_on": np.array(from_on, dtype="M8[D]"),
        "duty_class": np.array(duty_class, dtype=object),
        "evidence": np.array(evidence, dtype=object),
    }
    return bulk.upsert(DutyAssessment, columns, ["vehicle_id", "compartment_id", "from_on"])


def _drop(ids: Sequence[int]) -> None:
    for begin in range(0, len(ids), 500):
        DutyAssessment.objects.filter(pk__in=ids[begin : begin + 500]).delete()


def _count_change(vehicle_ids: Array) -> None:
    """Let due dates know. Of a vehicle that has no stamp yet they see when it gets one."""
    if not len(vehicle_ids):
        return
    where, params = bulk.among("vehicle_id", vehicle_ids)
    with connection.cursor() as cursor:
        cursor.execute(f"UPDATE duty_dutystamp SET changes = changes + 1 WHERE {where}", params)  # noqa: S608


def _record_stamps(fleet: Fleet, month_on: date, rules: int) -> None:
    count = len(fleet.id)
    columns = {
        "vehicle_id": fleet.id,
        "month_on": np.full(count, np.datetime64(month_on, "D")),
        "rules": np.full(count, rules, dtype=np.int64),
        "usage": fleet.usage,
        "changes": np.zeros(count, dtype=np.int64),  # of a new one; others keep theirs
    }
    told = ["month_on", "rules", "usage"]
    bulk.upsert(DutyStamp, columns, key=["vehicle_id"], update=told)
