from datetime import timedelta

import pytest
from django.db import connection

from fleet import chain
from fleet.due.models import DueDate, Limit, ServiceDone
from fleet.readings.models import Reading
from fleet.runs import ledger
from fleet.runs.models import Run
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db

TABLES = ("readings_reading", "readings_verdictmemory", "usage_usagestate", "duty_dutystamp")
DUE_TABLES = ("due_duedate", "due_duestamp", "duty_dutyassessment", "usage_classrate")


def fleet_of(count: int) -> list[Vehicle]:
    oil = scene.service()
    vans = [scene.van(f"V-{at:02}") for at in range(count)]
    for at, vehicle in enumerate(vans):
        scene.done(vehicle, oil, NOW.date() - timedelta(days=300), 10_000)
        scene.readings(vehicle, scene.jittered(at, 12_000, 20))
    return vans


def night(again: bool = True) -> Run:
    return chain.nightly(NOW.date(), again=again)


def row_versions(tables: tuple[str, ...]) -> dict[str, list[object]]:
    """What the database itself says about when each row was written."""
    column = "xmin::text" if connection.vendor == "postgresql" else "*"
    found = {}
    with connection.cursor() as cursor:
        for table in tables:
            cursor.execute(
                f"SELECT ctid::text, {column} FROM {table} ORDER BY 1"
                if connection.vendor == "postgresql"
                else f"SELECT {column} FROM {table} ORDER BY 1"
            )
            found[table] = cursor.fetchall()
    return found


def rows_written() -> int:
    """Rows written through this connection so far (SQLite)."""
    if connection.vendor == "postgresql":
        return 0
    return int(connection.connection.total_changes)


def test_the_night_brings_the_whole_fleet_up_to_date() -> None:
    fleet_of(4)
    run = night()
    assert (run.state, run.counts["due dates"], run.counts["accepted"]) == ("done", 4, 80)


def test_a_second_night_rewrites_nothing() -> None:
    fleet_of(4)
    night()
    before, written = row_versions(TABLES + DUE_TABLES), rows_written()
    counts = night().counts
    assert row_versions(TABLES + DUE_TABLES) == before
    assert rows_written() - written <= 12  # the run's own row, renewed at each step
    assert counts["vehicles looked at"] == 0


def test_a_night_with_one_new_reading_rewrites_that_vehicle_only() -> None:
    vans = fleet_of(30)
    night()
    versions = dict(DueDate.objects.values_list("vehicle_id", "inputs_hash"))
    before = set(map(tuple, row_versions(("due_duedate",))["due_duedate"]))
    last_km = scene.jittered(7, 12_000, 20)[-1]
    scene.readings(vans[7], [last_km + 60], until=NOW + timedelta(hours=12))
    counts = night().counts
    after = set(map(tuple, row_versions(("due_duedate",))["due_duedate"]))
    assert len(after - before) == counts["vehicles looked at"] == counts["due dates"] == 1
    changed = dict(DueDate.objects.values_list("vehicle_id", "inputs_hash"))
    assert [pk for pk in versions if versions[pk] != changed[pk]] == [vans[7].pk]


def test_a_changed_limit_recomputes_every_vehicle_of_the_type() -> None:
    fleet_of(3)
    night()
    Limit.objects.update(limit_km=40_000)
    counts = night().counts
    assert (counts["vehicles looked at"], counts["due dates"]) == (3, 3)
    assert max(DueDate.objects.values_list("remaining_km", flat=True)) < 40_000


def test_a_saved_vehicle_is_looked_at_again() -> None:
    vans = fleet_of(3)
    night()
    vans[0].note = "painted"
    vans[0].save(update_fields=["note"])
    counts = night().counts
    assert (counts["vehicles looked at"], counts["due dates"]) == (1, 0)


def test_a_night_done_is_not_done_again_unasked() -> None:
    fleet_of(1)
    night()
    with pytest.raises(ledger.Taken):
        night(again=False)


def test_a_night_that_failed_shows_and_is_owed(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet_of(1)

    def broken(*given: object) -> None:
        raise RuntimeError("no disk")

    monkeypatch.setattr(chain.stamps, "changed", broken)
    with pytest.raises(RuntimeError):
        chain.nightly(NOW.date(), zone="UTC")
    run = Run.objects.get(job="night")
    assert (run.state, "no disk" in run.error) == ("failed", True)
    owed = ledger.owed(NOW)
    assert [(work.on, work.part) for work in owed] == [(NOW.date(), "UTC")]


def test_a_full_recomputation_finds_nothing_after_a_night() -> None:
    fleet_of(5)
    night()
    assert list(chain.due_dates_that_differ(NOW)) == []


def test_a_full_recomputation_finds_a_row_that_was_tampered_with() -> None:
    fleet_of(5)
    night()
    DueDate.objects.filter(pk=DueDate.objects.first().pk).update(remaining_km=1)
    (said,) = chain.due_dates_that_differ(NOW)
    assert said
    assert DueDate.objects.filter(remaining_km=1).exists()  # checking writes nothing


def test_a_zone_takes_its_own_depots_only() -> None:
    oil = scene.service()
    here = scene.van("V-1")
    there = scene.van("V-2", at=scene.depot("far", "Asia/Tokyo"))
    for vehicle in (here, there):
        scene.done(vehicle, oil, NOW.date() - timedelta(days=300), 10_000)
        scene.readings(vehicle, scene.jittered(1, 12_000, 20))
    chain.nightly(NOW.date(), zone="Asia/Tokyo")
    assert list(DueDate.objects.values_list("vehicle_id", flat=True)) == [there.pk]


def test_sold_vehicles_are_left_out() -> None:
    vans = fleet_of(2)
    Vehicle.objects.filter(pk=vans[0].pk).update(status=Vehicle.Status.SOLD)
    night()
    assert list(DueDate.objects.values_list("vehicle_id", flat=True)) == [vans[1].pk]


@pytest.mark.parametrize("by", ["night", "refresh"])
def test_a_service_is_no_longer_provisional_once_its_reading_is_accepted(by: str) -> None:
    (van,) = fleet_of(1)
    night()
    reading = Reading.objects.filter(verdict="accepted").latest("taken_at")
    oil = ServiceDone.objects.get().service
    given = scene.done(van, oil, NOW.date() - timedelta(days=5), 900)
    ServiceDone.objects.filter(pk=given.pk).update(reading=reading, provisional=True)
    night() if by == "night" else chain.refresh([van.pk], NOW)
    newest = ServiceDone.objects.latest("pk")
    assert (newest.supersedes, newest.provisional) == (given, False)
    assert newest.total_km == reading.total
    assert not DueDate.objects.get().provisional
