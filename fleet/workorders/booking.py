"""Book what an order used from its depot's stock.

What should be booked is worked out from the records each time, and only the difference from what
is booked already is moved. So it may run again without harm: at the finish, when a record comes
late or is taken back, and at the correction of an order, where nothing is to be booked any more.
"""

from collections import defaultdict
from dataclasses import dataclass
from hashlib import sha256

from django.db import transaction
from django.db.models import Count, Q, Sum

from fleet.calc.packs import drawn
from fleet.people.actor import Actor
from fleet.stores import moves as stock_moves
from fleet.stores.models import Item, StockMove
from fleet.workorders.models import WorkOrder
from fleet.workorders.used import Used, used_by

ENDED = (WorkOrder.State.FINISHED, WorkOrder.State.SIGNED_OFF)
Slot = tuple[int, str, str]  # item, kind of move, batch
Kind = StockMove.Kind


@dataclass(frozen=True)
class Booked:
    """What was moved just now, and what stores do not keep."""

    moves: tuple[StockMove, ...]
    not_kept: tuple[str, ...]


@dataclass
class _Wanted:
    quantity: int = 0  # signed
    recorded: bool = False


def book(actor: Actor, order_id: int) -> Booked:
    """Bring the stock of the order's depot in line with what the order used.

    Outside work books nothing, nor does an order that is not finished.
    """
    with transaction.atomic(), stock_moves.together():
        order = WorkOrder.objects.select_for_update(of=("self",)).get(pk=order_id)
        booking = order.where == WorkOrder.Where.OWN and order.state in ENDED
        used = used_by(order) if booking else Used()
        wanted, booked = _wanted(used), _booked(order)
        items = {item.pk: item for item in Item.objects.filter(pk__in=_item_ids(wanted, booked))}
        unlike = [
            move
            for slot in sorted({*wanted, *booked})
            if (move := _difference(order, slot, wanted, booked, items)) is not None
        ]
        moves = stock_moves.record_many(actor, unlike)
    return Booked(tuple(moves), tuple(sorted(set(used.not_kept))))


def follow(actor: Actor, job_id: int) -> None:
    """Book again where a record of a job was added or taken back after the finish."""
    order = WorkOrder.objects.filter(jobs=job_id, state__in=ENDED).first()
    if order is not None:
        book(actor, order.pk)


def _item_ids(wanted: dict[Slot, _Wanted], booked: dict[Slot, dict[str, int]]) -> set[int]:
    return {item_id for item_id, _, _ in (*wanted, *booked)}


def _wanted(used: Used) -> dict[Slot, _Wanted]:
    """What should be booked: what was used, and the rest of packs that nobody keeps open."""
    found: dict[Slot, _Wanted] = defaultdict(_Wanted)
    per_job: dict[tuple[int, int], int] = defaultdict(int)
    for line in used.lines:
        slot = found[line.item_id, Kind.USED, line.batch.strip()]
        slot.quantity -= line.quantity
        slot.recorded |= line.recorded
        per_job[line.job_id, line.item_id] += line.quantity
    for item_id, discarded in _discarded(per_job).items():
        found[item_id, Kind.WRITTEN_OFF, ""].quantity -= discarded
    return found


def _discarded(per_job: dict[tuple[int, int], int]) -> dict[int, int]:
    sizes: dict[int, list[int]] = {}
    whole = Item.objects.filter(
        pk__in={item_id for _, item_id in per_job}, draw=Item.Draw.WHOLE_PACKS
    )
    for item in whole.prefetch_related("packs"):
        sizes[item.pk] = [pack.quantity for pack in item.packs.all()]
    found: dict[int, int] = defaultdict(int)
    for (_, item_id), quantity in per_job.items():
        if item_id in sizes:
            found[item_id] += drawn(quantity, sizes[item_id], whole_packs=True).discarded
    return {item_id: rest for item_id, rest in found.items() if rest}


def _booked(order: WorkOrder) -> dict[Slot, dict[str, int]]:
    """What is booked already."""
    rows = (
        StockMove.objects.filter(order_number=order.number)
        .order_by()
        .values("item_id", "kind", "batch")
        .annotate(
            moved=Sum("quantity"),
            worth=Sum("price_minor"),
            moves=Count("pk"),
            unpriced=Count("pk", filter=Q(price_minor=None)),
        )
    )
    return {(row["item_id"], row["kind"], row["batch"]): row for row in rows}


def _difference(
    order: WorkOrder,
    slot: Slot,
    wanted: dict[Slot, _Wanted],
    booked: dict[Slot, dict[str, int]],
    items: dict[int, Item],
) -> stock_moves.Move | None:
    target = wanted.get(slot, _Wanted())
    before = booked.get(slot, {"moved": 0, "worth": 0, "moves": 0, "unpriced": 0})
    quantity = target.quantity - before["moved"]
    if quantity == 0:
        return None
    item_id, kind, batch = slot
    undone = target.quantity == 0 and not before["unpriced"]
    return stock_moves.Move(
        depot=order.depot,
        item=items[item_id],
        kind=kind,
        quantity=quantity,
        reason=_reason(order, kind, target, again=before["moves"] > 0),
        price_minor=-before["worth"] if undone else None,
        batch=batch,
        order_number=order.number,
        key=_key(order, slot, before["moves"]),
    )


def _reason(order: WorkOrder, kind: str, target: _Wanted, *, again: bool) -> str:
    if again:
        return f"{order.number} was corrected"
    if kind == Kind.WRITTEN_OFF:
        return "rest of an opened pack, which is not kept for another job"
    return "as recorded" if target.recorded else "by the procedure; nothing else was recorded"


def _key(order: WorkOrder, slot: Slot, moves: int) -> str:
    item_id, kind, batch = slot
    mark = sha256(batch.encode()).hexdigest()[:12]
    return f"{order.number}:{item_id}:{kind}:{mark}:{moves}"
