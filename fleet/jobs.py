"""Every background task: it takes ids and dates, and may run twice without harm.

The pages import this file to send tasks; the arithmetic is loaded where one runs.
"""

from contextlib import suppress
from datetime import date

from django.utils import timezone

from config.celery import app
from fleet.readings.models import Upload
from fleet.runs import ledger

UPLOAD = "upload"
SCORE = "backtest"


@app.task
def night(on: str, zone: str, again: bool = False) -> None:
    """One night of the depots in one time zone; ``again`` although it is done."""
    from fleet import chain

    with suppress(ledger.Taken):
        chain.nightly(date.fromisoformat(on), zone=zone, again=again)


@app.task
def make_up() -> None:
    """Start what is owed: nights that have come or were missed, and uploads cut short."""
    for owed in ledger.owed(timezone.now()):
        night.delay(owed.on.isoformat(), owed.part)
    ended = [Upload.State.DONE, Upload.State.REFUSED]
    for upload_id in Upload.objects.exclude(state__in=ended).values_list("pk", flat=True):
        if str(upload_id) not in ledger.given_up(UPLOAD):
            take_in_upload.delay(upload_id)


@app.task
def take_in_upload(upload_id: int) -> None:
    """Bring an upload from wherever it stands to its end."""
    from fleet import chain

    received_on = Upload.objects.values_list("received_at__date", flat=True).get(pk=upload_id)
    with (
        suppress(ledger.Taken),
        ledger.work(UPLOAD, received_on, str(upload_id)) as run,
    ):
        chain.complete_upload(upload_id, lambda share, _: ledger.renew(run, share))


@app.task
def refresh(vehicle_ids: list[int]) -> None:
    """Bring these vehicles up to date after a reading, a decision or a change of set-up."""
    from fleet import chain

    chain.refresh(vehicle_ids, timezone.now())


@app.task
def score() -> None:
    """Score the fleet's own past, for the Method page."""
    from fleet.due import backtest

    today = timezone.now().date()
    with suppress(ledger.Taken), ledger.work(SCORE, today, again=True) as run:
        result = backtest.backtest("", today, lambda share, _: ledger.renew(run, share))
        backtest.keep(result)
        ledger.renew(run, 1.0, {"forecasts": result["forecasts"]})
