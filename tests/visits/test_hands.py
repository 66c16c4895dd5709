"""Publishing a plan: who gets the order of a visit, and who is away on its day."""

from datetime import timedelta

import pytest

from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.vehicles.models import Vehicle
from fleet.visits.board import blocks_of
from fleet.visits.hands import Hands
from fleet.visits.models import Absence, Mechanic
from fleet.workorders.models import Finding, WorkOrder
from tests import scene
from tests.cast import person
from tests.scene import NOW
from tests.visits.depot import TODAY, fleet, planned
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


def finding() -> Finding:
    """Of the van, for an order of its own."""
    van = Vehicle.objects.get()
    return Finding.objects.create(
        vehicle=van, kind="other", severity=Finding.Severity.values[-1], performed_at=NOW
    )


# --- one van, one mechanic -----------------------------------------------------------------
def hands(*names: str) -> dict[str, Person]:
    """Mechanics of the depot who sign in, by name."""
    found = {}
    for name in names:
        found[name] = person(name, Role.MECHANIC, scene.depot())
        Mechanic.objects.create(depot=scene.depot(), name=name, person=found[name], source="x")
    return found


@pytest.mark.parametrize("who", ["Ada", "Zoe"])
@pytest.mark.parametrize("state", ["released", "started", "waiting"])
def test_the_plan_leaves_a_van_with_whoever_has_it(who: str, state: str) -> None:
    fleet({"V-1": (0, 0)})
    people = hands("Ada", "Zoe")
    draft("W-1", "V-1", "engine-oil", on=TODAY, assigned_to=people[who], state=state)
    visit = planned().visits.get(on=TODAY)
    assert (visit.mechanic, visit.services.count()) == (who, 2)


@pytest.mark.parametrize("began", ["Ada", "Zoe"])
def test_of_two_who_have_it_the_plan_names_whoever_began(began: str) -> None:
    fleet({"V-1": (0, 0)})
    people = hands("Ada", "Zoe")
    other = "Zoe" if began == "Ada" else "Ada"
    draft("W-1", "V-1", "engine-oil", on=TODAY, assigned_to=people[other], state="released")
    draft("W-2", "V-1", "gearbox-oil", on=TODAY, assigned_to=people[began], state="started")
    assert planned().visits.get(on=TODAY).mechanic == began


def test_a_plan_names_another_where_whoever_has_the_van_is_away() -> None:
    fleet({"V-1": (0,)})
    people = hands("Ada", "Zoe")
    row = Mechanic.objects.get(name="Zoe")
    Absence.objects.create(mechanic=row, from_on=TODAY, until_on=TODAY)
    draft("W-1", "V-1", "gearbox-oil", on=TODAY, assigned_to=people["Zoe"], state="released")
    assert planned().visits.get(on=TODAY).mechanic == "Ada"


@pytest.mark.parametrize("state", ["drafted", "started"])
@pytest.mark.parametrize("dry", [True, False])
def test_the_rest_of_a_visit_goes_to_whoever_has_the_van_by_now(
    chief: Actor, state: str, dry: bool
) -> None:
    """The plan of the night named another; the days, the preview and publishing say the same."""
    fleet({"V-1": (0, 0)})
    people = hands("Ada", "Zoe")
    first = draft("W-1", "V-1", "engine-oil", on=TODAY)
    found = planned()
    assert found.visits.get().mechanic == "Ada"
    WorkOrder.objects.filter(pk=first.pk).update(assigned_to=people["Zoe"], state=state)
    (block,) = blocks_of(found, TODAY)
    assert block.mechanic == "Zoe"
    if state == "drafted":
        second = draft("W-2", "V-1", "gearbox-oil", follows=finding())
    told = {one.number: one for one in published(chief, found, dry=dry)}
    if state == "drafted":
        assert "given to Zoe, who has this van already" in told["W-2"].done
        second.refresh_from_db()
        assert second.assigned_to == (None if dry else people["Zoe"])
        return
    (made,) = [one for number, one in told.items() if number != "W-1"]
    on = f"{TODAY.day} {TODAY:%b %Y}"
    assert made.done == (
        f"drafted with Gearbox oil, planned for {on} and given to Zoe, who has this van already",
    )
    if not dry:
        assert WorkOrder.objects.get(number=made.number).assigned_to == people["Zoe"]
        first.refresh_from_db()
        assert first.assigned_to == people["Zoe"]


def test_nothing_is_added_where_the_plan_named_who_has_it(chief: Actor) -> None:
    fleet({"V-1": (0, 0)})
    people = hands("Ada", "Zoe")
    draft("W-1", "V-1", "engine-oil", on=TODAY, assigned_to=people["Zoe"], state="started")
    told = {one.number: one.done for one in published(chief, planned())}
    (done,) = [done for number, (*done,) in told.items() if number != "W-1"]
    assert done[0].endswith("and given to Zoe")
