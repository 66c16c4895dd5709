"""Once a month: did the dates come true, and are the bands wide enough?

The same replay gives the figures of the Method page and the guard's factor. A new factor is a new
version of the rules, so that every due date is computed anew.
"""

from datetime import date

import numpy as np

from fleet.bulk import Array
from fleet.calc.guard import guarded
from fleet.calc.replay import Cases
from fleet.due import backtest
from fleet.due.models import GuardFactor
from fleet.runs import ledger
from fleet.runs.models import Run

JOB = "guard"
OUTCOME_MONTHS = 24
MOST_VEHICLES = 2_000  # enough to see a share of 75 %, whatever the fleet; our choice


def watch(on: date, progress: backtest.Progress = backtest.silent) -> Run | None:
    """Look at the month that ended before a day, once; None where it is done or in hand."""
    month_end_on = backtest.month_end_before(on)
    if Run.objects.filter(job=JOB, on=month_end_on, state=Run.State.DONE).exists():
        return None
    try:
        with ledger.work(JOB, month_end_on) as run:

            def tell(share: float, text: str) -> None:
                ledger.renew(run, share)
                progress(share, text)

            ledger.renew(run, 1.0, look(month_end_on, tell))
    except ledger.Taken:
        return None
    return run


def look(month_end_on: date, progress: backtest.Progress = backtest.silent) -> dict[str, int]:
    """Store the month's backtest, and a new factor if the bands were too narrow."""
    try:
        result, cases = backtest.scored("", month_end_on, progress, MOST_VEHICLES)
    except backtest.NothingToScore:
        return {"outcomes": 0}
    backtest.keep(result)
    before = in_force()
    found = guarded(_needed(cases, month_end_on), before)
    if found.factor > before:
        GuardFactor.objects.create(
            month_end_on=month_end_on,
            factor=found.factor,
            outcomes=found.outcomes,
            inside_share=found.inside_share,
        )
    inside = round(100 * found.inside_share) if found.outcomes else 0
    return {
        "outcomes": found.outcomes,
        "inside %": inside,
        "band width %": round(100 * found.factor),
    }


def _needed(cases: Cases, month_end_on: date) -> Array:
    """Widening that each forecast whose year ended in the last two years would have needed."""
    newest = np.datetime64(month_end_on, "M").astype(np.int64) - backtest.FOLLOW_UP_MONTHS
    recent: Array = cases.needed[cases.month > newest - OUTCOME_MONTHS]
    return recent


def in_force() -> float:
    """The factor of the newest version, 1 before there is any."""
    row = GuardFactor.objects.order_by("month_end_on").last()
    return 1.0 if row is None else row.factor
