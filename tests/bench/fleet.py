"""A large fleet straight into the tables: vehicles, services, usage, what was done."""

from datetime import date

import numpy as np
from django.db.models import CharField

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.due.models import Limit, Service, ServiceDone
from fleet.readings.models import Reading
from fleet.vehicles.models import (
    Compartment,
    Depot,
    DepotStay,
    Meter,
    Vehicle,
    VehicleType,
)

SOURCE = "invented for the benchmark"
LAST_ON = np.datetime64("2026-06-28", "D")
READINGS_EVERY_D = 7
EPOCH = np.datetime64("1970-01-01", "s")
SERVICES = (
    ("engine", 30_000, 24),
    ("gearbox", 60_000, 36),
    ("final drive", 60_000, 48),
    ("cooling", 120_000, 60),
    ("brake", None, 24),
    ("power steering", 90_000, 60),
)

FIGURES = {kind.replace(" ", "-"): (km, months) for kind, km, months in SERVICES}


def build(vehicles: int, weeks: int, seed: int = 1) -> None:
    """Write a fleet with ``weeks`` weekly readings per vehicle that nobody judged yet."""
    rng = np.random.default_rng(seed)
    depots = [_depot(at) for at in range(4)]
    types = [_type(at) for at in range(3)]
    ids = np.arange(1, vehicles + 1)
    depot = np.array(depots)[ids % 4]
    kind = np.array(types)[ids % 3]
    _vehicles(ids, kind, depot)
    _done(ids, kind, rng)
    for begin in range(0, vehicles, 20_000):
        _readings(ids[begin : begin + 20_000], weeks, rng)


def read_again(share: float, on: date, seed: int = 2) -> int:
    """Read a share of the meters once more at the noon of a day; say how many."""
    found = bulk.read(
        "SELECT meter_id, last_km, last_at_d FROM usage_usagestate ORDER BY meter_id",
        [],
        {"meter_id": "i8", "km": "f8", "at_d": "f8"},
    )
    rng = np.random.default_rng(seed)
    chosen = rng.random(len(found["meter_id"])) < share
    at = np.datetime64(on, "s") + np.timedelta64(12, "h")
    days = (at - EPOCH) / np.timedelta64(1, "D") - found["at_d"][chosen]
    ids = found["meter_id"][chosen]
    km = np.round(found["km"][chosen] + 600 / 7 * days * rng.gamma(4, 0.25, len(ids)), 1)
    _insert_readings(ids, np.full(len(ids), at), km)
    return len(ids)


def _depot(at: int) -> int:
    return Depot.objects.create(
        slug=f"depot-{at}", name=f"Depot {at}", zone="UTC", hilly=at == 3, source=SOURCE
    ).pk


def _type(at: int) -> int:
    vehicle_type = VehicleType.objects.create(
        slug=f"type-{at}",
        name=f"Type {at}",
        powertrain="diesel",
        expected_km_per_day=90,
        top_km_per_day=900,
        source=SOURCE,
    )
    for kind, limit_km, months in SERVICES:
        slug = kind.replace(" ", "-")
        compartment = Compartment.objects.create(
            vehicle_type=vehicle_type, slug=slug, kind=kind, name=kind.title(), source=SOURCE
        )
        service = Service.objects.create(
            vehicle_type=vehicle_type,
            compartment=compartment,
            slug=slug,
            name=kind.title(),
            source=SOURCE,
        )
        for duty_class, factor in (("normal", 1), ("severe", 2)):
            Limit.objects.create(
                service=service,
                duty_class=duty_class,
                limit_km=limit_km and limit_km / factor,
                limit_months=months // factor,
                source=SOURCE,
            )
    return vehicle_type.pk


def _same(count: int, value: object) -> Array:
    return np.full(count, value, dtype=object)


def _vehicles(ids: Array, kind: Array, depot: Array) -> None:
    n = len(ids)
    joined = np.full(n, np.datetime64("2024-01-01", "D"))
    numbers = np.array([f"B-{pk:06}" for pk in ids.tolist()], dtype=object)
    words = [one for one in Vehicle._meta.concrete_fields if isinstance(one, CharField)]
    texts = {one.attname: _same(n, "") for one in words}
    bulk.insert(
        Vehicle,
        {
            **texts,
            "id": ids,
            "fleet_number": numbers,
            "vehicle_type_id": kind,
            "depot_id": depot,
            "status": _same(n, "in use"),
            "declared_use": _same(n, "[]"),
            "joined_on": joined,
            "joined_as": _same(n, "used"),
            "revision": ids,
        },
    )
    bulk.insert(DepotStay, {"vehicle_id": ids, "depot_id": depot, "from_on": joined})
    meter = {"id": ids, "vehicle_id": ids, "kind": _same(n, "km"), "unit": _same(n, "km")}
    bulk.insert(Meter, meter)


def _done(ids: Array, kind: Array, rng: np.random.Generator) -> None:
    for type_id in np.unique(kind).tolist():
        own = ids[kind == type_id]
        for service in Service.objects.filter(vehicle_type=type_id).order_by("pk"):
            n, (limit_km, months) = len(own), FIGURES[service.slug]
            life = rng.uniform(0, 0.95, n)  # most of a fleet is somewhere within its intervals
            on = LAST_ON - (life * 30 * months).astype("m8[D]")
            bulk.insert(
                ServiceDone,
                {
                    "vehicle_id": own,
                    "service_id": np.full(n, service.pk),
                    "done_on": on,
                    "total_km": 50_000 - rng.uniform(0, 0.9, n) * (limit_km or 50_000),
                    "evidence": _same(n, "baseline"),
                    "source": _same(n, SOURCE),
                    "why_it_stands": _same(n, ""),
                    "provisional": np.zeros(n, dtype=bool),
                    "void": np.zeros(n, dtype=bool),
                    "recorded_at": on.astype("M8[s]"),
                },
            )


def _readings(ids: Array, weeks: int, rng: np.random.Generator) -> None:
    steps = rng.gamma(4, 600 / 4, (len(ids), weeks)) * rng.lognormal(0, 0.3, (len(ids), 1))
    km = np.round(50_000 + np.cumsum(steps, axis=1), 1)
    days = LAST_ON - (READINGS_EVERY_D * np.arange(weeks)[::-1]).astype("m8[D]")
    at = np.broadcast_to(days.astype("M8[s]") + np.timedelta64(12, "h"), km.shape)
    _insert_readings(np.repeat(ids, weeks), at.ravel(), km.ravel())


def _insert_readings(meter_ids: Array, at: Array, km: Array) -> None:
    n = len(meter_ids)
    none = np.zeros(n, dtype=bool)
    bulk.insert(
        Reading,
        {
            "vehicle_id": meter_ids,
            "meter_id": meter_ids,
            "taken_at": at,
            "time_known": ~none,
            "value": km,
            "unit": _same(n, "km"),
            "source": _same(n, "sheet"),
            "note": _same(n, ""),
            "received_at": at,
            "meter_value": km,
            "verdict": _same(n, "not judged"),
            "reason": _same(n, ""),
            "provisional": none,
            "moves_base": none,
            "fixed": _same(n, ""),
        },
    )


def first_of_month_after_last() -> date:
    """A day whose night finds every month up to the last readings over."""
    return date(2026, 7, 1)
