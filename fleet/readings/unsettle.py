"""Withdraw a settlement: what was decided in one act, about one reading or many, counts no more.

Each decision keeps what stood until then of all values for its moment, since accepting one rejects
the others. From there the decisions that still stand are followed once more.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import F, QuerySet

from fleet.faults import Fault, Forbidden, Refused
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.readings import judge, listing
from fleet.readings.models import Reading, ReadingDecision, SettlementWithdrawal, Verdict
from fleet.readings.reasons import WITHDRAWN
from fleet.vehicles.models import MeterChange

Change = tuple[float, str, int | None]  # offset [km or h], note, person
Kept = tuple[str, float | None]  # verdict that a replay must keep; value in its place [km or h]
FREE: Kept = ("", None)


@dataclass(frozen=True)
class _Moment:
    """What people decided about the values of one meter for one moment."""

    readings: dict[int, Kept]
    change: Change | None


def as_it_stands(reading: Reading) -> dict[str, Any]:
    """What stands of all values for a reading's moment, to be kept with a decision about it."""
    rows = _beside(reading).values_list("pk", "fixed", "settled_value")
    change = MeterChange.objects.filter(meter=reading.meter_id, from_at=reading.taken_at)
    return {
        "readings": [list(row) for row in rows],
        "change": next(map(list, change.values_list("offset", "note", "person")), None),
    }


def withdraw(
    first: ReadingDecision, *, person: Person | None, reason: str, channel: str, now: datetime
) -> SettlementWithdrawal:
    """Take back all decisions of an act; their readings are judged as if they had never been.

    What somebody decided about the same readings since then stands. The rows of the decisions
    stay. Its caller lets the rest follow (`chain.follow_withdrawn`).

    Raises
    ------
    Fault
        There is no reason.
    Refused
        It was withdrawn already, or its decisions do not tell what stood before.
    Forbidden
        The person may not settle readings at a depot of these vehicles.
    """
    if not reason.strip():
        raise Fault("Say why it is withdrawn: the reason is kept with it.", about="reason")
    with transaction.atomic():
        first = ReadingDecision.objects.select_for_update().get(pk=first.begun_with_id or first.pk)
        if SettlementWithdrawal.objects.filter(first=first).exists():
            raise Refused("This settlement was withdrawn already.")
        if not first.before:
            raise Refused("What stood before it was not kept: decide about its readings anew.")
        decided = list(listing.of_act(first).select_related("reading__vehicle").order_by("pk"))
        _must_settle(person, decided)
        kept = SettlementWithdrawal.objects.create(
            first=first,
            readings=len({one.reading_id for one in decided}),
            person=person,
            reason=reason.strip()[:300],
            channel=channel,
            withdrawn_at=now,
        )
        back = [one.reading for one in decided if _put_back(one)]
        if back:
            meters = np.unique([one.meter_id for one in back])
            judge.replay(meters, now, since=min(one.taken_at for one in back))
    return kept


def _must_settle(person: Person | None, decided: Iterable[ReadingDecision]) -> None:
    depots = {one.reading.vehicle.depot_id for one in decided}
    if person is not None and not all(may(person, Right.SETTLE_READINGS, pk) for pk in depots):
        raise Forbidden(
            f"{person} may not settle readings at every depot of this settlement: ask a person "
            "who may."
        )


def _beside(reading: Reading) -> QuerySet[Reading]:
    """A reading and what else was given for its moment, without what went with its upload."""
    same = Reading.objects.filter(
        meter=reading.meter_id, taken_at=reading.taken_at, source=reading.source
    )
    return same.exclude(reason=WITHDRAWN, verdict=Verdict.REJECTED).order_by("pk")


def _put_back(decision: ReadingDecision) -> bool:
    """Let a moment stand as if a decision had not been; whether that changes what stands."""
    reading = decision.reading
    rows = {row.pk: row for row in _beside(reading).select_for_update()}
    about = ReadingDecision.objects.filter(reading__in=rows)
    told = list(about.annotate(
        withdrawn_at=F("withdrawal__withdrawn_at"),
        withdrawn_with=F("begun_with__withdrawal__withdrawn_at"),
    ).order_by("pk"))  # fmt: skip
    since = next((at for at, one in enumerate(told) if one.pk == decision.pk), None)
    if since is None or not all(one.before for one in told[since:]):
        return False  # an upload was withdrawn since: that holds
    return _write(reading, rows, _followed(told, since, rows))


def _followed(told: Sequence[Any], since: int, rows: dict[int, Reading]) -> _Moment:
    """What stood before a decision, and what those that stand made of it since."""
    while since and _gone_since(told[since - 1], told[since].decided_at):
        since -= 1  # what that one had changed is in what stood before this one
    before = told[since].before
    stood = {pk: (fixed, value) for pk, fixed, value in before["readings"]}
    change = before["change"] and tuple(before["change"])
    moment = _Moment({pk: stood.get(pk, FREE) for pk in rows}, change)
    for one in told[since:]:
        if not (one.withdrawn_at or one.withdrawn_with):
            moment = _decided(moment, one, rows[one.reading_id])
    return moment


def _gone_since(one: Any, at: datetime) -> bool:
    gone_at = one.withdrawn_at or one.withdrawn_with
    return bool(one.before) and gone_at is not None and gone_at >= at


def _decided(moment: _Moment, one: ReadingDecision, reading: Reading) -> _Moment:
    """As `settle` writes a decision down."""
    stood, action = dict(moment.readings), ReadingDecision.Action(one.action)
    accepted = action != ReadingDecision.Action.REJECT
    if accepted:
        stood = {pk: (str(Verdict.REJECTED), value) for pk, (_, value) in stood.items()}
    verdict = Verdict.ACCEPTED if accepted else Verdict.REJECTED
    stood[reading.pk] = str(verdict), one.value if action in one.IN_ITS_PLACE else None
    change = None
    if action == ReadingDecision.Action.METER_REPLACED and one.value is not None:
        change = (one.value - reading.meter_value, one.reason, one.person_id)
    return replace(moment, readings=stood, change=change)


def _write(reading: Reading, rows: dict[int, Reading], moment: _Moment) -> bool:
    changes = MeterChange.objects.filter(meter=reading.meter_id, from_at=reading.taken_at)
    stands = next(iter(changes.values_list("offset", "note", "person")), None)
    changed = [
        row for pk, row in rows.items() if (row.fixed, row.settled_value) != moment.readings[pk]
    ]
    for row in changed:
        row.fixed, row.settled_value = moment.readings[row.pk]
    Reading.objects.bulk_update(changed, ["fixed", "settled_value"])
    if stands != moment.change:
        changes.delete()
        if moment.change is not None:
            offset, note, person_id = moment.change
            changes.create(
                meter_id=reading.meter_id,
                from_at=reading.taken_at,
                offset=offset,
                note=note,
                person_id=person_id,
            )
    return bool(changed) or stands != moment.change
