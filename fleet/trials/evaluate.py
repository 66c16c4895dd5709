"""What a trial shows: gather its ratings, compare at equal fluid age, record the result.

One look is planned, at the end. Looking every night and calling the first difference a result finds
differences that are not there; so until the end a result is interim: an estimate, no p, no verdict.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Max

from fleet import bulk
from fleet.calc.trial_inference import is_over
from fleet.due.choose import end_choices
from fleet.due.models import ChosenFluid
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.today import day
from fleet.trials.assign import source_of
from fleet.trials.details import fields
from fleet.trials.gather import COUNTS, Gathered, gather, keep_ages
from fleet.trials.models import Trial, TrialResult
from fleet.trials.note import must, note
from fleet.trials.outcome import frozen_of, today_of

State = TrialResult.State
SHEETS_D = timedelta(days=14)  # after its end, in which sheets may still come in; our choice
LEAST_REASON = 3  # characters


def evaluate(trial: Trial, as_of: datetime) -> TrialResult:
    """Bring a trial's interim result of a day up to date, or evaluate it once at its end.

    What was evaluated at the end is given again, whatever came since.
    """
    frozen = frozen_of(trial)
    if frozen is not None:
        return frozen
    gathered = gather(trial, as_of)
    state = State.FINAL if _is_over(gathered, as_of) else State.INTERIM
    return _record(gathered, as_of, {"state": state})


def end_early(actor: Actor, trial: Trial, *, reason: str) -> TrialResult:
    """End a trial before its time: a supervisor's decision, which the result names.

    Raises
    ------
    Refused
        It was evaluated already, has not begun, or is past its end.
    """
    must(actor, trial, Right.APPROVE_INTERVAL)
    if actor.person is None or len(reason.strip()) < LEAST_REASON:
        raise Fault("Ending a trial early is a person's decision: say who decides and why.")
    today = today_of(trial, actor.at)
    if frozen_of(trial) is not None:
        raise Refused(f"{trial} was evaluated already; its result stands.")
    if not trial.starts_on <= today <= trial.ends_on:
        raise Refused(
            f"{trial} runs from {day(trial.starts_on)} to {day(trial.ends_on)}: nothing to end."
        )
    ended = {"state": State.ENDED_EARLY, "ended_by": actor.person, "ended_reason": reason.strip()}
    with transaction.atomic():
        result = _record(gather(trial, actor.at), actor.at, ended)
        if result.state != State.ENDED_EARLY:
            raise Refused(f"{trial} was evaluated already; its result stands.")
        given = ChosenFluid.objects.filter(source=source_of(trial), until_on__gt=today)
        end_choices(actor, given, on=today + timedelta(days=1), reason="the trial ended early")
        note(actor, trial, "ended early", reason.strip())
    return result


def evaluate_running(as_of: datetime, depot_ids: Sequence[int]) -> int:
    """Evaluate every trial under way with a vehicle at these depots; give their number.

    A trial that is past its end waits some days for the last sheets first.
    """
    newest_on = as_of.date() + timedelta(days=1)
    if not bulk.has(Trial, "starts_on <= %s", [newest_on]):
        return 0
    begun = Trial.objects.filter(starts_on__lte=newest_on)
    running = begun.filter(vehicles__vehicle__depot__in=depot_ids)
    running = running.exclude(results__frozen_at__isnull=False)
    trials = [
        trial
        for trial in running.select_related("service").distinct()
        if not trial.ends_on < today_of(trial, as_of) <= trial.ends_on + SHEETS_D
    ]
    for trial in trials:
        evaluate(trial, as_of)
    return len(trials)


def _is_over(gathered: Gathered, as_of: datetime) -> bool:
    """Whether the planned end is past, or every rating that was planned is in."""
    past_the_end = today_of(gathered.trial, as_of) > gathered.trial.ends_on
    vehicles = len(gathered.vehicles.tried)
    counted = np.bincount(gathered.felt.row[gathered.standing == COUNTS], minlength=vehicles)
    return is_over(past_the_end, counted, gathered.trial.ratings_per_vehicle)


def _record(gathered: Gathered, as_of: datetime, ended: dict[str, Any]) -> TrialResult:
    trial, final = gathered.trial, ended["state"] != State.INTERIM
    found = fields(gathered, as_of, final=final) | ended
    if final:
        found["frozen_at"] = as_of
    with transaction.atomic():
        Trial.objects.select_for_update().get(pk=trial.pk)
        frozen = frozen_of(trial)
        if frozen is not None:  # by somebody else, meanwhile
            return frozen
        keep_ages(gathered)
        day = as_of.date()
        if final:  # after every interim look, also one made on a day to come
            newest = trial.results.aggregate(on=Max("as_of_on"))["on"]
            day = max(day, newest or day)
        result, new = TrialResult.objects.get_or_create(trial=trial, as_of_on=day, defaults=found)
        if not new and any(getattr(result, name) != value for name, value in found.items()):
            for name, value in found.items():
                setattr(result, name, value)
            result.save()
    return result
