"""Lists of the API over every order ever made: CPU against an empty route, statements, plans.

The floor is an empty route that returns the same bytes: signed in, allowed and counted as the list
is, its view asks nothing and hands the list's own answer, read back as data, to the same renderer.
What every request costs, and what writing so much JSON costs, is in it; what is measured is what
finding and wording the rows adds. (A list of a table without rows is no such route: it returns
sixty bytes, and asks the database for them.) Both are asked in turn.
"""

import math
import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from datetime import timedelta
from itertools import cycle, islice
from typing import Any, ClassVar

import numpy as np
from django.core.cache import cache
from django.db import connection
from django.db.models import CharField
from django.test.utils import CaptureQueriesContext, override_settings
from django.urls import path
from django.utils import timezone
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.test import APIClient

import config.urls
from fleet import bulk
from fleet.api.resource import Resource
from fleet.calc.arrays import Array
from fleet.due.models import Service
from fleet.people import tokens
from fleet.people.models import Person, Role
from fleet.vehicles.models import Depot, Vehicle
from fleet.workorders.models import Job, WorkOrder
from tests.bench import books, fleet
from tests.bench.books import LIKE
from tests.bench.measure import best, report
from tests.bench.night import analyze

ORDERS_PER_VEHICLE = 10
PEOPLE = 50
PAST_D, OPEN_D = 2_000, 10  # since the first order, and since the last that are finished
BUSY, LEAST_BUSY = 50, 20  # open orders of the first mechanic, and those of them that are today's
ROWS = 50
TIMES, TURNS = 100, 3
LISTS = {
    "newest": "/api/v1/work-orders?limit={rows}",
    "released": "/api/v1/work-orders?state=released&limit={rows}",
    "today's, all": "/api/v1/work-orders?planned_on=today&limit={rows}",
}
TODAYS = "/api/v1/work-orders?planned_on=today&assigned_to=me&limit={rows}"
SAME = "/api/v1/the-same-bytes"
SCOPES = ("work-orders:read",)


def run(vehicles: int) -> None:
    if not Vehicle.objects.exists():
        fleet.build(vehicles, weeks=1)
    books.write(timezone.now().date())
    supervisor, mechanic = _people()
    total = ORDERS_PER_VEHICLE * vehicles
    _orders(total, vehicles, mechanic.pk)
    _services()
    analyze()  # else what is known of the tables is of those that were here before
    print(f"  {total:,} orders")
    for name, where in LISTS.items():
        ask = _asker(supervisor, where)
        _statements(name, ask)
        _against_same_bytes(name, supervisor, where)
    _has_cards(mechanic)
    mine = _asker(mechanic, TODAYS)
    _statements("a mechanic's day with job cards", mine)
    _against_same_bytes("a mechanic's day with job cards", mechanic, TODAYS)
    print(f"          a mechanic's day, {best(mine, 7).wall_s * 1000:.1f} ms")
    _plan(mine)


def _has_cards(person: Person) -> None:
    """See that the day is one of work by the book, not of a list that is all but empty."""
    rows = _client(person).get(TODAYS.format(rows=ROWS)).json()["rows"]
    jobs = [job for row in rows for job in row["card"]["jobs"]]
    assert len(rows) >= LEAST_BUSY, len(rows)
    by_the_book = [job for job in jobs if job["service"]]
    assert len(by_the_book) >= len(rows), "there are orders without a service"
    assert all(job["steps"] and not job["unsound"] for job in by_the_book)
    print(f"          a mechanic's day: {len(rows)} cards, {len(jobs)} jobs")


def _against_same_bytes(name: str, person: Person, where: str) -> None:
    """Report the CPU of a list, beside that of an empty route which returns what it returns."""
    with override_settings(ROOT_URLCONF=__name__):
        whole = _client(person).get(where.format(rows=ROWS))
        TheSame.data = whole.json()
        same = _client(person).get(SAME)
        assert same.content == whole.content
        taken = _least_of([_asker(person, where), _asker(person, SAME)])
    of_list, of_same = taken
    size = f"{len(whole.content):,} bytes"
    report(f"{name}, CPU of {ROWS} rows against an empty route of {size}", of_list / of_same, 3)
    print(f"          {of_list * 1000:.2f} ms against {of_same * 1000:.2f} ms")


class TheSame(Resource):
    """Signed in, allowed, counted and rendered as a list is, with nothing to find out."""

    scope = "work-orders"
    data: ClassVar[Any] = None

    def get(self, request: Request) -> Response:
        return Response(self.data)


urlpatterns = [path(SAME.removeprefix("/"), TheSame.as_view()), *config.urls.urlpatterns]


def _least_of(works: Sequence[Callable[[], object]]) -> list[float]:
    """The same of several, in turn, so that what disturbs the machine disturbs all of them."""
    least = [math.inf] * len(works)
    for _ in range(TURNS):
        least = [min(known, _least(work)) for known, work in zip(least, works, strict=True)]
    return least


def _least(work: Callable[[], object]) -> float:
    """CPU seconds of the run that was least disturbed, of many: each takes well under 0.01 s."""
    taken = []
    for _ in range(TIMES):
        cache.clear()  # else the caller's limit is used up
        before = time.process_time()
        work()
        taken.append(time.process_time() - before)
    return min(taken)


def _client(person: Person) -> APIClient:
    """A program that is signed in as programs are, by a token."""
    _, secret = tokens.issue(person=person, label="bench", scopes=SCOPES, days=1)
    client = APIClient(SERVER_NAME="localhost")
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {secret}")
    return client


def _asker(person: Person, where: str) -> Callable[..., None]:
    client = _client(person)

    def ask(rows: int = ROWS) -> None:
        answer = client.get(where.format(rows=rows))
        assert answer.status_code == 200, answer.content

    ask()
    return ask


def _statements(name: str, ask: Callable[..., None]) -> None:
    counts = []
    for rows in (10, ROWS):
        with CaptureQueriesContext(connection) as captured:
            ask(rows)
        counts.append(len(captured))
    report(f"{name}, statements for {ROWS} rows less those for 10", counts[1] - counts[0], 0, "")
    print(f"          {name}: {counts[1]} statements")


def _plan(ask: Callable[..., None]) -> None:
    """Show how the database finds a mechanic's day."""
    with CaptureQueriesContext(connection) as captured:
        ask()
    listed = next(one["sql"] for one in captured if 'FROM "workorders_workorder"' in one["sql"])
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(f"EXPLAIN (ANALYZE, BUFFERS) {listed}")
            print("\n".join(f"          {row[0]}" for row in cursor.fetchall()))


def _people() -> tuple[Person, Person]:
    supervisor = Person.objects.create_user("bench-supervisor", role=Role.SUPERVISOR)
    mechanics = [
        Person.objects.create_user(f"bench-mechanic-{at}", role=Role.MECHANIC)
        for at in range(PEOPLE)
    ]
    for person in (supervisor, *mechanics):
        person.depots.set(Depot.objects.all())
    return supervisor, mechanics[0]


def _orders(total: int, vehicles: int, first_mechanic: int) -> None:
    """Years of signed-off orders, and the open ones of the last weeks; of those the first mechanic
    has as many as one could have, the others share what is left."""
    depot_of = bulk.read("SELECT id, depot_id FROM vehicles_vehicle", [], {"id": "i8", "at": "i8"})
    at = dict(zip(depot_of["id"].tolist(), depot_of["at"].tolist(), strict=True))
    for begin in range(0, total, 50_000):
        ids = np.arange(begin + 1, min(begin + 50_000, total) + 1)
        _write(ids, ids % vehicles + 1, at, total, first_mechanic)


def _write(ids: Array, vehicle: Array, at: dict[int, int], total: int, mechanic: int) -> None:
    age = (total - ids) * PAST_D // total  # days since it was planned
    still_open = age < OPEN_D
    busy = still_open & (ids % max(1, total * OPEN_D // PAST_D // BUSY) == 0)
    states = np.where(
        still_open, np.array(["drafted", "released", "started"])[ids % 3], "signed off"
    )
    on = np.datetime64(timezone.now().date() + timedelta(days=2), "D") - age.astype("m8[D]")
    depot = np.array([at[pk] for pk in vehicle.tolist()])
    empty = np.full(len(ids), "", dtype=object)
    texts = [one.attname for one in WorkOrder._meta.concrete_fields if isinstance(one, CharField)]
    bulk.insert(
        WorkOrder,
        {
            **dict.fromkeys(texts, empty),
            "id": ids,
            "number": np.array([f"W-{pk:08}" for pk in ids.tolist()], dtype=object),
            "vehicle_id": vehicle,
            "depot_id": depot,
            "where": np.full(len(ids), "own workshop", dtype=object),
            "state": states.astype(object),
            "version": np.ones(len(ids), dtype=np.int64),
            "planned_on": on,
            "assigned_to_id": np.where(busy, mechanic, mechanic + 1 + ids % (PEOPLE - 1)),
            "raising": np.full(len(ids), "lift", dtype=object),
            "created_at": on.astype("M8[s]"),
            "waited_s": np.zeros(len(ids), dtype=np.int64),
        },
    )
    _jobs(ids, vehicle, still_open)


def _jobs(ids: Array, vehicle: Array, still_open: Array) -> None:
    empty = np.full(len(ids), "", dtype=object)
    bulk.insert(
        Job,
        {
            "order_id": ids,
            "vehicle_id": vehicle,
            "title": np.full(len(ids), "Wiper blades", dtype=object),
            "minutes": np.full(len(ids), 5),
            "state": np.where(still_open, "open", "done").astype(object),
            "reason": empty,
            "reason_text": empty,
            "returned": np.zeros(len(ids), dtype=bool),
        },
    )


def _services() -> None:
    """Two services of its vehicle on each order that is not finished."""
    of_type: dict[int, list[Service]] = defaultdict(list)
    for service in Service.objects.order_by("pk"):
        of_type[service.vehicle_type_id].append(service)
    rows = WorkOrder.objects.filter(state__in=WorkOrder.OPEN).order_by("pk")
    Job.objects.bulk_create(
        Job(
            order_id=pk,
            vehicle_id=vehicle_id,
            service=service,
            title=service.name,
            minutes=service.procedure.minutes,
        )
        for pk, vehicle_id, kind in rows.values_list("pk", "vehicle", "vehicle__vehicle_type")
        for service in islice(cycle(of_type[kind]), pk % len(LIKE), pk % len(LIKE) + 2)
    )
