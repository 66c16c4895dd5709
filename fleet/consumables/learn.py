"""What past records say: how many parts break, how often fluid is poured in, how much per km."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from fleet import bulk
from fleet.calc.arrays import IntArray
from fleet.calc.breakage import fading
from fleet.calc.common_factor import USUAL_SIGMA, learnt_sigma
from fleet.consumables.gather import day_number
from fleet.consumables.models import ClassMonth, PerKmUse
from fleet.consumables.recipes import Recipes, rounded
from fleet.consumables.watched import Watched, watched
from fleet.stores.models import AcceptedFluid, Item, ProductClaim
from fleet.vehicles.models import CompartmentKind
from fleet.workorders.items_for import plain

PRIOR_KM = 10_000.0  # what a stated use per km counts for against records; our choice
WINDOW_D = 365  # of records of use per km; our choice


@dataclass(frozen=True)
class Events:
    """Faded records of one item for one type of vehicle."""

    count: float
    quantities: list[int]
    weights: list[float]


@dataclass(frozen=True)
class Learnt:
    """What records say, and what stands in until there are some."""

    breakage: Mapping[int, tuple[float, float]]  # item id -> broken, whole
    events: Mapping[tuple[int, int], Events]  # type id, item id
    exposure: Mapping[int, float]  # type id -> past, faded [30 vehicle-days]
    per_km: Mapping[int, Mapping[int, float]]  # type id -> item id -> mL per km
    sigma: Mapping[tuple[int, int], float]  # depot id, type id -> spread of the common factor

    def sigma_of(self, depot_id: int, type_id: int) -> float:
        return self.sigma.get((depot_id, type_id), USUAL_SIGMA)


def learn(today: date, recipes: Recipes) -> Learnt:
    """Read the records of the whole fleet; a handful of statements whatever its size."""
    today_d = day_number(today)
    per_km = _per_km(today_d)
    used_by_km = {(type_id, item_id) for type_id, by_item in per_km.items() for item_id in by_item}
    recorded = watched(today_d)
    events = _events(today_d, recipes, recorded)
    return Learnt(
        breakage=_breakage(recipes),
        events={key: found for key, found in events.items() if key not in used_by_km},
        exposure=recorded.exposure(),
        per_km=per_km,
        sigma=sigmas(today),
    )


def _breakage(recipes: Recipes) -> dict[int, tuple[float, float]]:
    """Pieces that broke and that did not, of all that were disturbed."""
    done = bulk.read(
        "SELECT service_id, COUNT(*) FROM workorders_job "
        "WHERE state = 'done' AND service_id IS NOT NULL GROUP BY service_id",
        [],
        {"service_id": "i8", "jobs": "i8"},
    )
    disturbed: dict[int, int] = defaultdict(int)
    for service_id, jobs in zip(done["service_id"].tolist(), done["jobs"].tolist(), strict=True):
        for item_id, pieces in recipes.disturbed.get(service_id, {}).items():
            disturbed[item_id] += jobs * pieces
    rows = bulk.read(
        "SELECT name, SUM(pieces) FROM workorders_materialused "
        "WHERE broken AND pieces IS NOT NULL AND withdrawn_reason = '' GROUP BY name",
        [],
        {"name": "O", "pieces": "i8"},
    )
    by_name = _by_name(recipes)
    broken: dict[int, int] = defaultdict(int)
    for name, pieces in zip(rows["name"].tolist(), rows["pieces"].tolist(), strict=True):
        found = by_name.get((plain(name), str(Item.Unit.PIECES)))
        if found is not None:
            broken[found] += pieces
    known = {item_id for by_item in recipes.disturbed.values() for item_id in by_item}
    return {
        item_id: (float(broken[item_id]), float(max(disturbed[item_id] - broken[item_id], 0)))
        for item_id in known
    }


def _by_name(recipes: Recipes) -> dict[tuple[str, str], int]:
    return {(plain(item.name), item.unit): pk for pk, item in sorted(recipes.items.items())}


def _events(today_d: int, recipes: Recipes, recorded: Watched) -> dict[tuple[int, int], Events]:
    """Top-ups, and parts used on jobs that are no service, by type and item: those of the days
    that are counted."""
    found: dict[tuple[int, int], Events] = defaultdict(lambda: Events(0.0, [], []))
    for one in (*_top_ups(recipes), *_other_uses(recipes)):
        if not recorded.holds(one.vehicle_id, one.at_d):
            continue
        weight = float(fading(today_d - one.at_d))
        before = found[one.type_id, one.item_id]
        found[one.type_id, one.item_id] = Events(
            before.count + weight,
            [*before.quantities, one.quantity],
            [*before.weights, weight],
        )
    return dict(found)


@dataclass(frozen=True)
class _Use:
    vehicle_id: int
    type_id: int
    item_id: int
    quantity: int  # [mL or pieces]
    at_d: float


def _top_ups(recipes: Recipes) -> list[_Use]:
    sql = f"""
        SELECT v.id, v.vehicle_type_id, t.compartment_id, COALESCE(t.product_id, 0), t.quantity_ml,
            {bulk.instant_d("t.topped_up_at")}
        FROM due_topup t JOIN vehicles_vehicle v ON v.id = t.vehicle_id
        WHERE t.quantity_ml > 0 ORDER BY t.id"""  # noqa: S608
    kinds = dict.fromkeys(("vehicle_id", "type_id", "compartment_id", "product_id", "ml"), "i8")
    rows = bulk.read(sql, [], kinds | {"at_d": "f8"})
    fluid = _fluid_items(recipes)
    found = []
    for vehicle_id, type_id, place, product_id, ml, at_d in zip(
        *(c.tolist() for c in rows.values()), strict=True
    ):
        item_id = fluid.get((0, product_id)) or fluid.get((place, 0))
        if item_id is not None:
            found.append(_Use(vehicle_id, type_id, item_id, rounded(ml), at_d))
    return found


def _fluid_items(recipes: Recipes) -> dict[tuple[int, int], int]:
    """Item of a product (0, product), and of what a compartment accepts (compartment, 0)."""
    by_product = {
        item.product_id: pk
        for pk, item in sorted(recipes.items.items(), reverse=True)
        if item.product_id is not None
    }
    found = {(0, product_id): pk for product_id, pk in by_product.items()}
    claims: dict[int, list[int]] = defaultdict(list)
    for product_id, specification_id in ProductClaim.objects.order_by("product").values_list(
        "product_id", "specification_id"
    ):
        if product_id in by_product:
            claims[specification_id].append(product_id)
    for place, specification_id in AcceptedFluid.objects.order_by("pk").values_list(
        "compartment_id", "specification_id"
    ):
        for product_id in claims.get(specification_id, [])[:1]:
            found.setdefault((place, 0), by_product[product_id])
    return found


def _other_uses(recipes: Recipes) -> list[_Use]:
    """Parts used on work that is no service: what findings led to."""
    sql = f"""
        SELECT v.id, v.vehicle_type_id, m.name, COALESCE(m.pieces, 0), COALESCE(m.quantity_ml, 0),
            {bulk.instant_d("m.performed_at")}
        FROM workorders_materialused m JOIN workorders_job j ON j.id = m.job_id
        JOIN vehicles_vehicle v ON v.id = j.vehicle_id
        WHERE j.service_id IS NULL AND m.withdrawn_reason = '' ORDER BY m.id"""  # noqa: S608
    kinds = {"vehicle_id": "i8", "type_id": "i8", "name": "O"}
    rows = bulk.read(sql, [], kinds | {"pieces": "i8", "ml": "i8", "at_d": "f8"})
    by_name = _by_name(recipes)
    found = []
    for vehicle_id, type_id, name, pieces, ml, at_d in zip(
        *(c.tolist() for c in rows.values()), strict=True
    ):
        unit = Item.Unit.PIECES if pieces else Item.Unit.ML
        item_id = by_name.get((plain(name), str(unit)))
        if item_id is not None and (pieces or ml):
            found.append(_Use(vehicle_id, type_id, item_id, pieces or rounded(ml), at_d))
    return found


def _per_km(today_d: int) -> dict[int, dict[int, float]]:
    """Millilitres per km, as stated and as recorded by the vehicles that keep records."""
    found: dict[int, dict[int, float]] = defaultdict(dict)
    for use in PerKmUse.objects.select_related("item"):
        ml, km = _recorded_per_km(use, today_d)
        stated = use.ml_per_1000_km / 1000 * PRIOR_KM
        found[use.vehicle_type_id][use.item_id] = (stated + ml) / (PRIOR_KM + km)
    return dict(found)


def _recorded_per_km(use: PerKmUse, today_d: int) -> tuple[float, float]:
    """Litres poured in over a year, and the km of the vehicles that have such records."""
    since = today_d - WINDOW_D
    sql = f"""
        SELECT t.vehicle_id, SUM(t.quantity_ml) FROM due_topup t
        JOIN vehicles_vehicle v ON v.id = t.vehicle_id
        JOIN vehicles_compartment c ON c.id = t.compartment_id
        WHERE v.vehicle_type_id = %s AND {bulk.instant_d("t.topped_up_at")} >= %s
            AND (t.product_id = %s OR (t.product_id IS NULL AND c.kind = %s))
        GROUP BY t.vehicle_id"""  # noqa: S608
    params = [
        *(use.vehicle_type_id, since, use.item.product_id or 0),
        str(CompartmentKind.EXHAUST_FLUID),
    ]
    rows = bulk.read(sql, params, {"vehicle_id": "i8", "ml": "f8"})
    return float(rows["ml"].sum()), _driven_km(rows["vehicle_id"], since)


def _driven_km(vehicle_ids: IntArray, since_d: int) -> float:
    where, params = bulk.among("m.vehicle_id", vehicle_ids)
    sql = f"""
        SELECT k.meter_id, MAX(k.total) - MIN(k.total) FROM usage_kmat k
        JOIN vehicles_meter m ON m.id = k.meter_id
        WHERE {where} AND m.kind = 'km' AND {bulk.day_number('k."on"')} >= %s
        GROUP BY k.meter_id"""  # noqa: S608
    rows = bulk.read(sql, [*params, since_d], {"meter_id": "i8", "km": "f8"})
    return float(rows["km"].sum())


def sigmas(today: date) -> dict[tuple[int, int], float]:
    """Spread of what each class shares, from the months that are over."""
    month_on = today.replace(day=1)
    if not bulk.has(ClassMonth, "month_on < %s", [month_on]):  # where no demand is forecast
        return {}
    rows = ClassMonth.objects.filter(month_on__lt=month_on).order_by("month_on")
    by_class: dict[tuple[int, int], list[ClassMonth]] = defaultdict(list)
    for row in rows:
        by_class[row.depot_id, row.vehicle_type_id].append(row)
    return {key: _sigma_of(months) for key, months in by_class.items() if len(months) >= 2}


def _sigma_of(months: list[ClassMonth]) -> float:
    driven = _driven_by_month(months[0].depot_id, months[0].vehicle_type_id)
    ratio, sampling = [], []
    for row in months:
        if row.month_on in driven and row.mean_km > 0:
            vehicles, km = driven[row.month_on]
            ratio.append(km / vehicles / (row.mean_km / row.vehicles))
            sampling.append(row.var_km2 / row.mean_km**2)
    return learnt_sigma(ratio, np.ones(len(ratio)), sampling)


def _driven_by_month(depot_id: int, type_id: int) -> dict[date, tuple[int, float]]:
    """Vehicles and km of a class by month, from the totals kept at each first of a month."""
    sql = f"""
        SELECT k.meter_id, {bulk.day_number('k."on"')}, k.total FROM usage_kmat k
        JOIN vehicles_meter m ON m.id = k.meter_id AND m.kind = 'km'
        JOIN vehicles_vehicle v ON v.id = m.vehicle_id
        WHERE v.depot_id = %s AND v.vehicle_type_id = %s ORDER BY k.meter_id, k."on\""""  # noqa: S608
    rows = bulk.read(sql, [depot_id, type_id], {"meter_id": "i8", "on_d": "i8", "total": "f8"})
    on = rows["on_d"].astype("M8[D]")
    first = on == on.astype("M8[M]").astype("M8[D]")
    meter, month, total = rows["meter_id"][first], on[first].astype("M8[M]"), rows["total"][first]
    follows = (np.diff(meter) == 0) & (np.diff(month).astype(np.int64) == 1)
    at, km = month[:-1][follows], np.diff(total)[follows]
    return {
        one.astype("M8[D]").item(): (int((at == one).sum()), float(km[at == one].sum()))
        for one in np.unique(at)
    }
