"""A duty class set by hand for days that are over: it moves days, so it asks first."""

from datetime import date

import numpy as np
from django.db import transaction

from fleet.calc.arrays import DateArray
from fleet.due.forecast import compute
from fleet.due.gather import gather
from fleet.due.models import Service
from fleet.due.rules import gather_basis
from fleet.duty.models import DutyOverride
from fleet.duty.override import override
from fleet.faults import Question
from fleet.people.actor import Actor
from fleet.today import day, today_at
from fleet.vehicles.models import Compartment, Vehicle

LISTED = 5  # services named in one question; our choice


def decide(
    actor: Actor,
    *,
    vehicle: Vehicle,
    compartment: Compartment,
    duty_class: str,
    from_on: date,
    until_on: date,
    reason: str,
    override_reason: str = "",
) -> DutyOverride:
    """Set a duty class for a time, as `fleet.duty.override.override`, and ask about past days.

    The caller then brings the vehicle up to date with ``chain.refresh``.

    Raises
    ------
    Question
        It begins before today and moves days on which services fall, or fell, due.
    Fault
        The class is unknown, the time ends before it begins, or no reason is given.
    """
    today = today_at(vehicle.depot.zone, actor.now)
    asks = from_on < today and not override_reason.strip()
    with transaction.atomic():
        before = _days(vehicle, today) if asks else {}
        made = override(
            vehicle_id=vehicle.pk,
            compartment_id=compartment.pk,
            duty_class=duty_class,
            from_on=from_on,
            until_on=until_on,
            reason=f"{reason.strip()} ({override_reason.strip()})" if override_reason else reason,
            person=actor.person,
        )
        moved = _moved(before, _days(vehicle, today)) if asks else []
        if moved:
            raise Question(_words(from_on, moved), about="from_on")
    return made


def _days(vehicle: Vehicle, today: date) -> dict[int, tuple[date | None, bool]]:
    """Expected day of each service, and whether a limit is passed, as things stand now."""
    basis = gather_basis()
    chunk = gather(np.array([vehicle.pk]), basis.rules, basis.depots, today)
    rows = np.arange(len(chunk.rows.vehicle))
    columns = compute(chunk, rows, basis)
    passed = columns["beyond_by_reading"] | (columns["calendar_on"] < np.datetime64(today, "D"))
    return {
        int(service): (_day(p50), bool(gone))
        for service, p50, gone in zip(columns["service_id"], columns["p50"], passed, strict=True)
    }


def _day(on: DateArray) -> date | None:
    return None if np.isnat(on) else on.astype("M8[D]").item()


Moved = tuple[int, date | None, bool, date | None, bool]


def _moved(
    before: dict[int, tuple[date | None, bool]], after: dict[int, tuple[date | None, bool]]
) -> list[Moved]:
    """Services whose day differs, those with a passed limit first."""
    found = [
        (pk, *before[pk], *after[pk]) for pk in before if pk in after and before[pk] != after[pk]
    ]
    return sorted(found, key=lambda one: (not (one[2] or one[4]), one[0]))


def _words(from_on: date, moved: list[Moved]) -> str:
    names = dict(Service.objects.values_list("pk", "name"))
    said = [
        f"{names[pk]} from {_said(old, gone)} to {_said(new, going)}"
        for pk, old, gone, new, going in moved[:LISTED]
    ]
    more = f" and {len(moved) - LISTED} more" if len(moved) > LISTED else ""
    return (
        f"From {day(from_on)} on it counts for days that are over, and moves "
        f"{'; '.join(said)}{more}. Is that meant? Begin today, or say why."
    )


def _said(on: date | None, passed: bool) -> str:
    if on is None:
        return "no date"
    return f"overdue since {day(on)}" if passed else day(on)
