"""Days filled by a plan that knows who has which orders: nobody is given more than they are there
for, and where their orders alone are more, it is said."""

from datetime import timedelta

import pytest

from fleet.due.models import Service
from fleet.faults import Refused
from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.vehicles.models import Vehicle
from fleet.visits.board import Day, board
from fleet.visits.models import Absence, Bay, Mechanic, Plan, ServiceNeed, Visit, Workshop
from fleet.visits.moves import move
from fleet.visits.weigh import weigh
from fleet.workorders.models import Job, Procedure, WorkOrder
from tests import scene
from tests.cast import person
from tests.visits.depot import TODAY, fleet, planned
from tests.visits.publishing import published

pytestmark = pytest.mark.django_db
PRESENT_MIN, SET_UP_MIN, GEARBOX_MIN = 420, 20, 60
TOMORROW = TODAY + timedelta(days=1)


def workshop(*vans: tuple[float, ...]) -> dict[str, Person]:
    """Ada, who alone does gearboxes, and Zoe; services that are due on the days of each van."""
    fleet({f"V-{at}": days for at, days in enumerate(vans, 1)})
    Workshop.objects.create(depot=scene.depot(), kept_share=0, source="invented")
    need = ServiceNeed(
        service=Service.objects.get(slug="gearbox-oil"), skills=["gearboxes"], source="invented"
    )
    need.save()
    Procedure.objects.create(
        service=need.service, family="other", minutes=GEARBOX_MIN, source="invented", edition="1"
    )
    people = {}
    for name, skills in (("Ada", ["gearboxes"]), ("Zoe", [])):
        Bay.objects.create(depot=scene.depot(), name=f"Lift {name}", source="invented")
        people[name] = person(name, Role.MECHANIC, scene.depot())
        Mechanic.objects.create(
            depot=scene.depot(), name=name, person=people[name], minutes=PRESENT_MIN,
            skills=skills, source="invented",
        )  # fmt: skip
    return people


def given(number: str, to: Person | None, minutes: int, state: str = "released") -> WorkOrder:
    """An order of Monday, of so many minutes besides its set-up, for what no date asks for."""
    van = Vehicle.objects.get(fleet_number=number)
    order = WorkOrder.objects.create(
        number=f"W-{number}", vehicle=van, depot=van.depot, planned_on=TODAY, assigned_to=to,
        state=state, started_at=scene.NOW if state == "started" else None,
    )  # fmt: skip
    Job.objects.create(order=order, vehicle=van, title="Other work", minutes=minutes)
    return order


def visit(number: str, made: Plan) -> Visit:
    return made.visits.get(vehicle__fleet_number=number, services__isnull=False)


def monday(made: Plan) -> Day:
    (only,) = board(made, TODAY, TODAY, 1).days
    return only


def test_a_day_is_not_filled_by_changing_who_has_what() -> None:
    """By hand: Ada has 2 x 200 of 420 min; 80 more fit only with one of them on Zoe."""
    ada = workshop((300,), (300,), (3, 300))["Ada"]
    given("V-1", ada, 180)
    given("V-2", ada, 180)
    made = planned()
    assert visit("V-3", made).on != TODAY
    assert monday(made).too_full == ()
    WorkOrder.objects.filter(number="W-V-2").update(assigned_to=None)
    assert planned().pk != made.pk  # anew, though nothing else changed
    Plan.objects.all().delete()  # and with it what a move would cost
    again = planned()
    assert (visit("V-3", again).on, visit("V-3", again).mechanic) == (TODAY, "Ada")


def test_what_joins_a_van_is_for_whoever_has_it() -> None:
    """By hand: Zoe has 400 of 420 min of the van whose engine oil (30) is due that day."""
    zoe = workshop((300, 3))["Zoe"]
    given("V-1", zoe, 380)
    assert visit("V-1", planned()).on != TODAY
    Job.objects.update(minutes=370)
    made = planned()
    assert (visit("V-1", made).on, visit("V-1", made).mechanic) == (TODAY, "Zoe")


def too_much(asked: int, mend: str) -> str:
    return (
        f"V-2 stands on 15 Jun 2026 with Ada, who has orders of {asked} min that day and is there "
        f"for 420 min: {mend}."
    )


@pytest.mark.parametrize(
    ("state", "mend"),
    [
        ("released", "give it to another, or choose another day"),
        ("started", "give another visit to somebody else"),
    ],
)
def test_orders_that_alone_are_too_much_are_named_and_leave_the_day_to_others(
    state: str, mend: str
) -> None:
    """By hand: 230 + 270 = 500 of Ada's 420 min; Zoe has time for a van of 50."""
    ada = workshop((300,), (300,), (300, 3))["Ada"]
    given("V-1", ada, 210)
    given("V-2", ada, 250, state)
    made = planned()
    (said,) = made.visits.exclude(unfit="").values_list("unfit", flat=True)
    begun = state == "started"
    fits = "There is room to go on with it" if begun else "It fits"
    assert said == f"{too_much(500, mend)} {fits} on 16 Jun 2026."
    stands = made.visits.get(vehicle__fleet_number="V-2")
    assert (stands.mechanic, bool(stands.bay)) == ("Ada", True)
    assert (visit("V-3", made).on, visit("V-3", made).mechanic) == (TODAY, "Zoe")
    (full,) = monday(made).too_full
    assert (full.name, full.planned_min) == ("Ada", 500)


def test_orders_that_take_a_day_to_the_last_minute_are_not_too_much() -> None:
    """By hand: 210 + 210 = 420."""
    ada = workshop((300,), (300,))["Ada"]
    given("V-1", ada, 190)
    given("V-2", ada, 190)
    made = planned()
    assert not made.visits.exclude(unfit="").exists()
    assert monday(made).too_full == ()


def test_another_day_on_which_they_have_no_time_either_is_for_somebody_else() -> None:
    ada = workshop((300,), (300,), (300,))["Ada"]
    for number in ("V-1", "V-2", "V-3"):
        given(number, ada, 380)
    WorkOrder.objects.filter(number="W-V-3").update(planned_on=TOMORROW)
    (said,) = planned().visits.exclude(unfit="").values_list("unfit", flat=True)
    mend = "give it to another, or choose another day"
    assert said == (
        f"{too_much(800, mend)} It fits on 16 Jun 2026, by another than Ada, who has no time left "
        "then."
    )


def test_what_only_they_can_do_is_named_where_their_orders_leave_no_time() -> None:
    """By hand: 300 of Ada's 420 min are a van's that Zoe could do; the gearbox asks for 130."""
    ada = workshop((300,), (3, 300))["Ada"]
    given("V-1", ada, 280)
    order = given("V-2", None, 50)
    Job.objects.create(
        order=order,
        vehicle=order.vehicle,
        service=Service.objects.get(slug="gearbox-oil"),
        title="",
        minutes=60,
    )
    (said,) = planned().visits.exclude(unfit="").values_list("unfit", flat=True)
    assert "nobody there who can do it has 130 min left in one piece" in said


def test_a_visit_moved_to_whoever_is_full_says_so(chief: Actor) -> None:
    """By hand: 270 + 230 = 500 of Ada's 420 min on Tuesday; it goes there, and is named."""
    ada = workshop((300,), (300,))["Ada"]
    given("V-1", ada, 250)
    other = given("V-2", ada, 210)
    WorkOrder.objects.filter(pk=other.pk).update(planned_on=TOMORROW)
    made = planned()
    mine = made.visits.get(vehicle__fleet_number="V-1")
    words = (
        "Ada, who has its order, would have 500 min of orders and is there for 420 min: give one "
        "to another."
    )
    weighed = weigh(mine, TOMORROW, "", TODAY)
    assert (weighed.mechanic, words in weighed.beyond) == ("Ada", True)
    free = weigh(mine, TODAY + timedelta(days=3), "", TODAY)
    assert not any("who has its order" in one for one in free.beyond)
    order_id = WorkOrder.objects.get(number="W-V-1").pk
    move(chief, made.pk, mine.pk, on=TOMORROW, released=[order_id])
    (said,) = made.visits.exclude(unfit="").values_list("unfit", flat=True)
    assert "with Ada, who has orders of 500 min that day" in said


def test_publishing_names_what_is_too_much_for_whoever_gets_it(chief: Actor) -> None:
    """Orders that were given to Ada since the plan was made, beside a gearbox that it gives her."""
    ada = workshop((300,), (3, 300))["Ada"]
    made = planned()
    assert (visit("V-2", made).on, visit("V-2", made).mechanic) == (TODAY, "Ada")
    given("V-1", ada, 380)
    (told,) = [one for one in published(chief, made) if one.vehicle == "V-2"]
    assert told.unfit.startswith(too_much(480, "give it to another, or choose another day"))


def test_on_a_day_off_the_orders_of_somebody_take_the_time_of_others() -> None:
    """By hand: Ada is away; her order of 400 min leaves Zoe 20, too little for engine oil."""
    ada = workshop((300,), (300, 3))["Ada"]
    row = Mechanic.objects.get(name="Ada")
    Absence.objects.create(mechanic=row, from_on=TODAY, until_on=TODAY)
    given("V-1", ada, 380)
    assert visit("V-2", planned()).on != TODAY


def test_what_they_have_no_skill_for_does_not_join_and_a_move_says_why() -> None:
    zoe = workshop((3, 300))["Zoe"]
    given("V-1", zoe, 60)
    made = planned()
    mine = visit("V-1", made)
    assert (mine.on, mine.mechanic) == (TOMORROW, "Ada")
    with pytest.raises(Refused, match="whoever has this vehicle's order does not have it"):
        weigh(mine, TODAY, "", TODAY)
