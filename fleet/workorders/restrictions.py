"""Restrictions of a vehicle: set at a finish, answered at each later one, lifted by a person."""

from collections.abc import Collection, Mapping

from django.db.models import Exists, OuterRef, QuerySet

from fleet.faults import Fault, Question, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.workorders.models import Restriction, WorkOrder

LIFTED, STAYS = ANSWERS = ("lifted", "stays")
Answers = Mapping[int, str]  # by the restriction's id


def in_force() -> QuerySet[Restriction]:
    """Restrictions that nobody has lifted."""
    return Restriction.objects.filter(lifted_at=None)


@prepared
def standing(vehicle_ids: Ids) -> Rows:
    """Those of some vehicles, oldest first."""
    rows = in_force().filter(vehicle__in=vehicle_ids)
    return rows.select_related("order", "set_by", "vehicle").order_by("set_at", "pk")


@prepared
def texts_standing(vehicle_ids: Ids) -> Rows:
    """Vehicle and words of the same."""
    rows = in_force().filter(vehicle__in=vehicle_ids).order_by("set_at", "pk")
    return rows.values_list("vehicle_id", "text")


def with_restricted(orders: QuerySet[WorkOrder]) -> QuerySet[WorkOrder]:
    """Orders with whether any restriction stands on their vehicle, as ``restricted``."""
    return orders.annotate(restricted=Exists(in_force().filter(vehicle=OuterRef("vehicle"))))


@reader
def texts(vehicle_ids: Collection[int]) -> Read[dict[int, list[str]]]:
    """The words of what stands, by vehicle."""
    found: dict[int, list[str]] = {}
    if not vehicle_ids:
        return found
    told = texts_standing(vehicle_ids)
    yield [told]
    for vehicle_id, text in told:
        found.setdefault(vehicle_id, []).append(text)
    return found


def must_answer(order: WorkOrder, answers: Answers) -> None:
    """See that each standing restriction is said to be lifted or to stay.

    Raises
    ------
    Question
        One is not answered: a *yes* that speaks of other work lifts nothing.
    """
    for row in standing([order.vehicle_id]):
        if answers.get(row.pk, "") not in ANSWERS:
            raise Question(
                f"“{row.text}” stands on {order.vehicle} since {row.set_at:%Y-%m-%d}: say whether "
                f"it is lifted or stays (restriction {row.pk}).",
                about="restrictions",
            )


def keep(actor: Actor, order: WorkOrder, answers: Answers) -> None:
    """Lift what the finish says is lifted, and keep the restriction that it sets."""
    rows = list(standing([order.vehicle_id]))
    lifted = [row.pk for row in rows if answers.get(row.pk) == LIFTED]
    in_force().filter(pk__in=lifted).update(
        lifted_by=actor.person,
        lifted_at=actor.at,
        lifted_on=order,
        lifted_reason=f"at the finish of {order.number}",
    )
    in_force_texts = {row.text.casefold() for row in rows if row.pk not in lifted}
    text = order.restriction if order.fit_for_use == WorkOrder.Fit.RESTRICTED else ""
    if text and text.casefold() not in in_force_texts:
        Restriction.objects.create(
            vehicle_id=order.vehicle_id,
            order=order,
            text=text,
            set_by=actor.person,
            set_at=actor.at,
        )


def undo(actor: Actor, order: WorkOrder) -> None:
    """Take back what the finish of an order did, which is opened again."""
    order.lifted.update(lifted_by=None, lifted_at=None, lifted_on=None, lifted_reason="")
    in_force().filter(order=order).update(
        lifted_by=actor.person, lifted_at=actor.at, lifted_reason=f"{order.number} was corrected"
    )


def lift(actor: Actor, restriction_id: int, *, reason: str) -> Restriction:
    """Let a vehicle be used without a restriction again.

    Raises
    ------
    Forbidden
        The person may not.
    Refused
        It was lifted already.
    """
    row = Restriction.objects.select_related("vehicle").filter(pk=restriction_id).first()
    if row is None:
        raise Fault(f"There is no restriction {restriction_id}.")
    actor.must(Right.CLEAR_DO_NOT_USE, row.vehicle.depot_id)
    if not reason.strip():
        raise Fault("Say why it is lifted.", about="reason")
    lifted = (
        in_force()
        .filter(pk=row.pk)
        .update(lifted_by=actor.person, lifted_at=actor.at, lifted_reason=reason.strip()[:300])
    )
    if not lifted:
        raise Refused("It was lifted already.")
    row.refresh_from_db()
    return row
