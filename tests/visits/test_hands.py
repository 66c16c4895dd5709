"""Publishing a plan: who gets the order of a visit, and who is away on its day."""

from datetime import timedelta

import pytest

from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.visits.hands import Hands
from fleet.visits.models import Absence, Mechanic
from fleet.workorders.models import WorkOrder
from tests import scene
from tests.cast import person
from tests.visits.depot import fleet, planned
from tests.visits.publishing import draft, kinds, published

pytestmark = pytest.mark.django_db


def test_a_mechanic_who_is_a_person_gets_the_order(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    mika = person("Mika", Role.MECHANIC, scene.depot())
    Mechanic.objects.create(depot=scene.depot(), name="M. Fernholt", person=mika, source="x")
    order, found = draft("W-1", "V-1", "gearbox-oil"), planned()
    assert [one.besides for one in published(chief, found, dry=True)] == [()]
    published(chief, found)
    order.refresh_from_db()
    assert order.assigned_to == mika
    assert kinds(order) == ["plan", "assign"]


def test_whom_somebody_chose_keeps_the_order(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    mika, ada = (person(n, Role.MECHANIC, scene.depot()) for n in ("Mika", "Ada"))
    Mechanic.objects.create(depot=scene.depot(), name="M. Fernholt", person=mika, source="x")
    order = draft("W-1", "V-1", "gearbox-oil", assigned_to=ada)
    published(chief, planned())
    order.refresh_from_db()
    assert order.assigned_to == ada


def test_of_a_visit_without_a_mechanic_nothing_is_said() -> None:
    fleet({"V-1": (10,)})
    found = planned()
    assert Hands(found).lacks("", None, found.visits.get().on) == ""


@pytest.mark.parametrize("given", [False, True])
def test_nobody_is_given_an_order_of_a_day_off(chief: Actor, given: bool) -> None:
    """Leave that was entered since the plan was made; who has the order already keeps it."""
    fleet({"V-1": (10,)})
    mika = person("Mika", Role.MECHANIC, scene.depot())
    row = Mechanic.objects.create(depot=scene.depot(), name="M. Fernholt", person=mika, source="x")
    found = planned()
    on = found.visits.get().on
    order = draft("W-1", "V-1", "gearbox-oil", assigned_to=mika if given else None)
    Absence.objects.create(mechanic=row, from_on=on, until_on=on)
    (told,) = published(chief, found)
    order.refresh_from_db()
    assert (order.planned_on, order.assigned_to) == (on, mika if given else None)
    there = f"is not there on {on.day} {on:%b %Y}"
    assert told.besides == (
        f"Mika has it and {there}: give it to another"
        if given
        else f"M. Fernholt {there}: nobody is assigned",
    )


def test_leave_counts_from_the_first_day_of_a_plan_on() -> None:
    fleet({"V-1": (10,)})
    mika = person("Mika", Role.MECHANIC, scene.depot())
    row = Mechanic.objects.create(depot=scene.depot(), name="M. Fernholt", person=mika, source="x")
    found = planned()
    first = found.as_of_on
    before = first - timedelta(days=1)
    Absence.objects.create(mechanic=row, from_on=before, until_on=first)
    hands = Hands(found)
    assert "is not there" in hands.lacks("M. Fernholt", mika, first)
    assert hands.lacks("M. Fernholt", mika, before) == ""  # the plan does not look back
    assert hands.of("M. Fernholt", first) is None


def test_a_mechanic_who_left_the_depot_gets_nothing(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    gone = person("Gone", Role.MECHANIC)
    Mechanic.objects.create(depot=scene.depot(), name="Gone", person=gone, source="x")
    (told,) = published(chief, planned())
    assert WorkOrder.objects.get(number=told.number).assigned_to is None
