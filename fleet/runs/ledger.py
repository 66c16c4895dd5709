"""The ledger of jobs: who does what, until when it is believed, and what is still owed.

A broker may lose work (on the embedded one a killed worker takes its task along). The row
stays: whoever asks what is ``owed`` finds it again when its lease has passed.
"""

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from time import monotonic, sleep
from zoneinfo import ZoneInfo

from django.db import InterfaceError, OperationalError, connection
from django.db.models import Case, DateTimeField, ExpressionWrapper, F, Q, QuerySet, When
from django.db.models.expressions import CombinedExpression
from django.db.models.functions import Now

from fleet import trace
from fleet.faults import Fault
from fleet.runs import owner
from fleet.runs.models import Run
from fleet.today import NO_DEPOT, today_at
from fleet.vehicles.models import Depot

log = logging.getLogger(__name__)
LEASE = timedelta(minutes=5)  # our choice: longer than any chunk, short enough for a morning
RENEWED_EVERY_S = 3  # our choice: what a person who watches takes for going on
ATTEMPTS = 5  # our choice: what fails so often needs a person, not another attempt
WAITS_S = (0.5, 1, 2, 4, 8, 16, 30)  # our choice: a server that restarts is back by then
NIGHT_AT = time(2, 30)  # local; our choice: after the day's last reading, before the first shift
NIGHT = "night"
TAKEN_OVER = "{} was taken over by another process."

Progress = Callable[[float, str], None]


def silent(share: float, text: str) -> None:
    """Tell nobody."""


class Taken(Fault):
    """Somebody else is doing this work."""


@dataclass(frozen=True)
class Owed:
    """Work that should have been done by now and is in nobody's hands."""

    job: str
    on: date
    part: str


def listed(job: str = "", *, troubled: bool = False) -> QuerySet[Run]:
    """Runs, newest first: of one job, or those that failed or were lost."""
    rows = Run.objects.order_by("-on", "-id")
    if job:
        rows = rows.filter(job=job)
    if troubled:
        lost = Q(state=Run.State.RUNNING, lease_until__lt=Now())
        rows = rows.filter(Q(state=Run.State.FAILED) | lost)
    return rows


def jobs_kept() -> list[str]:
    """Names of the jobs that ever ran."""
    return list(Run.objects.order_by("job").values_list("job", flat=True).distinct())


@contextmanager
def work(job: str, on: date, part: str = "", again: bool = False) -> Iterator[Run]:
    """Claim a piece of work for the block; it ends done, with its ``counts`` as the block leaves
    them, or failed with the error's text.

    Parameters
    ----------
    again
        Do it once more although it is done.

    Raises
    ------
    Taken
        Another process holds the lease, or the work is done and not wanted ``again``; or, at the
        end, the lease had passed and somebody else has taken the work over.
    """
    run = claim(job, on, part, again)
    if run is None:
        leased = Run.objects.get(job=job, on=on, part=part)
        raise Taken(
            f"{leased} is {leased.state} already ({owner.in_words(leased.owner)}, see Runs)."
        )
    traced = trace.RUN.set(run.pk)
    try:
        yield run
    except (KeyboardInterrupt, SystemExit):
        _close(run, Run.State.WAITING, error="Stopped before its end; it goes on at make-up.")
        raise
    except Exception as error:
        log.exception("%s failed", run)
        _fail(run, f"{type(error).__name__}: {error}"[:2000])
        raise
    finally:
        trace.RUN.reset(traced)
    if not _close(run, Run.State.DONE, progress_share=1.0, counts=run.counts):
        raise Taken(TAKEN_OVER.format(run))


def claim(job: str, on: date, part: str = "", again: bool = False) -> Run | None:
    """Take the work if nobody has it; of several that try at once exactly one gets the row."""
    run = ask_for(job, on, part)
    won = Run.objects.filter(_free(again), pk=run.pk).update(
        state=Run.State.RUNNING,
        owner=owner.me(),
        lease_until=_lease(),
        started_at=Now(),
        finished_at=None,
        attempts=Case(When(state=Run.State.DONE, then=1), default=F("attempts") + 1),
        progress_share=0,
        counts={},
        error="",
    )
    run.refresh_from_db()
    return run if won else None


def ask_for(job: str, on: date, part: str = "", again: bool = False) -> Run:
    """Note that a piece of work is wanted; it stays noted until somebody has done it.

    Asked for ``again``, one that is done or has failed waits once more.
    """
    run = Run.objects.get_or_create(job=job, on=on, part=part)[0]
    if again:
        ended = Run.objects.filter(pk=run.pk, state__in=[Run.State.DONE, Run.State.FAILED])
        ended.update(state=Run.State.WAITING, attempts=0)
        run.refresh_from_db()
    return run


def renew(run: Run, share: float, counts: Mapping[str, int] | None = None) -> None:
    """After each chunk: keep the lease, show how far the work is (share 0 to 1).

    Raises
    ------
    Taken
        The lease had passed and somebody else has taken the work over: stop.
    """
    run.counts = {**run.counts, **(counts or {})}
    leased = _leased(run).update(lease_until=_lease(), progress_share=share, counts=run.counts)
    if not leased:
        raise Taken(TAKEN_OVER.format(run))


def keeper(run: Run) -> Callable[[float], None]:
    """Renews for work in short chunks, but not a second time within moments."""
    renewed_s = monotonic()

    def keep(share: float) -> None:
        nonlocal renewed_s
        if monotonic() - renewed_s >= RENEWED_EVERY_S:
            renew(run, share)
            renewed_s = monotonic()

    return keep


def standing(run: Run, now: datetime) -> str:
    """The state in words for a list: a running one whose lease has passed is lost."""
    lost = run.state == Run.State.RUNNING and run.lease_until and run.lease_until < now
    return "lost" if lost else run.state


def record_failure(job: str, now: datetime, error: str) -> Run:
    """Show on the list that something outside any planned work went wrong."""
    return Run.objects.create(
        job=job,
        on=today_at(NO_DEPOT, now),
        part=f"{now:%H:%M:%S.%f}",
        state=Run.State.FAILED,
        error=error,
        attempts=ATTEMPTS,  # nothing here to be made up
        finished_at=now,
    )


def owed(now: datetime) -> list[Owed]:
    """For each zone with a depot the newest night, if it was neither done nor is in hand.

    Older nights are overtaken: the newest one takes in all that came before it, and one done or in
    hand for a later day too (a person need not wait for half past two). One that a person asked for
    and nobody has begun is owed whatever its day.
    """
    zones = sorted(set(Depot.objects.values_list("zone", flat=True)))
    nights = [Owed(NIGHT, newest_night(now, zone), zone) for zone in zones]
    due = [night for night in nights if not _settled(night)]
    asked = Run.objects.filter(job=NIGHT, state=Run.State.WAITING, attempts=0)
    wanted = [Owed(NIGHT, on, zone) for on, zone in asked.values_list("on", "part")]
    return list(dict.fromkeys(due + wanted))


def _settled(night: Owed) -> bool:
    """Whether it was done, is in hand or given up, or a later one was done or is in hand."""
    rows = Run.objects.filter(job=night.job, part=night.part, on__gte=night.on)
    this = Q(on=night.on, attempts__gte=ATTEMPTS)
    return rows.filter(~_free(again=False) | this).exists()


def let_go_of_the_dead() -> None:
    """End the leases of processes of this machine that are gone: nobody waits for those."""
    for run in _in_force():
        if owner.is_dead(run.owner):
            _leased(run).update(lease_until=Now() - timedelta(seconds=1))


def at_work() -> list[Run]:
    """What somebody is at; a process of this machine that is gone is at nothing."""
    return [run for run in _in_force() if not owner.is_dead(run.owner)]


def begun(job: str, parts: Iterable[str]) -> set[str]:
    """Of some parts those that somebody has begun, whatever became of it."""
    rows = Run.objects.filter(job=job, part__in=list(parts), attempts__gt=0)
    return set(rows.values_list("part", flat=True))


def is_done(job: str, on: date, part: str) -> bool:
    """Whether a piece of work was brought to its end."""
    return Run.objects.filter(job=job, on=on, part=part, state=Run.State.DONE).exists()


def in_hand(job: str) -> set[str]:
    """Parts that somebody is at."""
    leased = Run.objects.filter(job=job, state=Run.State.RUNNING, lease_until__gte=Now())
    return set(leased.values_list("part", flat=True))


def given_up(job: str) -> set[str]:
    """Parts that failed too often to be tried again without a person."""
    failed = Run.objects.filter(job=job, state=Run.State.FAILED, attempts__gte=ATTEMPTS)
    return set(failed.values_list("part", flat=True))


def newest_night(now: datetime, zone: str) -> date:
    """The local date whose night is due: today from 02:30 on, before that yesterday."""
    local = now.astimezone(ZoneInfo(zone))
    return local.date() if local.time() >= NIGHT_AT else local.date() - timedelta(days=1)


def _free(again: bool) -> Q:
    free = Q(state__in=[Run.State.WAITING, Run.State.FAILED])
    lost = Q(state=Run.State.RUNNING, lease_until__lt=Now())
    return free | lost | (Q(state=Run.State.DONE) if again else Q())


def _lease() -> "ExpressionWrapper[CombinedExpression]":
    return ExpressionWrapper(Now() + LEASE, output_field=DateTimeField())


def _in_force() -> QuerySet[Run]:
    return Run.objects.filter(state=Run.State.RUNNING, lease_until__gt=Now())


def _leased(run: Run) -> QuerySet[Run]:
    """The row, as long as it is still this attempt's."""
    return Run.objects.filter(
        pk=run.pk, state=Run.State.RUNNING, owner=run.owner, attempts=run.attempts
    )


def _fail(run: Run, error: str) -> None:
    """Free the work; where it failed because the database went away, as soon as that answers.

    A lease that nobody ended would keep the work from everybody for minutes.
    """
    for pause_s in WAITS_S:
        try:
            _close(run, Run.State.FAILED, error=error)
            return
        except (OperationalError, InterfaceError):
            if not connection.in_atomic_block:
                connection.close()
            sleep(pause_s)
    log.warning("The database is away: %s is free when its lease has passed.", run)


def _close(run: Run, state: str, **changes: object) -> bool:
    """End this attempt; give whether it was still ours to end."""
    ended = _leased(run).update(state=state, finished_at=Now(), lease_until=None, **changes)
    run.refresh_from_db()
    return bool(ended)
