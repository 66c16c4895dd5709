"""What a phone sends when its order was signed off, or cancelled, meanwhile.

Whoever started an order or recorded on it may be without a network while somebody else ends it.
What they did before that is taken all the same: it books stock, fills, findings and *do not use*
like any other record. Frozen evidence stays as it was; what came late is listed beside it, and
whoever signs off is told until they have seen it. On a cancelled order it is kept as a note.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import F

from fleet.due.models import CheckResult
from fleet.faults import Forbidden, Refused
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import Right
from fleet.reads import Read, Rows, prepared, reader
from fleet.workorders import measured
from fleet.workorders.events import note_event
from fleet.workorders.keys import known
from fleet.workorders.models import Note, OrderEvent, WorkOrder
from fleet.workorders.models.records import Record
from fleet.workorders.progress import edit, locked

State = WorkOrder.State
SIGNED_OFF, CANCELLED = State.SIGNED_OFF, State.CANCELLED


@dataclass(frozen=True)
class Late:
    """One record that came after the sign-off."""

    what: str
    person: str
    performed_at: datetime


def take(actor: Actor, order: WorkOrder, *, cancelled_too: bool = False) -> None:
    """Let one more record onto an order that takes no more, and tell whoever signs off.

    Parameters
    ----------
    order
        Held until the transaction ends.
    cancelled_too
        For notes and photos, which a cancelled order keeps.

    Raises
    ------
    Refused
        It was not done before the end, or by nobody who worked on the order.
    """
    if not belongs(actor, order) or (order.state == CANCELLED and not cancelled_too):
        raise Refused(
            f"{order} is {order.state}: records are taken from start to sign-off, and later only "
            "what was done before it by whoever worked on the order."
        )
    if order.state == SIGNED_OFF:
        _tell(actor, order)


def belongs(actor: Actor, order: WorkOrder) -> bool:
    """Whether it was done before the order was signed off or cancelled, by somebody of it."""
    ended_at = _ended_at(order)
    if actor.person is None or ended_at is None or actor.at >= ended_at:
        return False
    return took_part(order, actor.person)


def _ended_at(order: WorkOrder) -> datetime | None:
    if order.state == SIGNED_OFF:
        return order.signed_off_at
    given_up = order.events.filter(to_state=CANCELLED).last() if order.state == CANCELLED else None
    return given_up.performed_at if given_up else None


def took_part(order: WorkOrder, person: Person) -> bool:
    """Whether a person started an order, ended one of its jobs or recorded anything on it."""
    started = order.events.filter(what="start", person=person).exists()
    if started or order.jobs.filter(ended_by=person).exists():
        return True
    return measured.of_order(order).filter(person=person).exists() or any(
        kind._default_manager.filter(**{place: order}, person=person).exists()
        for kind, place in PLACES.items()
    )


def _place(kind: type[Record]) -> str:
    """How the records of a kind lead to their order."""
    names = {field.name for field in kind._meta.get_fields()}
    return "job__order" if "job" in names else "order"


PLACES = {kind: _place(kind) for kind in Record.__subclasses__()}


def tell_of(actor: Actor, order: WorkOrder) -> None:
    """Tell whoever signs off of a finding that was made before the sign-off and came after it."""
    signed = WorkOrder.objects.filter(pk=order.pk, state=SIGNED_OFF).first()
    if signed is not None and signed.signed_off_at is not None and actor.at < signed.signed_off_at:
        _tell(actor, signed)


def _tell(actor: Actor, order: WorkOrder) -> None:
    told = WorkOrder.objects.filter(pk=order.pk, late_since=None)
    if told.update(late_since=actor.now, version=F("version") + 1):
        note_event(actor, order, "late records", reason="done before the sign-off, sent after it")


def seen(actor: Actor, order_id: int, *, version: int | None = None) -> WorkOrder:
    """Note that whoever signs off has seen what came after the sign-off.

    Raises
    ------
    Refused
        Nothing came, or it was seen already.
    Forbidden
        The person worked on the order.
    """
    with transaction.atomic():
        order = locked(order_id)
        if order.late_since is None:
            raise Refused(f"Nothing of {order} waits to be seen.")
        if actor.person is not None and took_part(order, actor.person):
            raise Forbidden("Nobody signs off their own work: ask another person who may.")
        return edit(
            actor,
            order_id,
            "late records seen",
            Right.SIGN_OFF,
            version,
            states=(SIGNED_OFF,),
            late_since=None,
        )


@transaction.atomic
def as_note(
    actor: Actor, order_id: int, *, kind: str, given: Mapping[str, object], client_key: str
) -> Note | None:
    """Keep a record of an order that was cancelled meanwhile as a note of it.

    None where the order is not cancelled, the person or the time is another, or the record was
    taken before: then it goes the ordinary way.
    """
    locked_orders = WorkOrder.objects.select_for_update(no_key=True)
    order = locked_orders.filter(pk=order_id, state=CANCELLED).first()
    if order is None or not belongs(actor, order) or _taken(client_key):
        return None
    actor.must(Right.RECORD_WORK, order.depot_id)
    text = _words(kind, given)
    row: Note | None = known(Note.objects, client_key, order_id=order.pk, text=text)
    if row is not None:
        return row
    return Note.objects.create(
        client_key=client_key,
        order=order,
        text=text,
        person=actor.person,
        channel=actor.channel,
        performed_at=actor.at,
    )


def _taken(client_key: str) -> bool:
    kinds = [kind for kind in PLACES if kind is not Note]
    checked = CheckResult.objects.filter(client_key=client_key).exists()
    return checked or any(
        kind._default_manager.filter(client_key=client_key).exists() for kind in kinds
    )


def _words(kind: str, given: Mapping[str, object]) -> str:
    said = [f"{name.replace('_', ' ')} {value}" for name, value in given.items() if value]
    return f"{kind.capitalize()}: {', '.join(said)}; the order was cancelled meanwhile"[:1000]


# --- what came late --------------------------------------------------------------------------
@reader
def signed_off_since(order: WorkOrder) -> Read[datetime | None]:
    """The instant from which what is recorded on an order came after its sign-off."""
    if order.state != SIGNED_OFF:
        return None
    signed = _signed(order.pk)
    yield [signed]
    return signed[0].recorded_at if signed else None


@prepared
def _signed(order_id: int) -> Rows:
    return OrderEvent.objects.filter(order=order_id, what="sign off").order_by("-pk")[:1]


def came_late(vehicle_id: int) -> dict[int, list[Late]]:
    """Records of a vehicle that came after the sign-off of their order, by job."""
    told = OrderEvent.objects.filter(what="late records", order__vehicle=vehicle_id)
    orders = WorkOrder.objects.filter(pk__in=told.values("order"))
    found: dict[int, list[Late]] = {}
    for order in orders:
        first = order.jobs.order_by("pk").first()
        for job_id, row in _late_rows(order):
            found.setdefault(job_id or (first.pk if first else 0), []).append(row)
    return found


def _late_rows(order: WorkOrder) -> list[tuple[int | None, Late]]:
    since = signed_off_since(order)
    if since is None:
        return []
    found = [
        (getattr(row, "job_id", None), Late(str(row), str(row.person or ""), row.performed_at))
        for kind, place in PLACES.items()
        for row in kind._default_manager.filter(
            **{place: order}, recorded_at__gt=since, withdrawn_by=None
        ).select_related("person")
    ]
    return [*found, *_late_checks(order, since)]


def _late_checks(order: WorkOrder, since: datetime) -> list[tuple[int | None, Late]]:
    jobs = {job.service_id: job.pk for job in order.jobs.exclude(service=None)}
    rows = measured.of_order(order).filter(recorded_at__gt=since, withdrawn_by=None)
    return [
        (jobs[row.figure.service_id], Late(str(row), str(row.person or ""), row.measured_at))
        for row in rows
    ]
