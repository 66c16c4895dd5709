"""The one row of history that each change of a trial leaves."""

from fleet.faults import Forbidden
from fleet.people.actor import Actor
from fleet.people.roles import Right, may
from fleet.trials.models import Trial, TrialEvent


def must(actor: Actor, trial: Trial, right: Right) -> None:
    """Refuse whoever lacks a right at one of the depots that take part.

    Raises
    ------
    Forbidden
        With the right that is missing.
    """
    if actor.person is None:
        return
    depots = trial.vehicles.values_list("vehicle__depot_id", flat=True).distinct()
    if not all(may(actor.person, right, depot) for depot in [None, *depots]):
        raise Forbidden(f"{actor.person} may not {right} in {trial}: ask a person who may.")


def note(actor: Actor, trial: Trial, what: str, detail: str = "") -> TrialEvent:
    """Write down who changed what."""
    return TrialEvent.objects.create(
        trial=trial,
        what=what,
        detail=detail[:300],
        person=actor.person,
        channel=actor.channel,
        request_id=actor.request_id,
        performed_at=actor.at,
    )
