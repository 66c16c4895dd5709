"""Days without a mechanic, a vehicle or visits, entered and taken away one by one."""

from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.visits.models import Absence, BlockedDays

Days = Absence | BlockedDays


def depot_of(row: Days) -> int:
    """The depot whose plan a row is for."""
    if isinstance(row, BlockedDays):
        return row.depot_id
    place = row.mechanic or row.vehicle
    if place is None:
        raise Fault("Say who is away: a mechanic or a vehicle.")
    return int(place.depot_id)


def enter(actor: Actor, row: Days) -> Days:
    """Store days, as the set-up pages do; the plan made next keeps them free.

    Raises
    ------
    Fault
        They end before they begin, or the row is not one as the pages take it.
    """
    actor.must(Right.SET_UP, depot_of(row))
    if row.until_on < row.from_on:
        raise Fault("These days end before they begin: give until_on again.", about="until_on")
    try:
        row.full_clean()
    except ValidationError as error:
        raise Fault(" ".join(error.messages)) from error
    _by(actor, row)
    row.save()
    return row


def remove(actor: Actor, row: Days) -> None:
    """Take days away again; that they were there stays in the history."""
    actor.must(Right.SET_UP, depot_of(row))
    with transaction.atomic():
        _by(actor, row)
        row.delete()


def _by(actor: Actor, row: Any) -> None:
    row._history_user = actor.person
    row._change_reason = actor.channel
