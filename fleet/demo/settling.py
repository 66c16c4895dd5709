"""What the clerk of the demo decides about held readings, some weeks after they came."""

from datetime import datetime, timedelta

from fleet.faults import Fault
from fleet.people.models import Person
from fleet.readings.listing import held
from fleet.readings.models import Reading, ReadingDecision, Verdict
from fleet.readings.settle import settle
from fleet.vehicles.models import Depot

WAITS_D = 40  # the newer ones are today's work
Action = ReadingDecision.Action
DECIDED = {  # by reason: what, and why
    "new_meter": (Action.METER_REPLACED, "the instrument was replaced, says the workshop"),
    "digits_swapped": (Action.ACCEPT_SUGGESTION, "two digits swapped, the driver agrees"),
}
OTHERWISE = (Action.REJECT, "nobody can say any more what was meant")


def settle_held(
    clerk: Person, now: datetime, waits_d: int = WAITS_D, most: int | None = None
) -> int:
    """Decide about readings that were held for so long, oldest first; give how many."""
    rows = held(Depot.objects.all()).filter(taken_at__lt=now - timedelta(days=waits_d))
    ids = list(rows.order_by("taken_at").values_list("pk", flat=True))[:most]
    return sum(_settle(pk, clerk) for pk in ids)


def _settle(reading_id: int, clerk: Person) -> bool:
    reading = Reading.objects.get(pk=reading_id)
    if reading.verdict != Verdict.HELD:  # a decision about one before it told of this one too
        return False
    action, why = DECIDED.get(reading.reason, OTHERWISE)
    try:
        _decide(reading, clerk, action, why)
    except Fault:  # no suggestion to accept, or it is doubtful itself
        _decide(reading, clerk, *OTHERWISE)
    return True


def _decide(reading: Reading, clerk: Person, action: str, why: str) -> None:
    settle(reading_id=reading.pk, action=action, person=clerk, reason=why, channel="page")
