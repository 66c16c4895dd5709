"""What of a trial's results may be shown: the evaluation at its end, or an interim look."""

from copy import copy
from datetime import date, datetime
from typing import Any

from fleet.bulk import only
from fleet.calc.trial_inference import Inference
from fleet.today import oldest_day
from fleet.trials.models import Trial, TrialResult

HIDDEN = ("low", "high", "p_value")
OPEN_TRIAL = (
    "The trial is open: who expects the dearer product to be better rates it better, and no "
    "computation takes that out."
)
NOT_SENT = "Bad ratings that nobody sent are missing, and no computation brings them back."


def today_of(trial: Trial, at: datetime) -> date:
    """The day it is at the depots that take part, at the last of them to reach it."""
    zones = trial.vehicles.order_by().values_list("vehicle__depot__zone", flat=True)
    return oldest_day(zones.distinct(), at)


def frozen_of(trial: Trial) -> TrialResult | None:
    """The evaluation at the end of a trial; None until then."""
    return only(trial.results.filter(frozen_at__isnull=False))


def shown(trial: Trial) -> TrialResult | None:
    """The result that stands for a trial: its evaluation at the end, else its newest look.

    An interim look shows its estimate and its data; a verdict that an earlier look stored stays in
    the database and is not given.
    """
    found = frozen_of(trial) or trial.results.first()
    return None if found is None else as_shown(found)


def as_shown(result: TrialResult) -> TrialResult:
    """A result as it may be shown; a copy that is not to be saved where it is interim."""
    if result.state != TrialResult.State.INTERIM:
        return result
    told = copy(result)
    for name in HIDDEN:
        setattr(told, name, None)
    told.verdict = interim_words(result.trial)
    trends = {side: {**one, "p_value": None} for side, one in result.details["trends"].items()}
    told.details = {**result.details, "trends": trends}
    return told


def interim_words(trial: Trial) -> str:
    """What stands in the place of a verdict until the end."""
    return f"interim: evaluated once, after {trial.ends_on:%-d %b %Y}"


def verdict_of(found: Inference, needed: int | None) -> str:
    """The outcome in words; ``better`` and ``worse`` are said of the tried product."""
    if found.p_value != found.p_value:
        return f"too few vehicles: {needed or 'more than 800'} needed"
    if not (found.low > 0 or found.high < 0):
        return "no difference shown"
    word, sign = ("better", 1) if found.difference > 0 else ("worse", -1)
    ends = sorted((sign * found.low, sign * found.high))
    return f"{word} by {abs(found.difference):.1f} ({ends[0]:.1f} to {ends[1]:.1f})"


def confounds(trial: Trial, details: dict[str, Any]) -> list[str]:
    """What may look like the product and was not, or could not be, taken out."""
    told = [] if trial.blinded else [OPEN_TRIAL]
    told.append(NOT_SENT)
    seasons = details.get("seasons", {"apart": False})
    if seasons["apart"]:
        told.append(
            "The groups were changed in different seasons. Ratings are compared within the same "
            f"third of the months by warmth; {seasons['left out']} ratings have no counterpart "
            "and are left out. Warmth inside a third is not evened out."
        )
    return told
