"""Fluids chosen for one vehicle, as its page shows and offers them."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from fleet.due.models import ChosenFluid
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.reads import Read, Rows, prepared, reader, side_by_side
from fleet.today import today_at
from fleet.trials.blind import Place
from fleet.vehicles.models import Compartment, Vehicle
from fleet.workorders import fluid_for


@reader
def fluid_choices(
    vehicle: Vehicle,
    compartments: Sequence[Compartment],
    person: Person,
    hidden: set[Place],
    now: datetime,
) -> Read[dict[str, Any]]:
    """What was chosen, without what this person must not know; and what may be chosen."""
    may_choose = may(person, Right.APPROVE_SUBSTITUTE, vehicle.depot_id)
    places = sorted(compartments, key=lambda one: one.name)
    stand, *offered = yield from side_by_side(
        _standing(vehicle.pk, today_at(vehicle.depot.zone, now)),
        *([fluid_for.accepted_products.steps(places)] if may_choose else []),
    )
    return {
        "chosen": [one for one in stand if _place(one) not in hidden],
        "may_choose": may_choose,
        "offered": offered[0] if offered else {},
    }


@prepared
def _standing(vehicle_id: int, today: date) -> Rows:
    return fluid_for.standing_choices([vehicle_id], today).order_by("compartment", "from_on")


def _place(one: ChosenFluid) -> Place:
    return one.vehicle_id, one.compartment_id
