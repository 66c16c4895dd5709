"""Used fluid that a waste collector took away: a row for each note, added once and kept."""

from dataclasses import dataclass
from datetime import date

from django.db import IntegrityError, transaction

from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.stores.ledger import MOST, day_at
from fleet.stores.models import UsedFluidCollected
from fleet.today import day
from fleet.vehicles.models import Depot

ON_THE_NOTE = {
    "waste_class": "waste class",
    "carrier": "waste collector",
    "note_number": "number of the consignment note",
}


@dataclass(frozen=True, kw_only=True)
class Note:
    """What the consignment note says."""

    depot: Depot
    waste_class: str
    quantity_ml: int
    carrier: str
    note_number: str
    collected_on: date
    tank: str = ""


def collect(actor: Actor, note: Note, *, key: str | None = None) -> UsedFluidCollected:
    """Record a collection, once per key.

    Raises
    ------
    Forbidden
        The person does not keep stock at the depot.
    Fault
        The note lacks something, or its day lies ahead.
    """
    actor.must(Right.KEEP_STOCK, note.depot)
    if not 0 < note.quantity_ml <= MOST:
        raise Fault("Say how many litres were taken, above 0.", about="litres")
    for name, words in ON_THE_NOTE.items():
        if not getattr(note, name).strip():
            raise Fault(f"The {words} is missing: it stands on the note.")
    if note.collected_on > day_at(note.depot, actor):
        raise Fault(f"{day(note.collected_on)} lies ahead: enter the day of the note.")
    return _added(actor, note, note.quantity_ml, key, "")


def take_back(actor: Actor, row: UsedFluidCollected, *, reason: str) -> UsedFluidCollected:
    """Undo a wrong entry by its opposite; both stay."""
    actor.must(Right.KEEP_STOCK, row.depot)
    if not reason.strip():
        raise Fault("Say why it is taken back.", about="reason")
    if row.quantity_ml < 0:
        raise Refused("It takes another entry back: enter a new one.")
    note = Note(
        depot=row.depot,
        waste_class=row.waste_class,
        quantity_ml=row.quantity_ml,
        carrier=row.carrier,
        note_number=row.note_number,
        collected_on=row.collected_on,
        tank=row.tank,
    )
    return _added(actor, note, -row.quantity_ml, f"taken back:{row.pk}", reason.strip())


def _added(
    actor: Actor, note: Note, quantity_ml: int, key: str | None, reason: str
) -> UsedFluidCollected:
    try:
        with transaction.atomic():
            row: UsedFluidCollected = UsedFluidCollected.objects.create(
                depot=note.depot,
                waste_class=note.waste_class.strip(),
                quantity_ml=quantity_ml,
                tank=note.tank.strip(),
                carrier=note.carrier.strip(),
                note_number=note.note_number.strip(),
                collected_on=note.collected_on,
                reason=reason,
                key=key,
                person=actor.person,
                channel=actor.channel,
            )
            return row
    except IntegrityError:  # it came before, under its key
        first: UsedFluidCollected = UsedFluidCollected.objects.get(key=key)
        return first
