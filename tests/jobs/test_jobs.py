from datetime import date
from typing import Any

import pytest
import time_machine
from celery.schedules import crontab
from django.db import transaction

from config.celery import app
from fleet import chain, jobs
from fleet.readings.models import Upload
from fleet.runs import ledger
from tests.cast import cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def called(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, ...]]:
    """Calls of the chain, which has tests of its own."""
    calls: list[tuple[Any, ...]] = []
    for name in ("nightly", "refresh", "complete_upload"):

        def note(*given: Any, name: str = name, **named: Any) -> None:
            calls.append((name, given[0], *named.values()))

        monkeypatch.setattr(chain, name, note)
    return calls


def upload(state: str) -> Upload:
    return Upload.objects.create(name=state, hash=state, size_bytes=1, state=state)


def test_make_up_starts_the_newest_missing_night_of_each_zone(called: list[Any]) -> None:
    cast()
    with time_machine.travel("2026-05-12T10:00:00Z", tick=False):
        jobs.make_up()
    assert called == [("nightly", date(2026, 5, 12), "Europe/Berlin", False)]


def test_make_up_goes_on_with_uploads_cut_short(called: list[Any]) -> None:
    begun = [upload(state) for state in ("received", "read", "judged")]
    upload("done")
    upload("refused")
    jobs.make_up()
    assert sorted(called) == [("complete_upload", one.pk) for one in begun]


def test_an_upload_that_fails_again_and_again_is_left_to_a_person(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    tries = []

    def broken(upload_id: int, progress: Any) -> None:
        tries.append(upload_id)
        raise ValueError("broken")

    monkeypatch.setattr(chain, "complete_upload", broken)
    one = upload("received")
    for _ in range(ledger.ATTEMPTS):
        with pytest.raises(ValueError, match="broken"):
            jobs.make_up()
    jobs.make_up()
    assert tries == [one.pk] * ledger.ATTEMPTS


def test_work_in_other_hands_is_left_there(called: list[Any]) -> None:
    one = upload("received")
    assert ledger.claim(jobs.UPLOAD, one.received_at.date(), str(one.pk))
    jobs.take_in_upload(one.pk)
    assert called == []


def test_an_upload_is_done_in_the_ledger_too(called: list[Any]) -> None:
    one = upload("received")
    jobs.take_in_upload(one.pk)
    run = ledger.ask_for(jobs.UPLOAD, one.received_at.date(), str(one.pk))
    assert run.state == "done"


@pytest.mark.django_db(transaction=True)
def test_a_task_is_sent_after_commit_and_not_at_all_without(called: list[Any]) -> None:
    with transaction.atomic():
        jobs.refresh.delay_on_commit([1])
        assert called == []
    with transaction.atomic():
        jobs.refresh.delay_on_commit([2])
        transaction.set_rollback(True)
    assert called == [("refresh", [1])]


def test_beat_wakes_make_up_at_every_half_past() -> None:
    # 02:30 of every zone is a full or half hour of UTC, but for the few at a quarter
    (entry,) = app.conf.beat_schedule.values()
    assert entry["task"] == jobs.make_up.name
    assert entry["schedule"] == crontab(minute="*/10")
    assert {0, 30} <= entry["schedule"].minute
