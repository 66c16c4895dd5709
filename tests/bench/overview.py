"""The overview of a supervisor of every depot: statements, and time in the database."""

import time
from collections.abc import Callable
from datetime import timedelta
from statistics import median
from typing import Any

import numpy as np
from django.core.cache import cache
from django.db import connection
from django.test import Client

from fleet import bulk
from fleet.due.models import DueDate, Service
from fleet.overview.models import LastSeen
from fleet.people.models import Person, Role
from fleet.today import today_at
from fleet.vehicles.models import Depot, Vehicle
from tests.bench import fleet
from tests.bench.measure import report

TIMES = 7
MARK_STATEMENTS, MARK_MS = 10, 300.0
LATE_SHARE, PROBABLY_SHARE = 0.01, 0.004


def run(vehicles: int) -> None:
    if not Vehicle.objects.exists():
        fleet.build(vehicles, weeks=1)
    _due_dates()
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
    client = Client(SERVER_NAME="localhost")
    client.force_login(_supervisor())
    client.get("/overview")
    found = [_looked_at(client) for _ in range(TIMES)]
    print(f"  {DueDate.objects.count():,} due dates")
    report("statements", max(count for count, _ in found), MARK_STATEMENTS, "")
    report("time in the database", median(taken for _, taken in found), MARK_MS, "ms")


def _due_dates() -> None:
    """Services over four years, a few of them late."""
    rng = np.random.default_rng(3)
    ids = bulk.read(
        "SELECT id, depot_id, vehicle_type_id FROM vehicles_vehicle ORDER BY id",
        [],
        {"id": "i8", "depot": "i8", "type": "i8"},
    )
    today = np.datetime64(today_at("UTC"), "D")
    for service in Service.objects.all():
        own = ids["type"] == service.vehicle_type_id
        count = int(own.sum())
        chance = rng.random(count)
        days = np.where(chance < LATE_SHARE + PROBABLY_SHARE, -rng.integers(1, 90, count), 0)
        days = np.where(days < 0, days, rng.integers(0, 700, count))
        on = today + days
        bulk.insert(
            DueDate,
            {
                "vehicle_id": ids["id"][own],
                "service_id": np.full(count, service.pk),
                "depot_id": ids["depot"][own],
                "sort_on": on,
                "p10": on,
                "p50": on,
                "p90": on,
                "history_known": np.full(count, True),
                "take_a_reading_first": np.full(count, False),
                "binding_limit": np.full(count, "km", dtype=object),
                "beyond_by_reading": chance < LATE_SHARE,
                "beyond_tolerance_by_reading": np.full(count, False),
                "duty_class": np.full(count, "normal", dtype=object),
                "provisional": np.full(count, False),
                "inputs_hash": np.arange(count),
            },
        )


def _supervisor() -> Person:
    person = Person.objects.create_user("rowan", role=Role.SUPERVISOR)
    person.depots.set(Depot.objects.all())
    return person


def _looked_at(client: Client) -> tuple[int, float]:
    """Statements and milliseconds in the database of a visit a day after the one before."""
    taken: list[float] = []

    def timed(execute: Callable[..., Any], *given: Any) -> Any:
        begun = time.perf_counter()
        try:
            return execute(*given)
        finally:
            taken.append(1_000 * (time.perf_counter() - begun))

    cache.clear()
    row = LastSeen.objects.get()
    LastSeen.objects.update(seen_at=row.seen_at - timedelta(days=1))
    with connection.execute_wrapper(timed):
        assert client.get("/overview").status_code == 200
    return len(taken), sum(taken)
