"""A person decides about a held reading: one function, called by page, API and command line."""

from collections.abc import Sequence

import numpy as np
from django.db import transaction
from django.utils import timezone

from fleet.calc.expectations import own_rate
from fleet.faults import Fault
from fleet.people.models import Person
from fleet.readings import doubts, judge, unsettle
from fleet.readings.beside import beside
from fleet.readings.enter import KINDS
from fleet.readings.models import Reading, ReadingDecision, Verdict, VerdictMemory
from fleet.vehicles.models import Meter, MeterChange
from fleet.vehicles.own_unit import from_own

Action = ReadingDecision.Action
MOST_VALUE = 1e8  # no meter shows more
LONGEST_REASON = 300
TO_COME = "Its day is still to come: reject it, and enter it again with the day it was read on."
ROUNDED = 0.6  # as a form may send a value that it offered [km or h]


def settle(
    *,
    reading_id: int,
    action: str,
    person: Person | None,
    reason: str,
    value: float | None = None,
    unit: str | None = None,
    override_reason: str = "",
    channel: str,
) -> ReadingDecision:
    """Record a decision and judge the meter's readings again; its caller refreshes the vehicle.

    Parameters
    ----------
    action
        One of ``ReadingDecision.Action``.
    reason
        Why, in the person's words; never empty.
    value
        For *other value* the meter value; with *accept suggestion* one that is not the one
        suggested is kept as *other value*. For *meter replaced* the vehicle's total at that
        reading, where it is known.
    unit
        Of the value: km, mi or h; None: km, or h of an hours meter.
    override_reason
        Why a value stands that was asked about; kept with the reason.

    Raises
    ------
    Question
        The value falls below the reading before, goes beyond the one after, or is more than the
        vehicle can cover in the time.
    Fault
        The reading does not exist, there is no reason, no suggestion to accept, or the value
        cannot be.
    """
    with transaction.atomic():
        reading = _locked(reading_id)
        given = _in_meter_unit(reading, value, unit)
        its = beside([reading.pk])[reading.pk]
        meant = its.suggestion
        if action == Action.ACCEPT_SUGGESTION and not _alike(given, meant):
            action = Action.OTHER_VALUE
        chosen = _chosen_value(reading, action, given, meant)
        if its.to_come and action != Action.REJECT:
            raise Fault(TO_COME)
        _must_say(reason)
        if given is not None and not override_reason.strip():
            doubts.ask(reading, action, given)
        reason = _with_override(reason.strip(), override_reason.strip())
        decision = ReadingDecision.objects.create(
            reading=reading,
            action=action,
            value=chosen,
            suggested=meant,
            reason=reason,
            person=person,
            channel=channel,
            before=unsettle.as_it_stands(reading),
        )
        _apply(reading, action, chosen, person, reason)
        judge.replay(np.array([reading.meter_id]), timezone.now(), since=reading.taken_at)
    return decision


def settle_many(
    reading_ids: Sequence[int], *, action: str, person: Person | None, reason: str, channel: str
) -> dict[int, Fault | None]:
    """The same decision about many held readings, each with its own row: what refuses each, or
    None. One that a decision on another has settled is left as it is; the caller refreshes.

    Raises
    ------
    Fault
        There is no reason.
    """
    _must_say(reason)
    found: dict[int, Fault | None] = {}
    first: ReadingDecision | None = None
    for pk in reading_ids:
        try:
            with transaction.atomic():
                if _locked(pk).verdict != Verdict.HELD:
                    raise Fault("It is held no more.")
                decision = settle(
                    reading_id=pk, action=action, person=person, reason=reason, channel=channel
                )
                first = _joined(decision, first)
        except Fault as fault:
            found[pk] = fault
        else:
            found[pk] = None
    return found


def _joined(decision: ReadingDecision, first: ReadingDecision | None) -> ReadingDecision:
    """Let a decision be of one act with the first of it; gives the first."""
    if first is None:
        return decision
    decision.begun_with = first
    decision.save(update_fields=["begun_with"])
    return first


def _must_say(reason: str) -> None:
    if not reason.strip():
        raise Fault("Say in a few words why: the decision is kept with its reason.")


def _locked(reading_id: int) -> Reading:
    found = Reading.objects.select_for_update().filter(pk=reading_id).first()
    if found is None:
        raise Fault(f"There is no reading {reading_id}.")
    return found


def _in_meter_unit(reading: Reading, value: float | None, unit: str | None) -> float | None:
    """A value as given in km (or h)."""
    if value is not None and not (np.isfinite(value) and 0 <= value < MOST_VALUE):
        raise Fault(f"{value:g} is no meter value: give a number from 0 up.", about="value")
    if value is None or unit is None:
        return value
    if KINDS.get(unit) != reading.meter.kind:
        wanted = "h" if reading.meter.kind == Meter.Kind.HOURS else "km or mi"
        raise Fault(f"“{unit[:10]}” is no unit of this meter: give {wanted}.", about="unit")
    return from_own(value, unit)


def _with_override(reason: str, override_reason: str) -> str:
    if override_reason in ("", reason):
        return reason[:LONGEST_REASON]
    return f"{reason}; it stands: {override_reason}"[:LONGEST_REASON]


def _alike(value: float | None, meant: float | None) -> bool:
    """Whether a value is the one that was likely meant, or none was given in its place."""
    return value is None or (meant is not None and abs(value - meant) < ROUNDED)


def _chosen_value(
    reading: Reading, action: str, value: float | None, meant: float | None
) -> float | None:
    """Meter value accepted, or the total for a replaced meter; None for a rejection."""
    if action not in Action.values:
        raise Fault(f"{action!r} is no decision; one of: {', '.join(Action.values)}.")
    if action == Action.ACCEPT_SUGGESTION and meant is None:
        raise Fault("This reading comes without a suggestion: give the value, or reject it.")
    if action == Action.OTHER_VALUE and value is None:
        raise Fault("Give the value that it should have.", about="value")
    if action == Action.METER_REPLACED and value is None:
        return expected_total(reading)
    return {Action.ACCEPT: reading.meter_value, Action.REJECT: None}.get(
        Action(action), meant if value is None else value
    )


def expected_total(reading: Reading) -> float:
    """Total that the vehicle should have had when a reading was taken [km or h].

    From the last accepted reading before it, at the rate known so far.
    """
    if reading.provisional and reading.total is not None:
        return reading.total
    before = (
        Reading.objects.filter(
            meter=reading.meter_id, verdict=Verdict.ACCEPTED, taken_at__lt=reading.taken_at
        )
        .order_by("-taken_at")
        .first()
    )
    if before is None or before.total is None:
        return reading.meter_value
    elapsed_d = (reading.taken_at - before.taken_at).total_seconds() / 86_400
    return before.total + _rate_per_day(reading.meter_id) * elapsed_d


def _rate_per_day(meter_id: int) -> float:
    memory = VerdictMemory.objects.get(meter=meter_id)
    return own_rate(memory.weight_d, memory.weight_km, memory.rate_km_per_day, memory.spread)


def _apply(
    reading: Reading, action: str, chosen: float | None, person: Person | None, reason: str
) -> None:
    accepted = action != Action.REJECT
    verdict = Verdict.ACCEPTED if accepted else Verdict.REJECTED
    reading.verdict = reading.fixed = str(verdict)
    reading.settled_value = chosen if action in ReadingDecision.IN_ITS_PLACE else None
    reading.save(update_fields=["verdict", "fixed", "settled_value"])
    MeterChange.objects.filter(meter=reading.meter_id, from_at=reading.taken_at).delete()
    if action == Action.METER_REPLACED and chosen is not None:
        _replace_meter(reading, chosen, person, reason)
    if accepted:
        _reject_contradicted(reading)


def _replace_meter(reading: Reading, total: float, person: Person | None, reason: str) -> None:
    MeterChange.objects.create(
        meter_id=reading.meter_id,
        from_at=reading.taken_at,
        offset=total - reading.meter_value,
        note=reason,
        person=person,
    )


def _reject_contradicted(reading: Reading) -> None:
    """Two values for one moment cannot both stand: settling one rejects the other."""
    Reading.objects.filter(
        meter=reading.meter_id, taken_at=reading.taken_at, source=reading.source
    ).exclude(pk=reading.pk).update(verdict=Verdict.REJECTED, fixed=Verdict.REJECTED)
