"""Reads asked together give what each gives alone, by one trip to the database a step."""

import threading
import time
from collections.abc import Iterable
from datetime import date
from typing import Any

import pytest
from django.conf import settings
from django.db import DatabaseError, connection
from django.db.models import Count, Exists, F, Func, OuterRef, QuerySet, Sum, TextField, Value
from django.test.utils import CaptureQueriesContext
from psycopg.pq import TransactionStatus

from fleet import reads
from fleet.due.models import Limit, Service, ServiceDone
from fleet.people.models import Person
from fleet.reads import Read
from fleet.vehicles.models import Compartment, Depot, Meter, Vehicle
from tests import scene

pytestmark = pytest.mark.django_db


@pytest.fixture
def vans() -> list[Vehicle]:
    gearbox = scene.service()
    found = [scene.van(f"V-{number}") for number in range(3)]
    for number, van in enumerate(found):
        scene.done(van, gearbox, date(2026, 1, 1 + number), 1000.5 + number)
    Person.objects.create(username="Ada")
    return found


def kinds() -> list[QuerySet[Any, Any]]:
    """Querysets with columns of every kind: beside each other, computed, alone and none."""
    meters = Meter.objects.filter(vehicle=OuterRef("pk"))
    return [
        Vehicle.objects.select_related("depot", "vehicle_type").order_by("-fleet_number"),
        Depot.objects.annotate(n=Count("vehicles"), word=Value("here")).order_by("pk"),
        Vehicle.objects.annotate(read=Exists(meters)).order_by("pk"),
        Vehicle.objects.order_by("fleet_number").values_list("fleet_number", "in_service_on"),
        Vehicle.objects.order_by("-pk").values_list("pk", flat=True)[:2],
        Vehicle.objects.values("depot__slug").annotate(n=Count("pk"), s=Sum("pk")).order_by(),
        ServiceDone.objects.none(),
        Compartment.objects.filter(vehicle_type__in=[]),
        Person.objects.distinct().order_by("role", "username"),
        Limit.objects.select_related("service").order_by("pk"),
        Meter.objects.annotate(of=F("vehicle__fleet_number")).order_by("-of"),
        ServiceDone.objects.order_by("-done_on"),
    ]


def plain(rows: Iterable[Any]) -> list[Any]:
    return [
        {name: value for name, value in vars(row).items() if name != "_state"}
        if hasattr(row, "_state")
        else row
        for row in rows
    ]


def test_many_are_read_by_one_statement_and_each_is_as_if_read_alone(vans: list[Vehicle]) -> None:
    alone = [plain(rows) for rows in kinds()]
    with CaptureQueriesContext(connection) as asked:
        found = reads.together(*kinds())
        assert [plain(rows) for rows in found] == alone
        assert {van.depot.slug for van in found[0]} == {"plain"}
    assert len(asked) == 1
    assert [row["fleet_number"] for row in alone[0]] == ["V-2", "V-1", "V-0"]
    assert [row["total_km"] for row in alone[-1]] == [1002.5, 1001.5, 1000.5]
    assert [len(rows) for rows in alone[4:9]] == [2, 1, 0, 0, 1]


def test_what_is_made_of_rows_that_were_read_asks_anew(vans: list[Vehicle]) -> None:
    (rows,) = reads.together(Vehicle.objects.all())
    assert rows.filter(fleet_number="V-1").get() == vans[1]


@reads.reader
def newest_of(depot: Depot) -> Read[str]:
    """Two steps: the vehicles of a depot, then what was done on them."""
    vans = Vehicle.objects.filter(depot=depot)
    yield [vans]
    done = ServiceDone.objects.filter(vehicle__in=[van.pk for van in vans]).order_by("-done_on")
    yield [done]
    return f"{done[0].done_on:%d.%m.}"


def test_reads_go_on_side_by_side_step_by_step(vans: list[Vehicle]) -> None:
    def both() -> Read[str]:
        first, second = yield from reads.side_by_side(newest_of.steps(depot), Depot.objects.all())
        return f"{first} {second[0].slug}"

    depot = vans[0].depot
    with CaptureQueriesContext(connection) as asked:
        assert reads.together(newest_of.steps(depot), both()) == ("03.01.", "03.01. plain")
    assert len(asked) == 2
    assert newest_of(depot) == "03.01."


def test_rows_that_refer_to_others_lie_beside_them(vans: list[Vehicle]) -> None:
    def beside() -> Read[Any]:
        rows = Vehicle.objects.order_by("pk")
        yield [rows]
        yield from reads.referring(rows, "meters", "services_done")
        return rows

    with CaptureQueriesContext(connection) as asked:
        (found,) = reads.together(beside())
        assert [[row.vehicle for row in van.meters.all()] for van in found] == [[v] for v in vans]
        assert [row.done_on.day for van in found for row in van.services_done.all()] == [1, 2, 3]
    assert len(asked) == 2
    assert found[0].meters.filter(vehicle=vans[1]).count() == 0
    assert reads.ask(reads.referring([], "meters")) is None


def test_what_is_laid_beside_a_row_of_many_to_many_is_given_and_the_rest_asked_for(
    vans: list[Vehicle],
) -> None:
    ada, depot = Person.objects.get(), vans[0].depot
    reads.lay_beside(ada, "depots", [depot])
    assert list(ada.depots.all()) == [depot]
    assert list(ada.depots.filter(pk=depot.pk)) == []  # she has none: asked anew


def test_nothing_asked_for_asks_nothing(vans: list[Vehicle]) -> None:
    with CaptureQueriesContext(connection) as asked:
        assert reads.together() == ()
        assert list(reads.together(Service.objects.none())[0]) == []
    assert len(asked) == 0


@pytest.mark.skipif(not settings.SERVED, reason="SQLite is asked one statement")
@pytest.mark.django_db(transaction=True)
def test_what_is_read_together_is_of_one_moment() -> None:
    depot = scene.depot()
    slowly = Depot.objects.annotate(
        pause=Func(Value(0.6), function="pg_sleep", output_field=TextField())
    )

    def meanwhile() -> None:
        time.sleep(0.2)
        Depot.objects.create(slug="new", name="New", zone="UTC")
        connection.close()

    other = threading.Thread(target=meanwhile)
    other.start()
    first, second = reads.together(slowly, Depot.objects.order_by("pk"))
    other.join()
    assert [[one.slug for one in rows] for rows in (first, second)] == [[depot.slug]] * 2
    assert Depot.objects.count() == 2


@pytest.mark.skipif(not settings.SERVED, reason="SQLite is asked one statement")
@pytest.mark.django_db(transaction=True)
def test_a_fault_in_what_is_read_together_leaves_no_transaction_open() -> None:
    scene.depot()
    broken = Depot.objects.annotate(no=Func(Value(1) / Value(0), function="abs"))
    with pytest.raises(DatabaseError, match="division by zero"):
        reads.together(Vehicle.objects.all(), broken)
    assert connection.connection.info.transaction_status == TransactionStatus.IDLE
    assert reads.together(Vehicle.objects.all(), Depot.objects.all())[1]
