from datetime import UTC, date, datetime, time, timedelta
from inspect import signature
from typing import Any

import pytest
import time_machine
from celery.schedules import crontab
from django.db import transaction
from kombu.exceptions import OperationalError

from config.celery import app
from fleet import chain, jobs
from fleet.readings.models import Upload
from fleet.runs import ledger
from fleet.runs.models import Run
from fleet.visits.models import Plan
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


def test_an_upload_mended_or_withdrawn_is_made_up_though_its_task_was_lost(
    called: list[Any],
) -> None:
    one = upload("received")
    jobs.take_in_upload(one.pk)
    Upload.objects.update(state="done")
    jobs.take_in_upload(one.pk)  # delivered twice
    assert len(called) == 1
    Upload.objects.update(state="read")  # as both leave it; the broker was away then
    jobs.make_up()
    assert called == [("complete_upload", one.pk)] * 2


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


def test_with_the_broker_away_what_was_asked_is_noted_and_made_up(
    called: list[Any], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def away(*_: Any, **__: Any) -> None:
        raise OperationalError("Error 111 connecting to localhost:6379")

    cast()
    with time_machine.travel("2026-05-12T10:00:00Z", tick=False):
        with ledger.work("night", date(2026, 5, 12), "Europe/Berlin"):
            pass
        ledger.ask_for("night", date(2026, 5, 12), "Europe/Berlin", again=True)
        with monkeypatch.context() as patched:
            patched.setattr(jobs.night, "apply_async", away)
            jobs.send(jobs.night, "2026-05-12", "Europe/Berlin")
        assert called == []
        assert "fleet.jobs.night is made up when it is back" in caplog.text
        jobs.make_up()
    assert called == [("nightly", date(2026, 5, 12), "Europe/Berlin", False)]


def test_an_upload_that_somebody_is_at_is_not_sent_again(
    called: list[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, sent = upload("received"), []
    ledger.claim(jobs.UPLOAD, one.received_at.date(), str(one.pk))
    monkeypatch.setattr(jobs, "send", lambda *given: sent.append(given))
    jobs.make_up()
    assert sent == []


def test_what_a_killed_worker_held_is_found_within_the_minute() -> None:
    """On its machine at the next look, elsewhere when the lease has passed and at the next look."""
    (entry,) = app.conf.beat_schedule.values()
    assert entry["schedule"] == crontab(minute="*")
    assert ledger.LEASE + timedelta(minutes=1) <= timedelta(minutes=6)
    assert entry["options"]["expires"] < 60  # a busy worker does not find hundreds of them later


def test_beat_wakes_make_up_at_every_half_past() -> None:
    # 02:30 of every zone is a full or half hour of UTC, but for the few at a quarter
    (entry,) = app.conf.beat_schedule.values()
    assert entry["task"] == jobs.make_up.name
    assert entry["schedule"] == crontab(minute="*")
    assert {0, 30} <= entry["schedule"].minute


def test_each_depot_of_a_zone_is_planned_after_its_night(called: list[Any]) -> None:
    people = cast()
    jobs.night("2026-05-12", "Europe/Berlin")
    made = Plan.objects.values_list("depot__slug", "as_of_on")
    assert set(made) == {(one.slug, date(2026, 5, 12)) for one in (people.plain, people.hill)}
    assert Run.objects.filter(job="plan", state="done").count() == 2


def test_a_depot_is_planned_once_a_day_unless_asked_again(called: list[Any]) -> None:
    people = cast()
    for again in (False, False, True):
        jobs.plan_visits([people.plain.slug], "2026-05-12", again)
    assert Run.objects.get(job="plan").state == "done"
    assert Plan.objects.count() == 1  # the same inputs keep the plan


def test_an_upload_waits_for_few_plans_however_many_depots_there_are(
    monkeypatch: pytest.MonkeyPatch, db: None
) -> None:
    sent: list[Any] = []
    monkeypatch.setattr(jobs, "send", lambda *given: sent.append(given))
    jobs.plan_visits(["a", "b", "c"], "2026-05-12")
    assert sent == [(jobs.plan_visits, ["b", "c"], "2026-05-12", False)]
    assert list(Run.objects.filter(job="plan").values_list("part", flat=True)) == ["a"]
    jobs.plan_visits(["c"], "2026-05-12")
    assert len(sent) == 1


def test_a_task_leaves_aside_what_a_later_version_says_more(called: list[Any]) -> None:
    """Called as a worker calls it, with the arguments of a message."""
    jobs.refresh.apply(([1, 2], "more"), {"later": True}).get()
    assert [call[:2] for call in called] == [("refresh", [1, 2])]


@pytest.mark.parametrize("name", sorted(name for name in app.tasks if name.startswith("fleet.")))
def test_so_does_every_task(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    task, given = app.tasks[name], []
    known = signature(task.run)

    def run(*args: Any, **kwargs: Any) -> None:
        given.append((args, kwargs))

    run.__signature__ = known  # type: ignore[attr-defined]
    monkeypatch.setattr(task, "run", run)
    task.apply((*range(len(known.parameters)), "more"), {"later": True}).get()
    assert given == [(tuple(range(len(known.parameters))), {})]


def test_a_task_that_lacks_what_it_needs_fails(called: list[Any]) -> None:
    with pytest.raises(TypeError, match="vehicle_ids"):
        jobs.refresh.apply((), {"later": True}).get()


@pytest.fixture
def nights(monkeypatch: pytest.MonkeyPatch) -> list[date]:
    """Nights that were worked, each claimed in the ledger as the chain does."""
    done: list[date] = []

    def night(on: date, *, zone: str, again: bool = False) -> None:
        with ledger.work("night", on, zone, again=again):
            done.append(on)

    monkeypatch.setattr(chain, "nightly", night)
    return done


# Berlin: on 29 March 2026 2 h is followed by 3 h, on 25 October 3 h by 2 h (EU directive 2000/84)
@pytest.mark.parametrize("sunday", [date(2026, 3, 29), date(2026, 10, 25)])
def test_every_night_is_done_once_although_the_clock_is_changed(
    sunday: date, nights: list[date]
) -> None:
    cast()
    start = datetime.combine(sunday, time(12), UTC) - timedelta(days=1)
    for half_hours in range(96):
        with time_machine.travel(start + half_hours * timedelta(minutes=30), tick=False):
            jobs.make_up()
    assert nights == [sunday + timedelta(days=days) for days in (-1, 0, 1)]


def test_a_clock_that_goes_back_an_hour_does_no_night_again(nights: list[date]) -> None:
    cast()
    for hour in ("00:20", "00:40", "23:40", "00:10", "00:35"):  # UTC: 2 h more in Berlin
        day = "2026-07-09" if hour == "23:40" else "2026-07-10"
        with time_machine.travel(f"{day}T{hour}:00Z", tick=False):
            jobs.make_up()
    assert nights == [date(2026, 7, 9), date(2026, 7, 10)]
