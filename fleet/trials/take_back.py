"""A lab sample taken back: it stays on record, with who and why, and counts no more."""

from django.db import transaction

from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.trials.models import LabSample
from fleet.trials.note import note
from fleet.trials.rate import refuse_frozen


def take_back_sample(actor: Actor, sample: LabSample, *, reason: str) -> LabSample:
    """Take back a value that was wrong; the right one is entered as a sample of its own.

    Raises
    ------
    Fault
        There is no reason, or the trial was evaluated with it.
    Refused
        Somebody took it back before.
    """
    place = sample.trial_vehicle
    actor.must(Right.RUN_TRIAL, place.vehicle.depot_id)
    if not reason.strip():
        raise Fault("Say why the sample is wrong: it stays on record with that.", about="reason")
    refuse_frozen(place.trial)
    changes = {
        "taken_back_at": actor.at,
        "taken_back_by": actor.person,
        "taken_back_because": reason.strip()[:300],
    }
    with transaction.atomic():
        if not LabSample.objects.filter(pk=sample.pk, taken_back_at=None).update(**changes):
            raise Refused(f"{sample} of {place.vehicle} was taken back already.")
        note(actor, place.trial, "sample taken back", f"{place.vehicle}: {sample}; {reason}")
    sample.refresh_from_db()
    return sample
