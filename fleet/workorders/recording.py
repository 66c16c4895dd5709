"""What every record of a mechanic has in common, and the plain ones: materials and notes.

Every record is an added row under the sender's key: sent twice it is there once. Records are taken
until the order is signed off, and later what was done before it: see ``late``.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import QuerySet

from fleet.bulk import only
from fleet.calc.slips import Ask
from fleet.faults import Fault, Question, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.stores.doubt import in_unit, use_doubt
from fleet.stores.models import Item
from fleet.workorders import booking, late
from fleet.workorders.items_for import plain
from fleet.workorders.keys import keep, known
from fleet.workorders.models import (
    Job,
    Material,
    MaterialUsed,
    Note,
    WorkOrder,
)

A_DAY = timedelta(days=1)
MOST_PIECES = 10_000  # that one record takes; our choice
OPEN_FOR_RECORDS = (WorkOrder.State.STARTED, WorkOrder.State.WAITING, WorkOrder.State.FINISHED)


@transaction.atomic
def material(
    actor: Actor,
    job_id: int,
    *,
    name: str,
    client_key: str,
    pieces: int | None = None,
    litres: float | None = None,
    broken: bool = False,
    override_reason: str = "",
) -> MaterialUsed:
    """Record a part used, such as a clip that broke; far more than the job is to take is asked
    about.

    Raises
    ------
    Question
        It is so much, and no reason is given.
    """
    if not name.strip() or (pieces is None) == (litres is None):
        raise Fault("Name what was used, and give either pieces or litres.", about="pieces")
    if litres is not None:
        check_litres(litres)
    elif pieces is not None and not 0 < pieces <= MOST_PIECES:
        raise Fault(f"Give a number of pieces from 1 to {MOST_PIECES:,}.", about="pieces")
    used = {
        "name": name.strip(),
        "pieces": pieces,
        "quantity_ml": None if litres is None else round(litres * 1000),
        "broken": broken,
    }
    row: MaterialUsed | None = known(MaterialUsed.objects, client_key, job_id=job_id, **used)
    if row is not None:
        return row
    job = job_to_record(actor, job_id)
    said = doubts_kept(_too_much(job, name, pieces, used["quantity_ml"]), override_reason)
    given = {**stamp(actor, client_key), "job": job, **used, **said}
    row, _ = keep(MaterialUsed.objects, client_key, given)
    booking.follow(actor, job_id)
    return row


@transaction.atomic
def note(actor: Actor, order_id: int, *, text: str, client_key: str) -> Note:
    """Add a note to an order."""
    if not text.strip():
        raise Fault("The note is empty.", about="text")
    row: Note | None = known(Note.objects, client_key, order_id=order_id, text=text.strip())
    if row is not None:
        return row
    order = order_to_record(actor, order_id, cancelled_too=True)
    given = {**stamp(actor, client_key), "order": order, "text": text.strip()}
    row, _ = keep(Note.objects, client_key, given)
    return row


def check_litres(litres: float) -> None:
    """Refuse what is no quantity of litres."""
    if not 0.0005 < litres < 1e4:  # below half a millilitre nothing is left to keep
        raise Fault("The quantity must be a number of litres above 0.", about="litres")


def stamp(actor: Actor, client_key: str) -> dict[str, object]:
    """Who recorded, how, and when it was done."""
    return {
        "client_key": client_key,
        "person": actor.person,
        "channel": actor.channel,
        "performed_at": actor.at,
    }


@dataclass(frozen=True)
class Doubt:
    """One thing to ask about before a record is kept; several are asked in one breath."""

    text: str
    candidates: tuple[str, ...] = ()  # what may have been meant, each as "value: words"
    about: str = ""  # the value that the candidates are of
    yes: str = ""  # the reason that a plain yes gives; empty: it must be said


def doubt_of(ask: Ask | None, about: str) -> list[Doubt]:
    """A guard's question as a doubt, if there is one."""
    if ask is None:
        return []
    return [Doubt(ask.text, tuple(f"{one.meant:.4g}: {one.words}" for one in ask.slips), about)]


def doubts_kept(doubts: Sequence[Doubt], override_reason: str) -> dict[str, str]:
    """What a record keeps of the doubts and of the answer to them.

    Raises
    ------
    Question
        There are some, and no reason is given.
    """
    if not doubts:
        return {"question": "", "override_reason": ""}
    text = " ".join(one.text for one in doubts)
    if not override_reason.strip():
        asked = next((one for one in doubts if one.candidates), doubts[0])
        plain = all(one.yes for one in doubts)
        yes = "; ".join(one.yes for one in doubts) if plain else ""
        raise Question(text, asked.candidates, about=asked.about, yes=yes)
    return {"question": text[:300], "override_reason": override_reason.strip()[:300]}


def _too_much(job: Job, name: str, pieces: int | None, quantity_ml: Any) -> list[Doubt]:
    """Doubt what is far more than the job's procedure foresees."""
    wet = pieces is None
    rows = Material.objects.filter(procedure__service=job.service_id)
    told = [
        row.quantity_ml if wet else row.pieces
        for row in rows
        if job.service_id and plain(row.name) == plain(name)
    ]
    unit = Item.Unit.ML if wet else Item.Unit.PIECES
    quantity = quantity_ml if pieces is None else pieces
    said = f"{in_unit(quantity, unit)} of {name.strip()}"
    text, meant = use_doubt(said, unit, quantity, max((one or 0 for one in told), default=0))
    if not text:
        return []
    about = "litres" if wet else "pieces"
    shown = [(one / 1000 if wet else one, in_unit(one, unit)) for one in meant]
    return [Doubt(text, tuple(f"{value:g}: {words}" for value, words in shown), about)]


def again(
    actor: Actor, rows: QuerySet[Any, Any], zone: str, key: str, field: str = "performed_at"
) -> list[Doubt]:
    """Doubt a record that the same person made just so before; the same one sent twice is none."""
    own = rows.filter(person=actor.person, withdrawn_by=None).exclude(client_key=key)
    own = own.order_by(field)
    before = own.values_list(field, flat=True).last()
    if actor.person is None or before is None:
        return []
    at = before.astimezone(ZoneInfo(zone))
    told = f"{at:%H:%M}" if actor.at - before < A_DAY else f"{at:%H:%M on %Y-%m-%d}"
    return [Doubt(f"Recorded at {told} already. Once more?", yes="it was done once more")]


def job_to_record(actor: Actor, job_id: int) -> Job:
    """A job of an order of our own that still takes records.

    Raises
    ------
    Fault, Refused
        There is no such job, it takes no more, or it was done outside.
    """
    beside = ("order__vehicle", "order__depot", "service__compartment", "service__procedure")
    rows = Job.objects.select_for_update(of=("order",), no_key=True).select_related(*beside)
    job = only(rows.filter(pk=job_id))
    if job is None:
        raise Fault(f"There is no job {job_id}.")
    order = _to_record(actor, job.order)
    refuse_waiting(actor, order)
    if order.where == WorkOrder.Where.OUTSIDE:
        raise Refused(
            f"{order} was done by an outside workshop: keep its papers with it; torque, fluids "
            "and materials are recorded for work of our own only."
        )
    return job


def order_to_record(actor: Actor, order_id: int, *, cancelled_too: bool = False) -> WorkOrder:
    """An order that takes one more record, perhaps late; see ``late.take``.

    Raises
    ------
    Refused
        It has not been started, or the record is no late one of an order that has ended.
    """
    return _to_record(actor, _locked_order(order_id), cancelled_too=cancelled_too)


def _to_record(actor: Actor, order: WorkOrder, *, cancelled_too: bool = False) -> WorkOrder:
    actor.must(Right.RECORD_WORK, order.depot_id)
    if order.state not in OPEN_FOR_RECORDS:
        late.take(actor, order, cancelled_too=cancelled_too)
    return order


def refuse_waiting(actor: Actor, order: WorkOrder) -> None:
    """Refuse what was done while the work waits: somebody goes on with it first.

    Raises
    ------
    Refused
        The order waits since before it was done.
    """
    since = order.waiting_since
    if order.state == WorkOrder.State.WAITING and since is not None and actor.at > since:
        raise Refused(f"{order} waits for {order.waiting_for}: tap Go on first, then record.")


def open_order(actor: Actor, order_id: int) -> WorkOrder:
    """An order that is open for records; it is not signed off before the transaction ends.

    Raises
    ------
    Refused
        It has not been started, or is signed off or cancelled.
    """
    order = _locked_order(order_id)
    actor.must(Right.RECORD_WORK, order.depot_id)
    if order.state not in OPEN_FOR_RECORDS:
        raise Refused(f"{order} is {order.state}: records are taken from start to sign-off.")
    return order


def _locked_order(order_id: int) -> WorkOrder:
    order = only(WorkOrder.objects.select_for_update(no_key=True).filter(pk=order_id))
    if order is None:
        raise Fault(f"There is no work order {order_id}.")
    return order
