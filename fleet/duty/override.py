"""A supervisor's own decision on the duty class of a vehicle's compartment."""

from datetime import date

from django.db import transaction

from fleet.duty.models import DutyClass, DutyOverride
from fleet.faults import Fault
from fleet.people.models import Person
from fleet.today import day


def override(
    *,
    vehicle_id: int,
    compartment_id: int,
    duty_class: str,
    from_on: date,
    until_on: date,
    reason: str,
    person: Person | None,
) -> DutyOverride:
    """Set a duty class for a time; the same first day again replaces what was decided for it.

    The caller then brings the vehicle up to date with ``chain.refresh``.

    Raises
    ------
    Fault
        The class is unknown, the time ends before it begins, or no reason is given.
    """
    if duty_class not in DutyClass.values:
        raise Fault(f"“{duty_class}” is no duty class: choose normal or severe.")
    if until_on < from_on:
        raise Fault(f"The decision ends on {day(until_on)}, before it begins on {day(from_on)}.")
    if not reason.strip():
        raise Fault("Say why: the reason is kept with the decision.")
    with transaction.atomic():
        decided, _ = DutyOverride.objects.update_or_create(
            vehicle_id=vehicle_id,
            compartment_id=compartment_id,
            from_on=from_on,
            defaults={
                "until_on": until_on,
                "duty_class": duty_class,
                "reason": reason.strip()[:300],
                "person": person,
            },
        )
    return decided
