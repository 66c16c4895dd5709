"""Expected states follow from the rules stated in the ledger's docstrings (our choice)."""

import os
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from mmap import mmap

import pytest
from django.db import InterfaceError, OperationalError
from django.utils import timezone

from fleet.runs import ledger, owner
from fleet.runs.models import Run
from fleet.vehicles.models import Depot

pytestmark = pytest.mark.django_db
ON = date(2026, 3, 29)


def depot(slug: str, zone: str) -> Depot:
    return Depot.objects.create(slug=slug, name=slug, zone=zone, source="invented for the test")


def lose(run: Run) -> None:
    Run.objects.filter(pk=run.pk).update(lease_until=timezone.now() - timedelta(seconds=1))


def test_work_ends_done_with_its_counts() -> None:
    with ledger.work("night", ON) as run:
        ledger.renew(run, 0.5, {"vehicles": 3})
    assert (run.state, run.progress_share, run.counts) == ("done", 1.0, {"vehicles": 3})


def test_work_that_breaks_keeps_the_error() -> None:
    with pytest.raises(ValueError, match="no climate"), ledger.work("night", ON):
        raise ValueError("no climate")
    assert Run.objects.get().error == "ValueError: no climate"
    assert Run.objects.get().state == "failed"


def test_work_in_hand_is_refused_to_others() -> None:
    assert ledger.claim("night", ON)
    with pytest.raises(ledger.Taken, match="running already"), ledger.work("night", ON):
        pytest.fail("two processes had the same work")


def test_work_that_is_done_is_refused_unless_wanted_again() -> None:
    with ledger.work("night", ON):
        pass
    assert ledger.claim("night", ON) is None
    assert ledger.claim("night", ON, again=True)


def test_work_whose_lease_has_passed_can_be_taken_over() -> None:
    first = ledger.claim("night", ON)
    assert first
    lose(first)
    second = ledger.claim("night", ON)
    assert second
    assert second.attempts == 2


def test_the_old_holder_of_lost_work_must_stop_and_closes_nothing() -> None:
    def outlast_the_lease() -> None:
        with ledger.work("night", ON) as first:
            lose(first)
            ledger.claim("night", ON)
            ledger.renew(first, 0.9)

    with pytest.raises(ledger.Taken):
        outlast_the_lease()
    assert Run.objects.get().state == "running"


def test_whoever_outlasts_the_lease_is_told_at_the_end_and_closes_nothing() -> None:
    def outlast_the_lease() -> None:
        with ledger.work("night", ON) as first:
            first.counts = {"vehicles": 3}
            lose(first)
            ledger.claim("night", ON)

    with pytest.raises(ledger.Taken, match="night .* was taken over by another process"):
        outlast_the_lease()
    assert (Run.objects.get().state, Run.objects.get().counts) == ("running", {})


def test_renewing_moves_the_lease_five_minutes_ahead() -> None:
    run = ledger.claim("night", ON)
    assert run
    lose(run)
    ledger.renew(run, 0.2)
    run.refresh_from_db()
    assert run.lease_until
    assert abs(run.lease_until - timezone.now() - timedelta(minutes=5)) < timedelta(seconds=30)


def test_short_chunks_renew_only_every_few_seconds(monkeypatch: pytest.MonkeyPatch) -> None:
    clock_s = [100.0]
    monkeypatch.setattr(ledger, "monotonic", lambda: clock_s[0])
    run = ledger.claim("night", ON)
    assert run
    keep, shown = ledger.keeper(run), []
    for second_s, share in ((102.9, 0.1), (103.0, 0.2), (105.9, 0.3), (106.0, 0.4)):
        clock_s[0] = second_s
        keep(share)
        shown.append(Run.objects.get().progress_share)
    assert shown == [0, 0.2, 0.2, 0.4]


def test_interrupted_work_waits_to_be_made_up() -> None:
    with pytest.raises(KeyboardInterrupt), ledger.work("night", ON):
        raise KeyboardInterrupt
    assert Run.objects.get().state == "waiting"


def test_parts_of_a_day_are_separate_work() -> None:
    assert ledger.claim("night", ON, "Europe/Madrid")
    assert ledger.claim("night", ON, "Europe/Athens")


@pytest.mark.parametrize(
    ("instant", "night"),
    [
        # by hand: Madrid is UTC+1 in winter, UTC+2 in summer; clocks go from 2 to 3 h on 29 March
        (datetime(2026, 1, 10, 1, 29, tzinfo=UTC), date(2026, 1, 9)),
        (datetime(2026, 1, 10, 1, 30, tzinfo=UTC), date(2026, 1, 10)),
        (datetime(2026, 3, 29, 0, 59, tzinfo=UTC), date(2026, 3, 28)),
        (datetime(2026, 3, 29, 1, 0, tzinfo=UTC), date(2026, 3, 29)),
        (datetime(2026, 7, 10, 0, 30, tzinfo=UTC), date(2026, 7, 10)),
    ],
)
def test_a_night_comes_at_half_past_two_local(instant: datetime, night: date) -> None:
    assert ledger.newest_night(instant, "Europe/Madrid") == night


def test_each_zone_owes_its_own_night() -> None:
    depot("west", "Europe/Madrid")
    depot("far", "Asia/Tokyo")
    owed = ledger.owed(datetime(2026, 1, 10, 18, tzinfo=UTC))  # 19 h in Madrid, 3 h in Tokyo
    assert [(night.part, night.on.day) for night in owed] == [
        ("Asia/Tokyo", 11),
        ("Europe/Madrid", 10),
    ]


def test_a_night_done_or_in_hand_is_not_owed() -> None:
    depot("west", "Europe/Madrid")
    now = datetime(2026, 1, 10, 18, tzinfo=UTC)
    run = ledger.claim("night", date(2026, 1, 10), "Europe/Madrid")
    assert run
    assert ledger.owed(now) == []
    lose(run)
    assert len(ledger.owed(now)) == 1


def test_a_night_done_between_midnight_and_half_past_two_overtakes_the_one_before() -> None:
    depot("west", "Europe/Madrid")
    now = datetime(2026, 1, 10, 0, 30, tzinfo=UTC)  # 01:30 in Madrid: a person asked already
    today, part = date(2026, 1, 10), "Europe/Madrid"
    assert [night.on for night in ledger.owed(now)] == [date(2026, 1, 9)]
    with ledger.work("night", today, part):
        assert ledger.owed(now) == []
    assert ledger.owed(now) == []
    assert ledger.owed(now + timedelta(hours=26)) != []  # 03:30 the next day


def test_a_later_night_that_failed_overtakes_nothing() -> None:
    depot("west", "Europe/Madrid")
    now, today = datetime(2026, 1, 10, 0, 30, tzinfo=UTC), date(2026, 1, 10)
    for _ in range(ledger.ATTEMPTS):
        with pytest.raises(ZeroDivisionError), ledger.work("night", today, "Europe/Madrid"):
            raise ZeroDivisionError
    assert [night.on for night in ledger.owed(now)] == [date(2026, 1, 9)]


def test_only_the_newest_of_missed_nights_is_owed() -> None:
    depot("west", "Europe/Madrid")
    with ledger.work("night", date(2026, 1, 3), "Europe/Madrid"):
        pass
    owed = ledger.owed(datetime(2026, 1, 10, 18, tzinfo=UTC))
    assert [night.on for night in owed] == [date(2026, 1, 10)]


def test_a_night_that_fails_again_and_again_is_left_to_a_person() -> None:
    depot("west", "Europe/Madrid")
    now, on = datetime(2026, 1, 10, 18, tzinfo=UTC), date(2026, 1, 10)
    for _ in range(ledger.ATTEMPTS):
        assert ledger.owed(now)
        with pytest.raises(ZeroDivisionError), ledger.work("night", on, "Europe/Madrid"):
            raise ZeroDivisionError
    assert ledger.owed(now) == []
    assert ledger.given_up("night") == {"Europe/Madrid"}


def test_a_running_row_past_its_lease_stands_as_lost() -> None:
    run = ledger.claim("night", ON)
    assert run
    assert run.lease_until
    assert ledger.standing(run, run.lease_until - timedelta(seconds=1)) == "running"
    assert ledger.standing(run, run.lease_until + timedelta(seconds=1)) == "lost"


def night_at(zone: str = "Europe/Berlin") -> tuple[date, datetime]:
    depot("north", zone)
    return ON, datetime(2026, 3, 29, 12, tzinfo=UTC)


def test_a_night_asked_for_again_and_lost_by_the_broker_is_owed() -> None:
    on, now = night_at()
    with ledger.work("night", on, "Europe/Berlin"):
        pass
    assert ledger.owed(now) == []
    run = ledger.ask_for("night", on, "Europe/Berlin", again=True)
    assert ledger.standing(run, now) == "waiting"
    assert ledger.owed(now) == [ledger.Owed("night", on, "Europe/Berlin")]


def test_an_older_night_that_was_asked_for_and_lost_is_owed_too() -> None:
    on, now = night_at()
    with ledger.work("night", on, "Europe/Berlin"):
        pass
    ledger.ask_for("night", on - timedelta(days=9), "Europe/Berlin")
    (owed,) = ledger.owed(now)
    assert owed.on == on - timedelta(days=9)


def test_a_night_that_failed_too_often_is_tried_once_a_person_asks_again() -> None:
    on, now = night_at()
    for _ in range(ledger.ATTEMPTS):
        with pytest.raises(ValueError, match="x"), ledger.work("night", on, "Europe/Berlin"):
            raise ValueError("x")
    assert ledger.owed(now) == []
    ledger.ask_for("night", on, "Europe/Berlin", again=True)
    assert len(ledger.owed(now)) == 1


def test_asking_again_for_what_is_in_hand_changes_nothing() -> None:
    run = ledger.claim("night", ON)
    assert run
    assert ledger.ask_for("night", ON, again=True).state == "running"


def a_dead_owner() -> str:
    """As a process that has ended left it."""
    script = "from fleet.runs import owner; print(owner.me())"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    return done.stdout.strip()


def test_work_of_a_process_that_is_seen_to_be_gone_is_free_at_once() -> None:
    run = ledger.claim("night", ON)
    assert run
    Run.objects.filter(pk=run.pk).update(owner=a_dead_owner())
    ledger.let_go_of_the_dead()
    assert ledger.standing(Run.objects.get(), timezone.now()) == "lost"
    assert ledger.claim("night", ON)


def test_work_of_a_living_process_or_of_another_machine_stays_in_its_hands() -> None:
    run = ledger.claim("night", ON)
    assert run
    machine, pid, seen, began = run.owner.split()
    for held_by in (
        run.owner,
        f"elsewhere {pid} 0123abcd {began}",  # whose numbers mean nothing here
        f"{machine} {pid}",  # as an older version of the program left it
    ):
        Run.objects.filter(pk=run.pk).update(owner=held_by)
        ledger.let_go_of_the_dead()
        assert ledger.claim("night", ON) is None, held_by
    Run.objects.filter(pk=run.pk).update(owner=f"{machine} {pid} {seen} 1")
    ledger.let_go_of_the_dead()  # another process has the number now
    assert ledger.claim("night", ON)


def test_a_number_that_another_process_has_now_is_not_taken_for_its_old_owner() -> None:
    begun_before = a_dead_owner().split()[3]
    now = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    machine, _, seen, _ = owner.me().split()
    try:
        assert owner.is_dead(f"{machine} {now.pid} {seen} {begun_before}")
    finally:
        now.communicate(b"\n")


def test_an_owner_is_known_again_whatever_it_has_done_since() -> None:
    me = owner.me()
    with mmap(-1, 64 << 20):  # its size, which the system tells beside its start, is another now
        assert not owner.is_dead(me)


def test_who_has_the_work_is_told_in_words() -> None:
    assert ledger.claim("night", ON)
    told = rf"\(\S+ {os.getpid()}, see Runs\)"
    with pytest.raises(ledger.Taken, match=told), ledger.work("night", ON):
        pass


def test_work_that_failed_with_the_database_is_free_once_that_is_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    waited: list[float] = []
    close, tries = ledger._close, iter([OperationalError, InterfaceError, None])

    def away_at_first(run: Run, state: str, **changes: object) -> None:
        if fault := next(tries):
            raise fault("the connection is closed")
        close(run, state, **changes)

    monkeypatch.setattr(ledger, "_close", away_at_first)
    monkeypatch.setattr(ledger, "sleep", waited.append)
    with pytest.raises(OperationalError, match="cut"), ledger.work("night", ON) as run:
        raise OperationalError("cut")
    run.refresh_from_db()
    assert (run.state, run.error) == ("failed", "OperationalError: cut")
    assert waited == [0.5, 1]


def test_a_database_that_stays_away_is_given_up(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def away(*_: object, **__: object) -> None:
        raise OperationalError("the connection is closed")

    waited: list[float] = []
    monkeypatch.setattr(ledger, "_close", away)
    monkeypatch.setattr(ledger, "sleep", waited.append)
    with pytest.raises(OperationalError, match="cut"), ledger.work("night", ON):
        raise OperationalError("cut")
    assert 60 <= sum(waited) <= 90  # seconds: a restart is over by then, a lease is not
    assert "The database is away" in caplog.text
