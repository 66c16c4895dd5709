"""Plans of a depot, from rows to rows."""

from datetime import date, timedelta

import pytest

from fleet.due.models import DueDate, Service
from fleet.vehicles.models import Closure
from fleet.visits import plan as plans
from fleet.visits.gather import gather
from fleet.visits.listing import plan_row, service_rows
from fleet.visits.models import (
    Absence,
    Bay,
    Mechanic,
    Plan,
    PlannedService,
    ServiceNeed,
    Workshop,
)
from fleet.workorders.models import Job, WorkOrder
from tests import scene
from tests.visits.depot import TODAY, due, fleet, planned

pytestmark = pytest.mark.django_db


def days(found: Plan) -> dict[str, int | None]:
    """Vehicle and service to the day of its visit, counted from the test's day."""
    return {
        f"{one.vehicle} {one.service.slug}": (one.visit.on - TODAY).days if one.visit else None
        for one in found.services.all()
    }


def mechanic(name: str = "Ada", **changes: object) -> Mechanic:
    return Mechanic.objects.create(depot=scene.depot(), name=name, source="invented", **changes)


def order(vehicle_number: str, service: Service, on: date | None, state: str) -> WorkOrder:
    row = DueDate.objects.get(vehicle__fleet_number=vehicle_number, service=service)
    made = WorkOrder.objects.create(
        number=vehicle_number.replace("V", "W"),
        vehicle=row.vehicle,
        depot=row.depot,
        planned_on=on,
        state=state,
    )
    Job.objects.create(order=made, vehicle=row.vehicle, service=service, title="x", minutes=60)
    return made


def test_two_services_due_close_together_share_a_visit() -> None:
    # by hand: a second visit costs 50, a gearbox change 5 days early 5 · 90/200 = 2.25
    fleet({"V-1": (20, 15)})
    found = planned()
    assert found.visits.count() == 1
    assert len({*days(found).values()} - {None}) == 1


def test_a_visit_is_on_an_open_day() -> None:
    fleet({"V-1": (9,), "V-2": (13,)})
    Closure.objects.create(depot=scene.depot(), on=TODAY + timedelta(days=8))
    for visit in planned().visits.all():
        assert visit.on.weekday() < 5
        assert visit.on != TODAY + timedelta(days=8)


def test_what_is_overdue_comes_first() -> None:
    fleet({"V-1": (-10,)})
    assert days(planned()) == {"V-1 gearbox-oil": 0}


def test_with_nothing_entered_there_is_a_plan_and_it_says_what_was_taken() -> None:
    fleet({"V-1": (10,)})
    found = planned()
    assert plan_row(found).left_out == 0
    told = " ".join(found.lacking)
    for place in ("Workshops", "Mechanics", "Bays", "procedure"):
        assert place in told


def test_a_depot_without_vehicles_has_a_plan_of_nothing() -> None:
    scene.depot()
    row = plan_row(planned())
    assert (row.visits, row.services, row.cost, row.gap) == (0, 0, 0, 0)


def test_the_same_inputs_keep_the_plan_and_other_inputs_make_another() -> None:
    (van,) = fleet({"V-1": (10,)})
    first = planned()
    assert planned() == first
    due(van, scene.service("engine", duty_class="severe"), 12)
    assert planned() != first


@pytest.mark.parametrize("second_min", [10, 0])
def test_other_minutes_make_another_plan(second_min: int) -> None:
    fleet({"V-1": (10,)})
    first = planned()
    need = scene.service("gearbox", duty_class="severe")
    ServiceNeed.objects.create(service=need, second_min=second_min, source="invented")
    assert (planned() == first) is (second_min == 0)


def test_an_order_with_a_day_stands_and_takes_its_services_with_it() -> None:
    fleet({"V-1": (10, 12)})
    on = TODAY + timedelta(days=21)
    order("V-1", scene.service("gearbox", duty_class="severe"), on, WorkOrder.State.RELEASED)
    found = planned()
    assert days(found)["V-1 gearbox-oil"] == 21
    assert found.visits.get(on=on).held


def test_a_draft_without_a_day_is_planned_like_any_other() -> None:
    fleet({"V-1": (10,)})
    service = scene.service("gearbox", duty_class="severe")
    order("V-1", service, None, WorkOrder.State.DRAFTED)
    assert not planned().visits.get().held


def test_what_is_done_on_an_order_not_finished_yet_is_not_planned() -> None:
    fleet({"V-1": (10, 12), "V-2": (10,)})
    service = scene.service("gearbox", duty_class="severe")
    order("V-1", service, TODAY, WorkOrder.State.STARTED)
    order("V-2", service, None, WorkOrder.State.FINISHED)  # a due date left over is planned
    Job.objects.update(state=Job.State.DONE)
    assert set(days(planned())) == {"V-1 engine-oil", "V-2 gearbox-oil"}


def test_visits_of_the_night_before_that_are_near_stay() -> None:
    (van,) = fleet({"V-1": (8,)})
    before = planned().visits.get()
    assert 0 < (before.on - TODAY).days < 7
    DueDate.objects.filter(vehicle=van).update(
        km_p10=TODAY + timedelta(days=26),
        km_p50=TODAY + timedelta(days=29),
        km_p90=TODAY + timedelta(days=32),
    )
    after = planned(TODAY + timedelta(days=1)).visits.get()
    assert (after.on, after.held) == (before.on, True)


def test_a_vehicle_that_is_away_comes_on_another_day() -> None:
    (van,) = fleet({"V-1": (10,)})
    usual = planned().visits.get().on
    Absence.objects.create(vehicle=van, from_on=usual, until_on=usual)
    moved = planned().visits.get()
    assert moved.on != usual
    assert moved.services.get().reason in ("vehicle away", "closed", "on time")


def test_nobody_there_leaves_everything_out_and_says_why() -> None:
    fleet({"V-1": (10,)})
    Absence.objects.create(mechanic=mechanic(), from_on=TODAY, until_on=TODAY + timedelta(days=90))
    found = planned()
    assert days(found) == {"V-1 gearbox-oil": None}
    assert found.services.get().reason == "time"


def test_a_skill_that_nobody_has_is_named_with_what_would_mend_it() -> None:
    fleet({"V-1": (10,)})
    mechanic()
    need = scene.service("gearbox", duty_class="severe")
    ServiceNeed.objects.create(service=need, skills=["gearboxes"], source="invented")
    found = planned()
    assert found.services.get().reason == "skill"
    assert any("'gearboxes'" in told and "Mechanics" in told for told in found.lacking)
    mechanic("Bea", skills=["gearboxes"])
    again = planned()
    assert again.visits.get().mechanic == "Bea"


def test_a_vehicle_too_heavy_for_every_bay_is_named() -> None:
    fleet({"V-1": (10,)})
    scene.van_type().__class__.objects.update(gross_mass_kg=3_500)
    Bay.objects.create(depot=scene.depot(), name="Lift 1", rated_kg=3_000, source="invented")
    found = planned()
    assert days(found) == {"V-1 gearbox-oil": None}
    assert any("V-1" in told and "rated" in told for told in found.lacking)
    Bay.objects.create(depot=scene.depot(), name="Lift 2", rated_kg=4_000, source="invented")
    assert planned().visits.get().bay == "Lift 2"


def test_no_more_vehicles_come_than_the_depot_can_spare() -> None:
    fleet({f"V-{number}": (-5,) for number in range(4)})
    Workshop.objects.create(depot=scene.depot(), vehicles_a_day=1, source="invented")
    assert {*days(planned()).values()} == {0, 1, 2, 3}


def test_a_plan_overtaken_while_it_was_computed_is_not_stored() -> None:
    fleet({"V-1": (10,)})
    slow = plans.draw(gather(scene.depot(), TODAY, 56))
    quick = planned()
    assert plans.record(slow) == quick
    assert Plan.objects.count() == 1


def test_a_dry_run_stores_nothing_and_tells_the_same_figures() -> None:
    fleet({"V-1": (10, 14), "V-2": (3,)})
    drawn = plans.draw(gather(scene.depot(), TODAY, 56))
    assert Plan.objects.count() == PlannedService.objects.count() == 0
    assert plans.in_figures(drawn) == plan_row(planned())


def test_services_are_listed_by_day_with_their_reason() -> None:
    fleet({"V-1": (30,), "V-2": (3,)})
    rows = service_rows(planned())
    assert [row.vehicle for row in rows] == ["V-2", "V-1"]
    assert all(row.reason for row in rows)


def test_vehicles_off_the_road_are_not_planned() -> None:
    (van,) = fleet({"V-1": (10,)})
    van.status = van.Status.OFF_ROAD
    van.save()
    assert days(planned()) == {}


def test_an_old_plan_is_taken_away() -> None:
    fleet({"V-1": (10,)})
    planned(TODAY - timedelta(days=61))
    planned()
    assert Plan.objects.count() == 1


def test_what_joins_an_order_is_not_held_by_it_when_planned_again() -> None:
    fleet({"V-1": (10, 12)})
    service = scene.service("gearbox", duty_class="severe")
    order("V-1", service, TODAY + timedelta(days=3), WorkOrder.State.RELEASED)
    first = planned()
    assert first.visits.count() == 1
    held = {one.service.slug: one.held for one in first.services.all()}
    assert held == {"gearbox-oil": True, "engine-oil": False}
    assert planned() == first


def test_a_round_joins_a_visit_and_makes_none() -> None:
    (van,) = fleet({"V-1": (10,)})
    weekly = due(van, scene.service("engine", duty_class="severe"), 3)
    weekly.meter_life = 1 - 3 / 7  # of a week
    weekly.save()
    found = planned()
    assert found.visits.count() == 1
    assert days(found)["V-1 engine-oil"] == days(found)["V-1 gearbox-oil"]
    lone = scene.van("V-2")
    due(lone, weekly.service, 3)
    DueDate.objects.filter(vehicle=lone).update(meter_life=1 - 3 / 7)
    assert "V-2 engine-oil" not in days(planned())


def test_a_round_that_no_visit_takes_along_costs_nothing() -> None:
    # by hand: one visit for what falls due for certain on an open day costs the visit alone
    (van,) = fleet({"V-1": (10,)})
    lone = scene.van("V-2")
    due(lone, scene.service("engine", duty_class="severe"), 3)
    DueDate.objects.filter(vehicle=lone).update(meter_life=1 - 3 / 7)  # of a week
    due_on = TODAY + timedelta(days=10)
    DueDate.objects.filter(vehicle=van).update(km_p10=due_on, km_p90=due_on)
    found = planned()
    assert found.cost_minor == Workshop.of(van.depot).visit_minor
    assert found.compared[0]["cost_minor"] == found.cost_minor
    assert found.bound_minor <= found.cost_minor


def test_what_stands_is_as_late_as_its_day_is() -> None:
    # by hand: due for certain on the plan's first day, ordered for a week later
    (van,) = fleet({"V-1": (0,)})
    DueDate.objects.filter(vehicle=van).update(km_p10=TODAY, km_p90=TODAY)
    service = scene.service("gearbox", duty_class="severe")
    order("V-1", service, TODAY + timedelta(days=7), WorkOrder.State.RELEASED)
    stands = planned().services.get()
    assert (stands.late_d, stands.wanted_on) == (7.0, TODAY)
    assert stands.reason == "its day stands"


def test_a_service_late_for_more_than_a_year_is_as_late_as_the_list_of_what_is_due_has_it() -> None:
    (van,) = fleet({"V-1": (-500,)})
    (found,) = plans.plan([scene.depot().pk], TODAY)
    planned = found.services.get(vehicle=van)
    assert planned.visit is not None
    assert planned.late_d == pytest.approx(500 + (planned.visit.on - TODAY).days)
