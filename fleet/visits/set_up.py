"""What a workshop has, and days without a mechanic, a vehicle or visits: one row at a time."""

from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from fleet.faults import Fault, Forbidden
from fleet.people.actor import Actor
from fleet.people.roles import Right, may
from fleet.visits.models import Absence, Bay, BlockedDays, Mechanic, ServiceNeed

Row = Absence | BlockedDays | Bay | Mechanic | ServiceNeed


def depot_of(row: Absence | BlockedDays | Bay | Mechanic) -> int:
    """The depot whose plan a row is for."""
    if not isinstance(row, Absence):
        return row.depot_id
    place = row.mechanic or row.vehicle
    if place is None:
        raise Fault("Say who is away: a mechanic or a vehicle.")
    return int(place.depot_id)


def enter(actor: Actor, row: Row) -> Row:
    """Store a row, new or corrected, as the set-up pages do; the plan made next follows.

    Raises
    ------
    Fault
        Its days end before they begin, or the row is not one as the pages take it.
    """
    _must(actor, row)
    if isinstance(row, Absence | BlockedDays) and row.until_on < row.from_on:
        raise Fault("These days end before they begin: give until_on again.", about="until_on")
    try:
        row.full_clean()
    except ValidationError as error:
        raise Fault(" ".join(error.messages)) from error
    _by(actor, row)
    row.save()
    return row


def remove(actor: Actor, row: Row) -> None:
    """Take a row away again; that it was there stays in the history."""
    _must(actor, row)
    with transaction.atomic():
        _by(actor, row)
        row.delete()


def _must(actor: Actor, row: Row) -> None:
    """What services ask for is the same at every depot: whoever sets up at one may change it."""
    if not isinstance(row, ServiceNeed):
        actor.must(Right.SET_UP, depot_of(row))
    elif actor.person is not None and not may(actor.person, Right.SET_UP):
        raise Forbidden(f"{actor.person} may not {Right.SET_UP}: ask a person who may.")


def _by(actor: Actor, row: Any) -> None:
    row._history_user = actor.person
    row._change_reason = actor.channel
