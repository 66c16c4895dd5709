"""Trying a sheet out keeps nobody waiting and leaves nothing behind."""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.conf import settings as configured
from django.db import connection

from fleet import chain
from fleet.calc.arrays import Array
from fleet.readings import intake, leavings, scratch
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Reading, Source, Upload, UploadRow
from fleet.runs.models import Run
from fleet.usage.models import ClassRate, UsageState
from tests.cast import Cast, cast, driven, vehicle
from tests.processes import environment
from tests.readings.spreadsheets import write_xlsx

BUSY_S = 15.0  # the trial goes on only then; who waits for a lock waits 20 s (settings)
NOW = datetime(2026, 7, 15, 12, tzinfo=UTC)
KEPT = (Upload, UploadRow, Reading, Run, ClassRate, UsageState)


@pytest.fixture
def people(transactional_db: None) -> Cast:
    found = cast()
    driven(found, NOW)
    return found


def sheet(tmp_path: Path, people: Cast) -> bytes:
    rows = [["V-101", date(2026, 7, 15), 12_000], ["V-102", date(2026, 7, 15), 900], ["X-9", "", 1]]
    heads = ["Vehicle", "Date", "Odometer"]
    return write_xlsx(tmp_path / "made.xlsx", March=[heads, *rows]).read_bytes()


def rows() -> list[list[dict[str, Any]]]:
    return [list(model.objects.order_by("pk").values()) for model in KEPT]


def typed(people: Cast) -> Entry:
    """What a person types meanwhile: the very reading that stands in the sheet."""
    return Entry(
        vehicle_id=people.van.pk,
        meter_id=people.van.meters.get().pk,
        taken_at=datetime(2026, 7, 15, 10, tzinfo=UTC),
        time_known=False,
        value=12_000,
        unit="km",
    )


def test_while_a_sheet_is_tried_a_reading_of_the_same_vehicle_is_entered_at_once(
    people: Cast, tmp_path: Path
) -> None:
    ended: list[bool] = []

    def enter_one() -> None:
        enter([typed(people)], Source.DEMO)
        chain.refresh([people.van.pk], NOW)

    def judge(ids: Array) -> None:
        chain.catch_up(NOW, ids)
        ended.append(aside(enter_one))

    report = intake.dry_run(sheet(tmp_path, people), "a.xlsx", judge)
    assert ended == [True]
    assert Reading.objects.filter(value=12_000).count() == 1
    assert report.counts["accepted"] + report.counts["held"] + report.counts["rejected"] == 2


def test_a_tried_sheet_tells_what_an_upload_would_and_keeps_nothing(
    people: Cast, tmp_path: Path
) -> None:
    before = rows()
    data = sheet(tmp_path, people)
    tried = intake.dry_run(data, "a.xlsx", lambda ids: chain.catch_up(NOW, ids))
    assert (tried.upload, rows()) == (None, before)
    assert not list(Path(configured.DATA_DIR).glob("tried-*"))
    upload = intake.receive(data, "a.xlsx")
    chain.complete_upload(upload.pk, lambda *_: None)
    upload.refresh_from_db()
    assert {k: v for k, v in tried.counts.items() if v} == upload.counts


def aside(work: Callable[[], object]) -> bool:
    """Whether something ends that somebody else does meanwhile."""
    ended: list[bool] = []

    def run() -> None:
        try:
            work()
            ended.append(True)
        finally:
            connection.close()

    other = threading.Thread(target=run)
    other.start()
    other.join(BUSY_S)
    return bool(ended)


def test_while_a_sheet_is_tried_another_is_read(people: Cast, tmp_path: Path) -> None:
    ended: list[bool] = []
    data = sheet(tmp_path, people)
    upload = intake.receive(data, "sent.xlsx")

    def judge(ids: Array) -> None:
        chain.catch_up(NOW, ids)
        ended.append(aside(lambda: intake.stage(upload)))

    intake.dry_run(data, "a.xlsx", judge)
    assert ended == [True]
    assert Reading.objects.filter(value=12_000).count() == 1


@pytest.mark.skipif(not configured.SERVED, reason="SQLite copies the file as a whole")
def test_only_the_readings_of_vehicles_in_the_sheet_are_copied(
    people: Cast, tmp_path: Path
) -> None:
    other = Reading.objects.exclude(vehicle__fleet_number__in=["V-101", "V-102"])
    others = [row.pk for row in other]
    assert others
    seen: list[int] = []

    def judge(ids: Array) -> None:
        chain.catch_up(NOW, ids)
        seen.append(Reading.objects.filter(pk__in=others).count())
        scratch.bring(Reading, np.array([people.hill_van.meters.get().pk]))
        scratch.bring(Reading)
        scratch.bring(Reading)
        seen.append(Reading.objects.filter(pk__in=others).count())

    intake.dry_run(sheet(tmp_path, people), "a.xlsx", judge)
    assert seen == [0, len(others)]


def test_a_month_that_closes_in_a_trial_rests_on_all_vehicles(people: Cast, tmp_path: Path) -> None:
    """What is usual in a class is what a vehicle without readings starts with."""
    ClassRate.objects.all().delete()
    Run.objects.all().delete()  # June is open again, and the others were read in July too
    vehicle("V-301", people.plain, people.van_type)
    heads = ["Vehicle", "Date", "Odometer"]
    rows = [["V-301", date(2026, 6, 10), 700], ["V-301", date(2026, 7, 14), 3_500]]
    data = write_xlsx(tmp_path / "made.xlsx", July=[heads, *rows]).read_bytes()
    values = ("kind", "type_pk", "depot_pk", "month_end_on", "rate_km_per_day", "vehicles")
    found: list[list[tuple[Any, ...]]] = []

    def judge(ids: Array) -> None:
        chain.catch_up(NOW, ids)
        found.append(list(ClassRate.objects.order_by(*values).values_list(*values)))

    intake.dry_run(data, "a.xlsx", judge)
    assert not ClassRate.objects.exists()
    upload = intake.receive(data, "a.xlsx")
    intake.stage(upload)
    judge(intake.vehicles_of(upload))
    assert found[0] == found[1]
    assert [row[-1] for row in found[0]] == [3]  # vehicles; a single reading tells no rate


def test_a_trial_that_breaks_leaves_nothing_behind(people: Cast, tmp_path: Path) -> None:
    def broken(_: Array) -> None:
        raise RuntimeError("no good")

    before = rows()
    with pytest.raises(RuntimeError):
        intake.dry_run(sheet(tmp_path, people), "a.xlsx", broken)
    assert rows() == before
    assert not list(Path(configured.DATA_DIR).glob("tried-*"))


def left_by_a_kill(kind: str) -> None:
    """A process that makes such a file, and is killed before it can take it away."""
    script = (
        "import os, tempfile; from fleet.readings import leavings\n"
        f"tempfile.mkstemp(dir={str(folder_of(kind))!r}, prefix=leavings.prefix({kind!r}))\n"
        "os.kill(os.getpid(), 9)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment(), cwd=configured.BASE_DIR
    )
    assert done.returncode == -9


def folder_of(kind: str) -> Path:
    folder = Path(configured.DATA_DIR) / ("uploads" if kind == leavings.ARRIVING else "")
    folder.mkdir(exist_ok=True)
    return folder


def made(kind: str, name: str, age_s: float = 0) -> Path:
    path = folder_of(kind) / name
    path.touch()
    os.utime(path, (time.time() - age_s,) * 2)
    return path


@pytest.fixture(params=[leavings.TRIED, leavings.ARRIVING])
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def test_what_a_killed_trial_left_is_gone_after_the_next_one(
    people: Cast, tmp_path: Path, kind: str
) -> None:
    left_by_a_kill(kind)
    at_work = made(kind, f"{leavings.prefix(kind)}x")
    assert len(list(folder_of(kind).glob(f"{kind}-*"))) == 2
    intake.dry_run(sheet(tmp_path, people), "a.xlsx", lambda ids: chain.catch_up(NOW, ids))
    leavings.sweep()  # a trial on PostgreSQL needs no file
    assert list(folder_of(kind).glob(f"{kind}-*")) == [at_work]
    at_work.unlink()


def test_what_nobody_here_can_tell_the_owner_of_goes_after_a_day(kind: str) -> None:
    new = made(kind, f"{kind}-12-0123abcd-345-x", age_s=80_000)  # before a restart, or elsewhere
    old = made(kind, f"{kind}-12-0123abcd-345-y", age_s=90_000)
    of_before = made(kind, f"{kind}-abcdefgh", age_s=90_000)  # as it was named until now
    leavings.sweep()
    assert [path.exists() for path in (new, old, of_before)] == [True, False, False]
    new.unlink()
