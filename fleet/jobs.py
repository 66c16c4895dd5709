"""Every background task: it takes ids and dates, and may run twice without harm.

The pages import this file to send tasks; the arithmetic is loaded where one runs.
"""

import logging
from collections.abc import Iterable, Iterator
from contextlib import suppress
from datetime import date, datetime
from typing import Any

from celery import Task
from django.db.models import Case, CharField, Exists, F, OuterRef, Q, QuerySet, When
from django.db.models.functions import Cast
from django.utils import timezone
from kombu.exceptions import OperationalError

from config.celery import app
from fleet.readings.models import Upload
from fleet.runs import ledger
from fleet.runs.models import Run
from fleet.vehicles.models import Depot
from fleet.whatif import listing as asked
from fleet.whatif.models import WhatIf
from fleet.workbook.models import SentBook

log = logging.getLogger(__name__)
UPLOAD = "upload"
PLAN = "plan"
SCORE = "backtest"
BOOK = "workbook"
WHAT_IF = "what if"


def send(task: "Task[Any, Any]", *given: Any, **named: Any) -> None:
    """Send a task; while the broker is away, what is noted in the database is made up later."""
    try:
        task.apply_async(given, named, retry=False)
    except (OperationalError, OSError):
        log.warning("The broker is away: %s is made up when it is back.", task.name)


@app.task
def night(on: str, zone: str, again: bool = False) -> None:
    """One night of the depots in one time zone; ``again`` although it is done."""
    from fleet import chain

    with suppress(ledger.Taken):
        chain.nightly(date.fromisoformat(on), zone=zone, again=again)
        if depots := list(Depot.objects.filter(zone=zone).values_list("slug", flat=True)):
            send(plan_visits, depots, on, again)


@app.task
def plan_visits(depots: list[str], on: str, again: bool = False) -> None:
    """Plan the workshop days of the first of some depots; ``again`` although it is done.

    The others are sent on one by one, so that an upload waits for two plans at most.
    """
    from fleet.visits import plan

    depot, *others = depots
    if others:
        send(plan_visits, others, on, again)
    day = date.fromisoformat(on)
    with suppress(ledger.Taken), ledger.work(PLAN, day, depot, again=again):
        ids = Depot.objects.filter(slug=depot).values_list("pk", flat=True)
        plan.plan(list(ids), day, late=plan.safety_clock(plan.NIGHT_S))


@app.task
def make_up() -> None:
    """Start what is owed: nights that have come or were missed, uploads and workbooks cut short."""
    ledger.let_go_of_the_dead()
    for owed in ledger.owed(timezone.now()):
        send(night, owed.on.isoformat(), owed.part)
    left = ledger.given_up(UPLOAD) | ledger.in_hand(UPLOAD)
    for upload_id in Upload.objects.exclude(state__in=Upload.ENDED).values_list("pk", flat=True):
        if str(upload_id) not in left:
            send(take_in_upload, upload_id)
    left = ledger.given_up(BOOK) | ledger.in_hand(BOOK)
    waiting = SentBook.objects.filter(state__in=[SentBook.State.RECEIVED, SentBook.State.WANTED])
    for sent_id in waiting.values_list("pk", flat=True):
        if str(sent_id) not in left:
            send(take_in_workbook, sent_id)
    left = ledger.given_up(WHAT_IF) | ledger.in_hand(WHAT_IF)
    for asked_id in asked.moving():
        if str(asked_id) not in left:
            send(answer_what_if, asked_id)


def untaken(before: datetime) -> list[tuple[str, datetime]]:
    """What was sent or asked for before a moment, and since when it waits for a worker."""
    uploads = Upload.objects.filter(state=Upload.State.RECEIVED)
    books = SentBook.objects.filter(state=SentBook.State.RECEIVED)
    questions = WhatIf.objects.filter(state=WhatIf.State.WAITING)
    return [
        *_untaken(UPLOAD, uploads.values_list("pk", "received_at"), before),
        *_untaken(BOOK, books.values_list("pk", "received_at"), before),
        *_untaken(WHAT_IF, questions.values_list("pk", "asked_at"), before),
    ]


def with_waiting(uploads: QuerySet[Upload]) -> QuerySet[Upload]:
    """Uploads with ``waiting_since``: when one came that nobody has taken, else None."""
    part = Cast(OuterRef("pk"), CharField())
    begun = Run.objects.filter(job=UPLOAD, part=part, attempts__gt=0)
    waits = Q(~Exists(begun), state=Upload.State.RECEIVED, rows_read=0)
    return uploads.annotate(waiting_since=Case(When(waits, then=F("received_at"))))


def waiting_since(upload: Upload) -> datetime | None:
    """When an upload came that nobody has taken; None where somebody has."""
    if upload.state != Upload.State.RECEIVED:
        return None
    found = with_waiting(Upload.objects.filter(pk=upload.pk)).get()
    at: datetime | None = found.waiting_since  # type: ignore[attr-defined]
    return at


def _untaken(
    job: str, rows: Iterable[tuple[int, datetime]], before: datetime
) -> Iterator[tuple[str, datetime]]:
    waiting = [(str(pk), since) for pk, since in rows if since < before]
    taken = ledger.begun(job, (part for part, _ in waiting))
    yield from ((f"{job} {part}", since) for part, since in waiting if part not in taken)


@app.task
def take_in_upload(upload_id: int, again: bool = False) -> None:
    """Bring an upload from wherever it stands to its end; ``again`` after rows were mended or it
    was withdrawn, also where that word was lost on the way."""
    from fleet import chain

    upload = Upload.objects.get(pk=upload_id)
    received_on, part = upload.received_at.date(), str(upload_id)
    again = again or (upload.is_under_way and ledger.is_done(UPLOAD, received_on, part))
    with suppress(ledger.Taken), ledger.work(UPLOAD, received_on, part, again=again) as run:
        chain.complete_upload(upload_id, lambda share, _: ledger.renew(run, share))


@app.task
def take_in_workbook(sent_id: int) -> None:
    """Check a workbook, or load it where that is wanted."""
    from fleet.workbook.sent import go_on

    received_on = SentBook.objects.values_list("received_at__date", flat=True).get(pk=sent_id)
    with (
        suppress(ledger.Taken),
        ledger.work(BOOK, received_on, str(sent_id), again=True) as run,
    ):
        go_on(sent_id, timezone.now(), lambda share: ledger.renew(run, share))


@app.task
def answer_what_if(asked_id: int) -> None:
    """Work out both years of a question; one that was deleted is left alone."""
    from fleet.whatif import ask

    with (
        suppress(ledger.Taken, ask.Gone, WhatIf.DoesNotExist),
        ledger.work(WHAT_IF, asked.asked_on(asked_id), str(asked_id), again=True) as run,
    ):
        ask.work_out(asked_id, timezone.now(), lambda share: ledger.renew(run, share))


@app.task
def refresh(vehicle_ids: list[int]) -> None:
    """Bring these vehicles up to date after a reading, a decision or a change of set-up."""
    from fleet import chain

    chain.refresh(vehicle_ids, timezone.now())


@app.task
def score() -> None:
    """Score the fleet's own past, for the Method page."""
    from fleet.hindcast import backtest

    today = backtest.newest_day_of_fleet()
    with suppress(ledger.Taken), ledger.work(SCORE, today, again=True) as run:
        result = backtest.backtest("", today, lambda share, _: ledger.renew(run, share))
        backtest.keep(result)
        run.counts = {"forecasts": result["forecasts"]}
