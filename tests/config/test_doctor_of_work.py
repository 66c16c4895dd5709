"""Whether somebody takes the work, and what waits for nobody having taken it."""

import json
import re
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from django.conf import settings
from django.db import transaction
from django.test import override_settings
from django.utils import timezone

from config import doctor, serving
from config.celery import app
from config.doctor import LOOK, WELL, WRONG
from fleet import jobs
from fleet.readings.models import Upload
from fleet.runs import ledger
from fleet.runs.models import Run
from fleet.whatif.models import WhatIf
from fleet.workbook.models import SentBook
from tests.config.test_serve import free_port
from tests.processes import running, wait_for

COMPOSE = (Path(__file__).resolve().parents[2] / "docker-compose.yml").read_text()
THREE_HOURS = timedelta(hours=3)


@pytest.fixture
def through_the_broker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(app.conf, "task_always_eager", False)
    with app.connection_for_write() as connection:
        app.control.purge(connection)


@pytest.fixture
def upload(db: None) -> Upload:
    kept = Upload.objects.create(name="may.xlsx", hash="a" * 64, size_bytes=1)
    _received(kept, timezone.now() - THREE_HOURS)
    return kept


def _received(upload: Upload, at: datetime) -> None:
    Upload.objects.filter(pk=upload.pk).update(received_at=at)


def _prefork() -> object:
    command = ["celery", "-A", "config.celery:app", "worker", "--concurrency", "1", "-l", "INFO"]
    return running([sys.executable, "-m", *command], "ready.")


def _worker() -> doctor.Seen:
    with override_settings(SERVED=True):  # not where the worker's environment is made
        return doctor.worker()


# --- a worker ----------------------------------------------------------------------------------


@pytest.mark.skipif(not settings.SERVED, reason="asked once, where tests use PostgreSQL")
@pytest.mark.django_db(transaction=True)
@pytest.mark.usefixtures("through_the_broker")
def test_a_worker_is_missed_and_one_that_is_busy_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    assert _worker() == (WRONG, f"none answers: start the worker: {doctor.START_WORKER}")
    monkeypatch.setattr(doctor, "ANSWER_WITHIN_S", 30.0)
    run = ledger.ask_for("night", timezone.now().date(), "Europe/Berlin")
    with _prefork():
        with transaction.atomic():  # it cannot claim the night as long as somebody holds its row
            Run.objects.select_for_update().get(pk=run.pk)
            Run.objects.filter(pk=run.pk).update(progress_share=0)
            app.send_task("fleet.jobs.night", [run.on.isoformat(), run.part])
            wait_for(lambda: any((app.control.inspect(timeout=1).active() or {}).values()))
            assert _worker() == (WELL, "answers")
        wait_for(lambda: Run.objects.get(pk=run.pk).state == Run.State.DONE)


@pytest.mark.parametrize(
    ("part", "told"), [("worker", doctor.START_WORKER), ("beat", doctor.START_BEAT)]
)
def test_the_commands_that_are_named_are_those_of_the_composition(part: str, told: str) -> None:
    (command,) = re.findall(rf"  {part}:\n    <<: \*program\n    command: (\[.*\])\n", COMPOSE)
    assert " ".join(json.loads(command)).startswith(told)


@pytest.fixture
def served_embedded() -> Iterator[None]:
    with serving.only_one(free_port()):
        yield


@pytest.mark.django_db
@pytest.mark.usefixtures("served_embedded")
@override_settings(SERVED=False)
def test_one_that_serve_starts_again_and_again_is_wrong() -> None:
    serving._failed("worker", 1, 1.0)
    ledger.record_failure("worker process", timezone.now() - timedelta(minutes=6), "long ago")
    ledger.record_failure("pages process", timezone.now(), "another one")
    assert doctor.worker() == (WELL, "kept by sumpwise serve")  # it ended once
    serving._failed("worker", 1, 2.0)
    assert doctor.worker() == (WRONG, "ended 2 times within 5 minutes: see Runs for why")


@override_settings(SERVED=False)
def test_where_nothing_is_served_none_is_missed() -> None:
    assert doctor.worker() == (WELL, "not started; sumpwise serve does")


# --- what waits --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("served", "start"), [(True, doctor.START_WORKER), (False, "sumpwise serve")]
)
def test_an_upload_that_nobody_took_is_wrong(upload: Upload, served: bool, start: str) -> None:
    upload.refresh_from_db()
    with override_settings(SERVED=served):
        said = doctor.waiting()
    assert said == (
        WRONG,
        f"upload {upload.pk} since {upload.received_at:%Y-%m-%d %H:%M} UTC. "
        f"Nobody is at work: start the worker: {start}",
    )


def test_an_upload_that_came_just_now_is_well(upload: Upload) -> None:
    _received(upload, timezone.now() - timedelta(minutes=4))
    assert doctor.waiting() == (WELL, "nothing for longer than 5 minutes")


def test_an_upload_that_somebody_took_waits_for_nobody(upload: Upload) -> None:
    today = timezone.now().date()
    ledger.ask_for(jobs.UPLOAD, today, str(upload.pk))
    assert doctor.waiting()[0] == WRONG
    assert ledger.claim(jobs.UPLOAD, today, str(upload.pk))
    assert doctor.waiting()[0] == WELL


def test_an_upload_that_waits_behind_other_work_is_to_be_looked_at(upload: Upload) -> None:
    run = ledger.claim("plan", timezone.now().date(), "north")
    assert run
    state, text = doctor.waiting()
    assert (state, text.endswith(f"Meanwhile somebody is at {run}: see Runs")) == (LOOK, True)
    killed = Run.objects.filter(pk=run.pk)
    words = run.owner.split()
    killed.update(owner=" ".join([*words[:3], "1"]))  # another process had that number
    assert doctor.waiting()[0] == WRONG


@pytest.mark.django_db
def test_workbooks_and_questions_wait_too_until_they_are_begun() -> None:
    at = timezone.now() - THREE_HOURS
    book = SentBook.objects.create(name="fleet.xlsx", size_bytes=1)
    SentBook.objects.filter(pk=book.pk).update(received_at=at)
    asked = WhatIf.objects.create(title="more", changes=[], channel="page", asked_at=at)
    assert jobs.untaken(timezone.now()) == [
        (f"workbook {book.pk}", at),
        (f"what if {asked.pk}", at),
    ]
    SentBook.objects.update(state=SentBook.State.CHECKED)
    WhatIf.objects.update(state=WhatIf.State.DONE)
    assert jobs.untaken(timezone.now()) == []
