"""Readings that arrive together, each stored once; days, values and outcomes written by hand."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import numpy as np
import pytest
from django.conf import settings
from django.db import connection, connections, transaction
from django.test.utils import CaptureQueriesContext

from fleet.calc.arrays import Array
from fleet.readings.models import Reading, Source, Verdict
from fleet.readings.record import record
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.waiting import until_somebody_waits

pytestmark = pytest.mark.django_db
RECEIVED = datetime(2026, 3, 31, 8, 30, 0, 250_000, tzinfo=UTC)


def arrive(
    *given: tuple[Vehicle, str, float], source: Source = Source.SHEET
) -> tuple[list[Reading], list[bool]]:
    """Record readings, as vehicle, day of March 2026 with its hour, km; which are new."""
    vehicles, days, values = zip(*given, strict=True)
    with transaction.atomic():
        ids, new, _ = record(columns(vehicles, days, values), source, RECEIVED)
    return [Reading.objects.get(pk=pk) for pk in ids.tolist()], new.tolist()


def columns(
    vehicles: Sequence[Vehicle], days: Sequence[str], values: Sequence[float]
) -> dict[str, Array]:
    count = len(vehicles)
    return {
        "vehicle_id": np.array([one.pk for one in vehicles]),
        "meter_id": np.array([one.meters.get().pk for one in vehicles]),
        "taken_at": np.array([f"2026-03-{day}:00" for day in days], dtype="M8[s]"),
        "time_known": np.arange(count) % 2 == 0,
        "value": np.array(values, dtype=np.float64),
        "unit": np.full(count, "km", dtype=object),
        "meter_value": np.array(values, dtype=np.float64),
        "note": np.array([f"a\tb\\{at}" for at in range(count)], dtype=object),
    }


def test_readings_are_stored_as_they_came_in_their_order() -> None:
    one, other = scene.van("V-1"), scene.van("V-2")
    found, new = arrive((other, "02T12", 70), (one, "03T12", 55), (one, "01T12", 50))
    assert new == [True] * 3
    assert [row.pk for row in found] == sorted(row.pk for row in found)
    assert [(row.vehicle, row.meter, row.value, row.meter_value) for row in found] == [
        (other, other.meters.get(), 70, 70),
        (one, one.meters.get(), 55, 55),
        (one, one.meters.get(), 50, 50),
    ]
    assert [row.time_known for row in found] == [True, False, True]
    assert found[2].taken_at == datetime(2026, 3, 1, 12, tzinfo=UTC)
    first = found[0]
    assert (first.unit, first.source, first.note) == ("km", Source.SHEET, "a\tb\\0")
    assert (first.received_at, first.verdict) == (RECEIVED, Verdict.NOT_JUDGED)
    assert (first.reason, first.fixed, first.provisional, first.moves_base) == (
        *("", "", False, False),
    )
    assert (first.total, first.settled_value) == (None, None)


@pytest.mark.parametrize("day", ["01T12", "02T12", "03T12"])
def test_one_that_was_there_is_found_wherever_it_stands(day: str) -> None:
    van, other = scene.van("V-1"), scene.van("V-2")
    (before,), _ = arrive((van, day, 50))
    days = ("01T12", "02T12", "03T12")
    found, new = arrive((other, "02T12", 9), *((van, day, 50) for day in days))
    assert new == [True, *(one != day for one in days)]
    assert found[1 + days.index(day)] == before
    assert Reading.objects.count() == 4


@pytest.mark.parametrize("which", [0, 1])
def test_one_that_was_there_is_found_of_whichever_vehicle_it_is(which: int) -> None:
    """Of the first meter and of the last, each with readings of its own days."""
    given = (scene.van("V-1"), "01T12", 50), (scene.van("V-2"), "02T12", 70)
    (before,), _ = arrive(given[which])
    found, new = arrive(*given)
    assert new == [which != 0, which != 1]
    assert found[which] == before
    assert Reading.objects.count() == 2


@pytest.mark.parametrize("day", ["01T12", "02T12"])
@pytest.mark.parametrize("values", [(50, 51), (50, 50)])
def test_two_of_one_instant_are_one_where_they_say_the_same(
    values: tuple[float, float], day: str
) -> None:
    van, other = scene.van("V-1"), scene.van("V-2")
    found, new = arrive((other, day, 9), *((van, "01T12", value) for value in values))
    assert new == [True, True, values[0] != values[1]]
    assert Reading.objects.count() == len({row.pk for row in found}) == 1 + len(set(values))


def test_the_same_from_elsewhere_is_another_reading() -> None:
    van = scene.van()
    (page,), _ = arrive((van, "01T12", 50), source=Source.PAGE)
    (sheet,), new = arrive((van, "01T12", 50))
    assert (page.source, sheet.source, new) == (Source.PAGE, Source.SHEET, [True])


@pytest.mark.parametrize("before", [[], [(0, "04T12", 57)], [(1, "02T12", 50)]])
def test_what_is_all_new_needs_no_table_between(before: list[tuple[int, str, float]]) -> None:
    vans = [scene.van("V-1"), scene.van("V-2")]
    for at, day, km in before:  # after the others, or of another vehicle amid them
        arrive((vans[at], day, km))
    with CaptureQueriesContext(connection) as asked:
        _, new = arrive((vans[0], "01T12", 50), (vans[0], "03T12", 55))
    assert new == [True, True]
    assert not any("TEMP" in query["sql"].upper() for query in asked.captured_queries)


@pytest.mark.skipif(not settings.SERVED, reason="on SQLite one writes at a time anyway")
@pytest.mark.django_db(transaction=True)
def test_who_brings_the_same_meanwhile_waits_and_finds_it() -> None:
    given = (scene.van("V-1"), "01T12", 50.0), (scene.van("V-2"), "02T12", 70.0)

    def bring() -> list[bool]:
        try:
            return arrive(*given)[1]
        finally:
            connections.close_all()

    with ThreadPoolExecutor(1) as pool:
        with transaction.atomic():
            _, new = arrive(*given)
            other = pool.submit(bring)
            until_somebody_waits()
        assert (new, other.result()) == ([True, True], [False, False])
    assert Reading.objects.count() == 2
