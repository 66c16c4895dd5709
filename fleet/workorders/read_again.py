"""The odometer, read again after the program asked back about the one given at the finish."""

from django.db import transaction

from fleet.due.models import DueEarlier
from fleet.due.record import at_reading
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.readings.beside import likely_meant
from fleet.readings.models import Reading, ReadingDecision, Verdict
from fleet.readings.settle import settle
from fleet.workorders.ending import Finished, store_reading
from fleet.workorders.models import Evidence, WorkOrder
from fleet.workorders.progress import edit, locked

State = WorkOrder.State
AS_IT_STANDS = (
    "That is what was given first: put right what is wrong with it. If the odometer does show it, "
    "leave it to whoever settles readings."
)


def read_again(
    actor: Actor, order_id: int, *, odometer: float, unit: str = "km", version: int | None = None
) -> Finished:
    """Put another reading in the place of the doubtful one; it is judged like any other.

    The first one is rejected with this as its reason, and the services that were recorded at it
    are superseded by rows at the new one. The caller refreshes the vehicle afterwards.

    Raises
    ------
    Refused
        The reading was accepted, so nothing is asked; or the order is not finished.
    Fault
        It is what was given first.
    """
    with transaction.atomic():
        order = locked(order_id)
        actor.must(Right.RECORD_WORK, order.depot_id)
        first = order.reading
        if first is None or first.verdict == Verdict.ACCEPTED:
            raise Refused(f"The odometer reading of {order} is not in doubt.")
        if (odometer, unit) == (first.value, first.unit):
            raise Fault(AS_IT_STANDS, about="odometer")
        reading = _in_its_place(actor, order, first, odometer, unit)
        order = edit(
            actor,
            order_id,
            "read again",
            Right.RECORD_WORK,
            version,
            states=(State.FINISHED, State.SIGNED_OFF),
            reason=f"{first.value:g} {first.unit} was given first",
            reading=reading,
        )
        _move_services(order, reading)
    return Finished(order, reading.verdict, reading.reason, likely_meant(reading))


def _in_its_place(
    actor: Actor, order: WorkOrder, first: Reading, odometer: float, unit: str
) -> Reading:
    if first.verdict != Verdict.REJECTED:
        settle(
            reading_id=first.pk,
            action=ReadingDecision.Action.REJECT,
            person=actor.person,
            reason=f"read again: {odometer:g} {unit}",
            channel=actor.channel,
        )
    return store_reading(actor, order, odometer, unit)


def _move_services(order: WorkOrder, reading: Reading) -> None:
    follows = DueEarlier.objects.filter(called_by__job__order=order, reading__isnull=False)
    follows.update(reading=reading)
    for job in order.jobs.exclude(done=None).select_related("done"):
        if job.done is not None:
            job.done = at_reading(job.done, reading)
            job.save(update_fields=["done"])
    for frozen in Evidence.objects.filter(job__order=order):
        frozen.facts |= {
            "odometer": reading.value,
            "odometer_unit": reading.unit,
            "odometer_verdict": reading.verdict,
            "odometer_given_first": frozen.facts["odometer"],
        }
        frozen.save(update_fields=["facts"])
