"""Visits whose day stands and holds them no more: named with why and a day that would."""

from datetime import date, timedelta

import pytest
import time_machine
from django.test import Client
from django.utils import timezone

from fleet.due.models import DueDate
from fleet.overview.needs import Kind, needs
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.vehicles.models import Closure, Vehicle
from fleet.visits import plan as plans
from fleet.visits.listing import told
from fleet.visits.models import Absence, Bay, Mechanic, Promise, ServiceNeed, Visit, Workshop
from fleet.visits.moves import move
from fleet.workorders.models import Job, WorkOrder
from tests import scene
from tests.cast import person
from tests.visits.depot import TODAY, fleet

pytestmark = pytest.mark.django_db
AT = 3  # Thursday 18 Jun 2026


def ahead(days: int) -> date:
    return TODAY + timedelta(days=days)


def mechanic(name: str, **more: object) -> Mechanic:
    made, _ = Mechanic.objects.update_or_create(
        depot=scene.depot(), name=name, defaults={"source": "invented", **more}
    )
    return made


def bays(*names: str, **more: object) -> None:
    for name in names:
        Bay.objects.create(depot=scene.depot(), name=name, source="invented", **more)


def order(vehicle: str, minutes: int, at: int = AT) -> Job:
    """An order with its day, of as many minutes besides 20 to set up."""
    row = DueDate.objects.get(vehicle__fleet_number=vehicle, service__slug="gearbox-oil")
    made = WorkOrder.objects.create(
        number=f"WO-{vehicle}",
        vehicle=row.vehicle,
        depot=row.depot,
        planned_on=ahead(at),
        state=WorkOrder.State.RELEASED,
    )
    return Job.objects.create(
        order=made, vehicle=row.vehicle, service=row.service, title="Oil", minutes=minutes
    )


def unfit(day: date = TODAY) -> dict[str, str]:
    """What the night says, by vehicle."""
    (plan,) = plans.plan([scene.depot().pk], day)
    rows = Visit.objects.filter(plan=plan).exclude(unfit="")
    return {one.vehicle.fleet_number: one.unfit for one in rows.select_related("vehicle")}


def two_orders() -> None:
    """320 minutes each: one mechanic can do one of them, two mechanics both."""
    fleet({"V-1": (10,), "V-2": (20,)})
    bays("Lift 1", "Lift 2")
    order("V-1", 300)
    order("V-2", 300)


def test_two_that_two_mechanics_can_do_fit() -> None:
    two_orders()
    mechanic("Ada"), mechanic("Otto")
    assert unfit() == {}


def test_a_mechanic_who_is_away_leaves_the_newer_order_without_hands() -> None:
    two_orders()
    mechanic("Ada")
    Absence.objects.create(mechanic=mechanic("Otto"), from_on=ahead(3), until_on=ahead(4))
    # by hand: Ada's 480 min less 320 leave 160; Otto is back on Monday, four days later
    assert unfit() == {
        "V-2": "V-2 stands on 18 Jun 2026 and does not fit: nobody there who can do it has 320 min "
        "left in one piece: choose another day, or move another visit first. Otto is away that "
        "day. It fits on 19 Jun 2026."
    }
    visits = Visit.objects.filter(on=ahead(AT), plan=Visit.objects.latest("pk").plan)
    assert {(one.vehicle.fleet_number, one.mechanic) for one in visits} == {
        ("V-1", "Ada"),  # who fits has a place all the same
        ("V-2", ""),
    }


def test_who_was_promised_the_day_keeps_it() -> None:
    two_orders()
    mechanic("Ada")
    Promise.objects.create(
        vehicle=Vehicle.objects.get(fleet_number="V-2"), depot=scene.depot(), on=ahead(AT),
        told_to="the driver", told_at=timezone.now(),
    )  # fmt: skip
    assert [*unfit()] == ["V-1"]
    assert WorkOrder.objects.filter(planned_on=ahead(AT)).count() == 2  # nothing was moved
    assert Promise.objects.get().ending == ""


def test_a_bay_that_is_gone_leaves_one_without_a_place() -> None:
    two_orders()
    mechanic("Ada"), mechanic("Otto")
    assert unfit() == {}
    Bay.objects.get(name="Lift 2").delete()
    (said,) = unfit().values()
    assert "V-2 stands on 18 Jun 2026 and does not fit: no bay that carries it has 320 min" in said
    assert said.endswith("It fits on 19 Jun 2026.")


def test_minutes_that_grew_beyond_anybody_s_day_are_named_with_both() -> None:
    fleet({"V-1": (10,)})
    bays("Lift 1", opening_min=600)
    mechanic("Ada", minutes=400)
    job = order("V-1", 300)
    assert unfit() == {}
    Job.objects.filter(pk=job.pk).update(minutes=450)  # 470 with its set-up
    assert unfit() == {
        "V-1": "V-1 stands on 18 Jun 2026 and does not fit: its 470 min of work are longer than "
        "anybody is there (400 min): choose another day, or take a job off it. No later day of "
        "the plan holds it."
    }


def begun(number: str) -> None:
    WorkOrder.objects.filter(number=number).update(
        state=WorkOrder.State.STARTED, started_at=scene.NOW
    )


def test_work_that_has_begun_is_not_told_to_choose_another_day() -> None:
    two_orders()
    mechanic("Ada")
    begun("WO-V-2")
    said = unfit()["V-2"]
    assert "another day" not in said
    assert "its work has begun and goes on when it can; move another visit first." in said
    assert said.endswith("There is room to go on with it on 19 Jun 2026.")


def test_a_day_on_which_whoever_has_it_is_away_says_so() -> None:
    """320 minutes beside Ada's other 320; on Friday Otto is there, and Ada is not."""
    two_orders()
    otto = person("Otto", Role.MECHANIC, scene.depot())
    ada = person("Ada", Role.MECHANIC, scene.depot())
    mechanic("Otto", person=otto)
    Absence.objects.create(mechanic=mechanic("Otto"), from_on=ahead(3), until_on=ahead(3))
    Absence.objects.create(
        mechanic=mechanic("Ada", person=ada), from_on=ahead(4), until_on=ahead(4)
    )
    begun("WO-V-2")
    WorkOrder.objects.filter(number="WO-V-2").update(assigned_to=ada)
    assert unfit()["V-2"].endswith(
        "There is room to go on with it on 19 Jun 2026, by another than Ada, who is not there then."
    )
    WorkOrder.objects.filter(number="WO-V-2").update(assigned_to=otto)
    Visit.objects.all().delete()
    assert unfit(ahead(1))["V-2"].endswith("There is room to go on with it on 19 Jun 2026.")


def test_begun_work_whose_vehicle_is_away_asks_for_the_absence_only() -> None:
    fleet({"V-1": (10,)})
    order("V-1", 60)
    begun("WO-V-1")
    van = Vehicle.objects.get(fleet_number="V-1")
    Absence.objects.create(vehicle=van, from_on=ahead(3), until_on=ahead(4))
    (said,) = unfit().values()
    assert "begun and goes on when it can, or correct the absence." in said


def test_begun_work_on_a_day_that_was_closed_since_goes_on_later() -> None:
    fleet({"V-1": (10,)})
    order("V-1", 60)
    begun("WO-V-1")
    Closure.objects.create(depot=scene.depot(), on=ahead(AT), note="stocktaking")
    assert unfit() == {
        "V-1": "V-1 stands on 18 Jun 2026, when the workshop is closed (stocktaking): its work has "
        "begun and goes on when it can. There is room to go on with it on 19 Jun 2026."
    }


def test_two_that_do_not_fit_are_told_two_days() -> None:
    fleet({"V-1": (10,), "V-2": (20,), "V-3": (30,)})
    bays("Lift 1")
    mechanic("Ada")
    for number in ("V-1", "V-2", "V-3"):
        order(number, 300)
    # by hand: one of 320 min a day in 480, so the next two days of work, Friday and Monday
    assert {number: said[-23:] for number, said in unfit().items()} == {
        "V-2": "It fits on 19 Jun 2026.",
        "V-3": "It fits on 22 Jun 2026.",
    }


def test_an_order_goes_on_asking_for_the_second_person_of_its_service() -> None:
    fleet({"V-1": (10,)})
    bays("Lift 1")
    mechanic("Ada")
    job = order("V-1", 60)
    need = {"second_min": 15, "source": "invented"}
    ServiceNeed.objects.update_or_create(service=job.service, defaults=need)
    (said,) = unfit().values()
    assert "asks for a second person for 15 min" in said
    mechanic("Otto")
    assert unfit() == {}
    visit = Visit.objects.latest("pk")
    assert (visit.minutes, visit.work_min) == (80, 95)  # by hand: 20 + 60, and 15 of the other


@pytest.mark.parametrize(("spared", "on"), [(2, "19 Jun 2026"), (1, "22 Jun 2026")])
def test_a_day_on_which_no_more_vehicles_can_be_spared_is_not_told(spared: int, on: str) -> None:
    fleet({"V-1": (10,), "V-2": (20,), "V-3": (30,)})
    Workshop.objects.create(depot=scene.depot(), vehicles_a_day=spared, source="invented")
    bays("Lift 1", "Lift 2")
    mechanic("Ada")
    for number in ("V-1", "V-2"):
        order(number, 300)
    order("V-3", 60, AT + 1)
    # by hand: on Friday 480 min less 80 hold 320, but V-3 is the one vehicle away from work then
    assert {number: said.rpartition("It fits on ")[2] for number, said in unfit().items()} == {
        "V-2": f"{on}."
    }


def test_an_absence_of_a_vehicle_with_an_order_only_is_weighed_the_same_day() -> None:
    fleet({"V-1": (10,)})
    order("V-1", 60)
    assert unfit() == {}
    van = Vehicle.objects.get(fleet_number="V-1")
    Absence.objects.create(vehicle=van, from_on=ahead(3), until_on=ahead(4))
    # Thursday and Friday: the next day of work is Monday
    assert unfit() == {
        "V-1": "V-1 stands on 18 Jun 2026 and is away then: move the visit, or correct the "
        "absence. It fits on 22 Jun 2026."
    }


def test_where_one_is_moved_off_the_day_the_other_fits() -> None:
    two_orders()
    mechanic("Ada")
    assert [*unfit()] == ["V-2"]
    visit = Visit.objects.get(vehicle__fleet_number="V-1", on=ahead(AT))
    chief = Actor(person("Sura", Role.SUPERVISOR, scene.depot()), "page", scene.NOW)
    named = list(WorkOrder.objects.values_list("pk", flat=True))
    move(chief, visit.plan_id, visit.pk, on=ahead(AT + 1), released=named)
    assert told(visit.plan) == visit.plan.lacking
    assert not Visit.objects.exclude(unfit="").exists()


def test_it_needs_somebody_and_is_said_on_the_day_and_its_visit() -> None:
    two_orders()
    mechanic("Ada")
    with time_machine.travel(scene.NOW, tick=False):
        assert [*unfit()] == ["V-2"]
        chief = person("Sura", Role.SUPERVISOR, scene.depot())
        found, _ = needs([scene.depot()], chief, timezone.now(), TODAY)
        (need,) = [one for one in found if one.kind is Kind.UNFIT]
        assert (need.count, need.oldest_at and need.oldest_at.date()) == (1, ahead(AT))
        later, _ = needs([scene.depot()], chief, timezone.now(), ahead(AT + 1))
        assert Kind.UNFIT not in {one.kind for one in later}  # it is past
        client = Client()
        client.force_login(chief)
        overview = client.get("/overview").content.decode()
        days = client.get("/workshop-days?depot=plain").content.decode()
        visit = Visit.objects.exclude(unfit="").get()
        page = client.get(f"/workshop-days/visits/{visit.pk}").content.decode()
    assert "visit does not fit its day any more" in overview
    assert days.count("does not fit this day any more") == 1
    assert visit.unfit in page
