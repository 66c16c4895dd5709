"""Once a month: did the dates come true, and are the bands wide enough?

The same replay gives the figures of the Method page and the factor of the bands. A new factor is
a new version of the rules, so that every due date is computed anew.
"""

from datetime import date

import numpy as np

from fleet import bulk
from fleet.calc.replay import Cases
from fleet.calc.widening import Widened, widened
from fleet.due.widening import put_in_force
from fleet.hindcast import backtest
from fleet.runs import ledger
from fleet.runs.ledger import Progress, silent
from fleet.runs.models import Run

JOB = "guard"  # as it is called in the ledger of jobs
OUTCOME_MONTHS = 24  # our choice
MOST_VEHICLES = 2_000  # enough to see a share of 75 %, whatever the fleet; our choice


def watch(on: date, progress: Progress = silent) -> Run | None:
    """Look at the month that ended before a day, once; None where it is done or in hand."""
    month_end_on = backtest.month_end_before(on)
    done = [JOB, month_end_on, str(Run.State.DONE)]
    if bulk.has(Run, 'job = %s AND "on" = %s AND state = %s', done):  # on all nights but one
        return None
    try:
        with ledger.work(JOB, month_end_on) as run:

            def tell(share: float, text: str) -> None:
                ledger.renew(run, share)
                progress(share, text)

            run.counts = look(month_end_on, tell)
    except ledger.Taken:
        return None
    return run


def last_done() -> Run | None:
    """The newest look that was finished."""
    return Run.objects.filter(job=JOB, state=Run.State.DONE).order_by("on").last()


def look(month_end_on: date, progress: Progress = silent) -> dict[str, int]:
    """Store the month's backtest, and the factor that the bands need by it."""
    try:
        result, cases = backtest.scored("", month_end_on, progress, MOST_VEHICLES)
    except backtest.NothingToScore:
        _put_in_force(month_end_on, widened(np.empty((0, 1)), []))
        return {"forecasts": 0}
    backtest.keep(result)
    found = _found(cases, month_end_on)
    _put_in_force(month_end_on, found)
    return {
        "forecasts": found.forecasts,
        "inside %": round(100 * found.inside_share) if found.forecasts else 0,
        "band width %": round(100 * found.factor),
    }


def _put_in_force(month_end_on: date, found: Widened) -> None:
    inside_share = found.inside_share if found.forecasts else 0.0
    put_in_force(month_end_on, found.factor, found.forecasts, inside_share)


def _found(cases: Cases, month_end_on: date) -> Widened:
    """By the forecasts whose year of follow-up ended in the last two years."""
    newest = np.datetime64(month_end_on, "M").astype(np.int64) - backtest.FOLLOW_UP_MONTHS
    recent = (cases.month > newest - OUTCOME_MONTHS) & (cases.month <= newest)
    return widened(cases.needed[recent], cases.meter[recent])
