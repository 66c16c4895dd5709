"""Readings accepted on their way in: which are, what is remembered, and that nothing else differs
from readings that waited for the judge. Days and values are made by hand."""

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.conf import settings
from django.db import transaction

from fleet import chain
from fleet.due.models import DueDate
from fleet.people.models import Person
from fleet.readings import at_once, intake, judge
from fleet.readings.models import EarlierMemory, Reading, Source, UploadRow, VerdictMemory
from fleet.readings.record import Recorded
from fleet.readings.resolve import Resolved
from fleet.runs.models import Run
from fleet.usage import rates
from fleet.usage.models import KmAt, UsageState
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.kept import kept
from tests.readings.spreadsheets import write_xlsx
from tests.scene import NOW

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
LAST_KM = 16_300  # of each van, at NOW
served = pytest.mark.skipif(not settings.SERVED, reason="SQLite writes verdicts over verdicts")


@kept
def vans() -> list[Vehicle]:
    """Two vans that ran 700 km a week for ten weeks; every reading is accepted."""
    found = [scene.van(f"V-{number}") for number in (1, 2)]
    for van in found:
        scene.readings(van, scene.steady(10_000, 700, 10))
    chain.catch_up(NOW)
    return found


def arriving(*rows: tuple[Vehicle, float, float]) -> dict[str, np.ndarray]:
    """Columns of readings: vehicle, days after NOW, km."""
    at = [NOW + days * DAY for _, days, _ in rows]
    values = np.array([km for *_, km in rows], dtype=np.float64)
    return {
        "vehicle_id": np.array([van.pk for van, *_ in rows]),
        "meter_id": np.array([van.meters.get().pk for van, *_ in rows]),
        "taken_at": np.array([f"{one:%Y-%m-%dT%H:%M:%S}" for one in at], dtype="M8[s]"),
        "time_known": np.ones(len(rows), dtype=bool),
        "value": values,
        "unit": np.full(len(rows), "km", dtype=object),
        "meter_value": values,
        "note": np.full(len(rows), "", dtype=object),
    }


def accepted(
    *rows: tuple[Vehicle, float, float],
    later: timedelta = 30 * DAY,
    source: Source = Source.SHEET,
) -> list[bool]:
    ids = np.arange(len(rows)) + 1_000
    return at_once.accept(arriving(*rows), ids, source, NOW + later).tolist()


def memories() -> dict[int, tuple[Any, ...]]:
    rows = VerdictMemory.objects.values_list("meter__vehicle", "last_id", "last_km", "accepted")
    return {vehicle: tuple(rest) for vehicle, *rest in rows}


def test_what_goes_on_as_expected_is_accepted_and_remembered(vans: list[Vehicle]) -> None:
    one, other = vans
    before = memories()[other.pk]
    # in the order of a sheet, not of time
    assert accepted((one, 14, LAST_KM + 1_400), (one, 7, LAST_KM + 700)) == [True, True]
    assert memories() == {one.pk: (1_000, LAST_KM + 1_400, 12), other.pk: before}


def test_it_is_remembered_as_the_judge_would(vans: list[Vehicle]) -> None:
    """One van's readings at once, the other's by way of the judge."""
    one, other = vans
    km = [LAST_KM + 100 * day + day % 3 for day in range(1, 71)]
    assert all(accepted(*((one, day, at) for day, at in enumerate(km, 1)), later=90 * DAY))
    scene.readings(other, km, every_d=1, until=NOW + 70 * DAY)
    judge.judge(np.array([other.meters.get().pk]), NOW + 90 * DAY, rates.start_rates)
    for kind in (VerdictMemory, EarlierMemory):  # one of these at each 64th accepted reading
        rows = kind._base_manager.order_by("meter").values()
        mine, theirs = ({**row, "id": 0, "meter_id": 0, "last_id": 0} for row in rows)
        assert mine == theirs


@pytest.mark.parametrize(
    "rows",
    [
        [(7, LAST_KM - 3_000)],  # lower than it stood
        [(7, LAST_KM + 70_000)],  # far ahead
        [(7, LAST_KM + 700), (14, LAST_KM)],  # the second is lower: neither
        [(-1, LAST_KM - 100)],  # older than the last
        [(0, LAST_KM)],  # at the instant of the last
        [(-1, LAST_KM - 100), (7, LAST_KM + 700)],
        [(33, LAST_KM + 3_300)],  # days ahead, as it is NOW and 30 days
    ],
)
def test_a_meter_with_any_reading_in_doubt_waits_as_a_whole(
    vans: list[Vehicle], rows: list[tuple[float, float]]
) -> None:
    one, other = vans
    before = memories()[one.pk]
    found = accepted(*((one, *row) for row in rows), (other, 7, LAST_KM + 700))
    assert found == [False] * len(rows) + [True]
    assert memories()[one.pk] == before


def test_one_of_the_instant_of_the_last_waits_though_it_fits(vans: list[Vehicle]) -> None:
    """From elsewhere, and a little further: the judge accepts it and counts both anew."""
    before = memories()
    assert accepted((vans[0], 0, LAST_KM + 20), source=Source.PAGE) == [False]
    assert memories() == before


def test_one_that_shows_the_last_to_be_a_slip_waits(vans: list[Vehicle]) -> None:
    scene.readings(vans[0], [LAST_KM + 600], until=NOW + DAY)
    chain.catch_up(NOW + DAY)
    assert Reading.objects.filter(vehicle=vans[0], verdict="accepted").count() == 11
    before = memories()
    assert accepted((vans[0], 2, LAST_KM + 210)) == [False]
    assert memories() == before


@pytest.mark.parametrize("column", ["to_replay", "waiting", "provisional"])
def test_a_meter_in_doubt_waits(vans: list[Vehicle], column: str) -> None:
    VerdictMemory.objects.filter(meter__vehicle=vans[0]).update(**{column: True})
    assert accepted(*((van, 7, LAST_KM + 700) for van in vans)) == [False, True]


def held_before(van: Vehicle) -> None:
    scene.readings(van, [LAST_KM - 5_000], until=NOW + DAY)
    chain.catch_up(NOW + 2 * DAY)
    assert Reading.objects.filter(vehicle=van, verdict="held").count() == 1


def offset_in_doubt(van: Vehicle) -> None:
    VerdictMemory.objects.filter(meter__vehicle=van).update(offset_km=500)


def meter_replaced(van: Vehicle) -> None:
    van.meters.get().changes.create(from_at=NOW - 400 * DAY, offset=100, note="replaced")


def one_pending(van: Vehicle) -> None:
    scene.readings(van, [LAST_KM + 50], until=NOW + DAY)


def never_read(van: Vehicle) -> None:
    VerdictMemory.objects.filter(meter__vehicle=van).delete()


def none_accepted(van: Vehicle) -> None:
    VerdictMemory.objects.filter(meter__vehicle=van).update(accepted=0)


@pytest.mark.parametrize(
    "doubt",
    [held_before, offset_in_doubt, meter_replaced, one_pending, never_read, none_accepted],
)
def test_a_meter_with_a_story_waits(vans: list[Vehicle], doubt: Callable[[Vehicle], None]) -> None:
    doubt(vans[0])
    assert accepted(*((van, 7, LAST_KM + 700) for van in vans)) == [False, True]


def test_where_every_meter_waits_nothing_is_written(vans: list[Vehicle]) -> None:
    VerdictMemory.objects.update(to_replay=True)
    before = memories()
    assert accepted((vans[0], 7, LAST_KM + 700)) == [False]
    assert memories() == before


# --- the months ------------------------------------------------------------------------------
def closed(*ends: date) -> None:
    for on in ends:
        Run.objects.get_or_create(
            job=rates.JOB, on=on, part="", defaults={"state": Run.State.DONE, "started_at": NOW}
        )


@pytest.mark.parametrize(
    ("ends", "days", "waits"),
    [
        ([], (1, 2), True),  # nothing was ever closed
        ([date(2026, 5, 31)], (1, 2), False),  # NOW is 15 June
        ([date(2026, 4, 30), date(2026, 5, 31)], (1, 2), False),
        ([date(2026, 4, 30)], (1, 2), True),
        ([date(2026, 5, 31)], (1, 20), True),  # reaches beyond June, which is open
        ([date(2026, 5, 31), date(2026, 6, 30)], (1, 20), False),
        ([date(2026, 6, 30)], (16, 20), False),
        ([date(2026, 5, 31)], (16, 20), True),  # all of July, with June open
    ],
)
def test_readings_wait_where_a_month_is_to_be_closed(
    vans: list[Vehicle], ends: list[date], days: Sequence[float], waits: bool
) -> None:
    Run.objects.filter(job=rates.JOB).delete()
    closed(*ends)
    rows = arriving(*((vans[0], day, LAST_KM + 100 * day) for day in days))
    accept = chain.plain_at_once(NOW + 30 * DAY)
    found = accept(rows, np.arange(len(days)) + 1_000, Source.SHEET)
    assert found.tolist() == [not waits] * len(days)


# --- rows of an upload -----------------------------------------------------------------------
def test_a_row_is_accepted_with_all_that_it_brought() -> None:
    """Rows: both readings accepted; hours wait; odometer waits; one only; repeated; unreadable."""
    outcomes = ["waiting"] * 5 + ["unreadable"]
    row_of = np.array([0, 1, 2, 3, 4, 5, 0, 1, 2])
    hours = np.array([False] * 6 + [True] * 3)
    resolved = Resolved(
        {
            "row": np.arange(6),
            "outcome": np.array(outcomes, object),
            "message": np.full(6, "", object),
        },
        {},
        row_of,
        hours,
    )
    new = np.array([True, True, True, True, False, True, True, True, True])
    plain = np.array([True, True, False, True, False, True, True, False, True])
    intake.link(resolved, Recorded(np.arange(9) + 1, new, plain))
    assert resolved.rows["outcome"].tolist() == [
        *("accepted", "waiting", "waiting", "accepted", "repeated", "unreadable"),
    ]


@served
def test_an_upload_ends_as_if_all_had_waited(
    vans: list[Vehicle], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Plain rows, a slip, an older reading, a repeated one, an unknown vehicle."""
    scene.service()
    Run.objects.filter(job=rates.JOB).delete()
    closed(date(2026, 5, 31), date(2026, 6, 30))
    one, other = vans
    third = scene.van("V-3")
    scene.readings(third, scene.steady(10_000, 700, 10))
    chain.refresh([van.pk for van in (*vans, third)], NOW)
    rows = [
        ["Vehicle", "Date", "Odometer"],
        *([one.fleet_number, date(2026, 6, 16 + day), LAST_KM + 100 * day] for day in range(9)),
        [other.fleet_number, date(2026, 6, 18), 1_632],  # a digit is missing
        [other.fleet_number, date(2026, 6, 19), LAST_KM + 400],
        [third.fleet_number, date(2026, 6, 3), LAST_KM - 1_200],
        [one.fleet_number, date(2026, 6, 16), LAST_KM],
        ["V-999", date(2026, 6, 16), LAST_KM],
    ]
    data = write_xlsx(tmp_path / "a.xlsx", March=rows).read_bytes()
    person = Person.objects.create_superuser("chief")

    def ended() -> list[Any]:
        asked = intake.receive(data, "a.xlsx", person)
        upload = chain.complete_upload(asked.pk)
        assert upload.state == "done"
        kinds = (VerdictMemory, UsageState, KmAt, DueDate)
        of_rows = upload.rows.values_list(
            *("number", "outcome", "message", "reading__verdict", "reading__total"),
            *("reading__reason", "reading__taken_at", "reading__value", "reading__fixed"),
        )
        found = [[*kind._base_manager.order_by("pk").values()] for kind in kinds]
        for row in [row for rows in found for row in rows]:
            for name in ("id", "last_id", "held", "written_at", "season_id"):
                row.pop(name, None)
        return [upload.counts, [*of_rows.order_by("number")], found]

    monkeypatch.setattr(chain.timezone, "now", lambda: datetime(2026, 7, 1, 9, tzinfo=UTC))
    with transaction.atomic():
        at_once_ = ended()
        waited = UploadRow.objects.filter(outcome="accepted", reading__isnull=False).count()
        transaction.set_rollback(True)
    monkeypatch.setattr(chain, "plain_at_once", lambda now: None)
    assert ended() == at_once_
    assert waited == at_once_[0]["accepted"] > 9


@served
def test_what_is_plain_is_never_written_as_waiting(vans: list[Vehicle], tmp_path: Path) -> None:
    closed(date(2026, 5, 31))
    rows = [[vans[0].fleet_number, date(2026, 6, 17), LAST_KM + 200]]
    rows += [[vans[1].fleet_number, date(2026, 6, 17), 1_632]]
    sheet = write_xlsx(tmp_path / "a.xlsx", June=[["Vehicle", "Date", "Odometer"], *rows])
    upload = intake.receive(sheet.read_bytes(), "a.xlsx")
    intake.stage(upload, at_once=chain.plain_at_once(NOW + 3 * DAY))
    found = upload.rows.order_by("number").values_list(
        "outcome", "reading__verdict", "reading__total", "reading__meter_value"
    )
    assert list(found) == [
        ("accepted", "accepted", LAST_KM + 200, LAST_KM + 200),
        ("waiting", "not judged", None, 1_632),
    ]
