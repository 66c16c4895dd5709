"""Moving a visit by hand: weighed first, then recorded with its orders, and locked."""

from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.due.models import DueDate
from fleet.faults import Fault, Forbidden, Refused, Stale
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.runs import ledger
from fleet.runs.models import Run
from fleet.vehicles.models import Closure
from fleet.visits import plan as plans
from fleet.visits.models import Absence, Bay, Plan, PlanEvent, Visit, Workshop
from fleet.visits.moves import lock, move, unlock
from fleet.visits.publish import publish
from fleet.visits.replan import how_far, replan
from fleet.visits.weigh import Weighed, weigh
from fleet.workorders.models import Job, WorkOrder
from tests import scene
from tests.cast import person
from tests.visits.depot import TODAY, fleet, planned

pytestmark = pytest.mark.django_db


def visit_of(number: str) -> Visit:
    newest = Plan.objects.order_by("-pk")[0]
    return newest.visits.select_related("plan__depot", "vehicle").get(vehicle__fleet_number=number)


def weighed(number: str, in_d: int, bay: str = "") -> Weighed:
    return weigh(visit_of(number), TODAY + timedelta(days=in_d), bay, TODAY)


def moved(actor: Actor, number: str, in_d: int, **named: object) -> Weighed:
    visit = visit_of(number)
    return move(actor, visit.plan_id, visit.pk, on=TODAY + timedelta(days=in_d), **named)  # type: ignore[arg-type]


def order(number: str, vehicle: str, state: str, in_d: int | None) -> WorkOrder:
    row = DueDate.objects.get(vehicle__fleet_number=vehicle, service__slug="gearbox-oil")
    on = None if in_d is None else TODAY + timedelta(days=in_d)
    made = WorkOrder.objects.create(
        number=number, vehicle=row.vehicle, depot=row.depot, planned_on=on, state=state
    )
    Job.objects.create(
        order=made, vehicle=row.vehicle, service=row.service, title="Oil", minutes=60
    )
    return made


def moves_are_free() -> None:
    Workshop.objects.create(depot=scene.depot(), moved_minor=0, source="invented")


def test_a_week_late_costs_seven_days_of_lateness(chief: Actor) -> None:
    # by hand: due on day 0 for certain, each day late 40.00; from day 0 to day 7
    (van,) = fleet({"V-1": (0,)})
    DueDate.objects.filter(vehicle=van).update(km_p10=TODAY, km_p90=TODAY)
    planned()
    found = weighed("V-1", 7)
    assert (found.cost_minor, found.late_d, found.late_before_d) == (28_000, 7.0, 0.0)


def test_a_week_early_throws_a_week_of_the_interval_away(chief: Actor) -> None:
    # by hand: 90.00 over an interval of 200 days (tests.visits.depot): 45 cents a day, on whole
    # days; due on day 14 for certain, planned on it: from day 14 to day 7 it is 7 × 45
    (van,) = fleet({"V-1": (14,)})
    on = TODAY + timedelta(days=14)
    DueDate.objects.filter(vehicle=van).update(km_p10=on, km_p90=on)
    planned()
    assert visit_of("V-1").on == on
    assert weighed("V-1", 7).cost_minor == pytest.approx(7 * 45, abs=1)


def test_what_was_weighed_is_what_the_plan_costs_more(chief: Actor) -> None:
    fleet({"V-1": (10, 14), "V-2": (20,)})
    before = planned().cost_minor
    found = moved(chief, "V-1", 2)
    newest = Plan.objects.get()
    assert newest.cost_minor - before == found.cost_minor
    assert newest.version == 2


def test_weighing_stores_nothing(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    planned()
    before = list(Visit.objects.values())
    weighed("V-1", 2)
    assert list(Visit.objects.values()) == before
    assert not PlanEvent.objects.exists()


def test_a_move_is_a_lock_that_the_next_plans_keep(chief: Actor) -> None:
    fleet({"V-1": (20,)})
    planned()
    moved(chief, "V-1", 15)
    for _ in range(2):
        again = planned()
        assert again.visits.get().on == TODAY + timedelta(days=15)
        assert again.visits.get().locked
    assert planned() == again


def test_a_move_leaves_one_row_of_history(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    had = planned().visits.get().on
    moved(chief, "V-1", 2)
    event = PlanEvent.objects.get()
    assert (event.what, event.from_on, event.to_on) == ("moved", had, TODAY + timedelta(days=2))
    assert (event.person, event.channel) == (chief.person, "page")


def test_its_drafted_orders_move_with_it(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    draft = order("W-1", "V-1", WorkOrder.State.DRAFTED, 9)
    planned()
    found = moved(chief, "V-1", 2)
    draft.refresh_from_db()
    assert draft.planned_on == TODAY + timedelta(days=2)
    assert found.drafted == ("W-1",)
    assert visit_of("V-1").on == draft.planned_on


def test_a_released_order_moves_only_when_named(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    released = order("W-1", "V-1", WorkOrder.State.RELEASED, 9)
    planned()
    assert weighed("V-1", 2).released == ("W-1",)
    with pytest.raises(Refused):
        moved(chief, "V-1", 2)
    assert visit_of("V-1").on == TODAY + timedelta(days=9)
    moved(chief, "V-1", 2, released=[released.pk])
    released.refresh_from_db()
    assert released.planned_on == TODAY + timedelta(days=2)


def test_work_that_has_begun_never_moves(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    begun = order("W-1", "V-1", WorkOrder.State.STARTED, 0)
    planned()
    with pytest.raises(Refused):
        moved(chief, "V-1", 2, released=[begun.pk])


def test_two_visits_of_a_vehicle_on_one_day_become_one_and_save_a_visit(chief: Actor) -> None:
    (van,) = fleet({"V-1": (0, 55)})
    DueDate.objects.filter(vehicle=van).update(km_p10=TODAY, km_p50=TODAY, km_p90=TODAY)
    late = DueDate.objects.get(service__slug="engine-oil")
    far = TODAY + timedelta(days=50)
    DueDate.objects.filter(pk=late.pk).update(km_p10=far, km_p50=far, km_p90=far, p50=far)
    found = planned()
    first, second = found.visits.order_by("on")
    kept = move(chief, found.pk, first.pk, on=second.on)
    assert kept.joins
    one = found.visits.get()
    # by hand: one set-up of 20 and twice 30 minutes, as no procedure is entered
    assert (one.services.count(), one.minutes) == (2, 80)
    # 50 days late at 40.00, one visit of 50.00 saved
    assert kept.cost_minor == 50 * 4_000 - 5_000


@pytest.mark.parametrize("in_d", [-1, 56])
def test_a_day_outside_the_plan_is_refused(chief: Actor, in_d: int) -> None:
    fleet({"V-1": (10,)})
    planned()
    with pytest.raises(Fault, match="Choose a day"):
        weighed("V-1", in_d)


def test_a_closed_day_is_refused(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    Closure.objects.create(depot=scene.depot(), on=TODAY + timedelta(days=2))
    planned()
    for in_d in (2, 5):  # the sixth day from a Monday is a Saturday
        with pytest.raises(Refused, match="closed"):
            weighed("V-1", in_d)


def test_a_day_on_which_the_vehicle_is_away_is_refused(chief: Actor) -> None:
    (van,) = fleet({"V-1": (10,)})
    on = TODAY + timedelta(days=2)
    Absence.objects.create(vehicle=van, from_on=on, until_on=on)
    planned()
    with pytest.raises(Refused, match="away"):
        weighed("V-1", 2)


def test_a_day_before_the_early_window_is_refused(chief: Actor) -> None:
    # by hand: 15 % of 200 days are 30: due on day 50, not before day 20
    fleet({"V-1": (50,)})
    planned()
    assert weighed("V-1", 21)
    with pytest.raises(Refused, match="early"):
        weighed("V-1", 15)


def test_a_day_that_is_full_is_refused_and_one_beyond_the_share_says_so(chief: Actor) -> None:
    # by hand: one mechanic of 480 minutes; 300 + 20 leave 160, and 30 + 20 fit; of the 336 that
    # may be planned, 370 are more
    fleet({"V-1": (10,), "V-2": (10,)})
    busy = order("W-9", "V-2", WorkOrder.State.RELEASED, 2)
    busy.jobs.update(minutes=300)
    planned()
    assert weighed("V-1", 2).beyond
    busy.jobs.update(minutes=440)
    with pytest.raises(Refused, match="no bay that carries it has 50 min left"):
        weighed("V-1", 2)


def test_more_vehicles_than_can_be_spared_are_told(chief: Actor) -> None:
    fleet({"V-1": (-5,), "V-2": (-5,)})
    Workshop.objects.create(depot=scene.depot(), vehicles_a_day=1, source="invented")
    planned()
    first, second = Visit.objects.order_by("on")
    assert (first.on, second.on) == (TODAY, TODAY + timedelta(days=1))
    assert second.services.get().reason == "vehicles to spare"
    assert any("spare" in told for told in weighed(second.vehicle.fleet_number, 0).beyond)


def test_a_bay_is_chosen_and_one_that_does_not_carry_is_refused(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    scene.van_type().__class__.objects.update(gross_mass_kg=3_500)
    for name, kg in (("Big", 5_000), ("Other", 5_000), ("Small", 3_000)):
        Bay.objects.create(depot=scene.depot(), name=name, rated_kg=kg, source="invented")
    planned()
    assert moved(chief, "V-1", 3, bay="Other").bay == "Other"
    assert planned().visits.get().bay == "Other"
    for bay, said in (("Small", "carry"), ("None", "no bay")):
        with pytest.raises(Fault, match=said):
            weighed("V-1", 3, bay)


def test_a_stale_plan_is_told(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    planned()
    moved(chief, "V-1", 2, version=1)
    with pytest.raises(Stale):
        moved(chief, "V-1", 3, version=1)


def test_who_may_not_release_may_not_move(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    planned()
    viewer = replace(chief, person=person("Vito", Role.VIEWER, scene.depot()))
    visit = visit_of("V-1")
    for act in (
        lambda: moved(viewer, "V-1", 2),
        lambda: lock(viewer, visit.plan_id, visit.pk),
        lambda: unlock(viewer, visit.plan_id, visit.pk),
        lambda: replan(viewer, scene.depot()),
    ):
        with pytest.raises(Forbidden):
            act()
    assert not PlanEvent.objects.exists()


def test_a_lock_holds_until_it_is_opened(chief: Actor) -> None:
    (van,) = fleet({"V-1": (20,)})
    moves_are_free()
    had = planned().visits.get()
    lock(chief, had.plan_id, had.pk)
    DueDate.objects.filter(vehicle=van).update(
        **dict.fromkeys(("km_p10", "km_p50", "km_p90"), TODAY + timedelta(days=40))
    )
    again = planned().visits.get()
    assert (again.on, again.locked) == (had.on, True)
    unlock(chief, again.plan_id, again.pk)
    free = planned().visits.get()
    assert (free.on > had.on, free.locked) == (True, False)
    assert [one.what for one in PlanEvent.objects.order_by("pk")] == ["locked", "unlocked"]


def test_locking_twice_is_one_change(chief: Actor) -> None:
    fleet({"V-1": (20,)})
    had = planned().visits.get()
    for _ in range(2):
        lock(chief, had.plan_id, had.pk)
    assert PlanEvent.objects.count() == 1


def test_opening_takes_the_day_off_its_drafts_and_never_off_released_orders(chief: Actor) -> None:
    fleet({"V-1": (10,)})
    found = planned()
    publish(chief, found.pk, visit_ids=[found.visits.get().pk])
    unlock(chief, found.pk, found.visits.get().pk)
    order_ = WorkOrder.objects.get()
    assert order_.planned_on is None
    WorkOrder.objects.update(state=WorkOrder.State.RELEASED, planned_on=found.visits.get().on)
    with pytest.raises(Refused):
        unlock(chief, found.pk, found.visits.get().pk)


def test_planning_anew_notes_how_far_it_is(chief: Actor, monkeypatch: pytest.MonkeyPatch) -> None:
    fleet({"V-1": (20,)})
    seen = []
    shown = ledger.renew

    def noted(run: Run, share: float) -> None:
        shown(run, share)
        seen.append((share, how_far(scene.depot())))

    monkeypatch.setattr(ledger, "renew", noted)
    assert how_far(scene.depot()) is None
    replan(chief, scene.depot())
    assert seen == [(0.1, 0.1), (0.3, 0.3), (0.9, 0.9)]
    assert how_far(scene.depot()) is None
    replan(chief, scene.depot())  # nothing has changed: it is read and stays
    assert seen[3:] == [(0.1, 0.1)]
    row = Run.objects.get(job="plan anew")
    assert (row.part, row.on, row.state) == ("plain", TODAY, Run.State.DONE)


def test_planning_anew_says_what_came_of_it(chief: Actor) -> None:
    (van,) = fleet({"V-1": (20,)})
    moves_are_free()
    first = replan(chief, scene.depot())
    assert (first.before, first.same, first.after.services) == (None, False, 1)
    assert replan(chief, scene.depot()).same
    DueDate.objects.filter(vehicle=van).update(
        **dict.fromkeys(("km_p10", "km_p50", "km_p90"), TODAY + timedelta(days=40))
    )
    again = replan(chief, scene.depot())
    assert (again.same, again.moved) == (False, 1)


def test_a_move_while_a_plan_is_computed_is_not_lost(
    chief: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    (van,) = fleet({"V-1": (20,)})
    planned()
    DueDate.objects.filter(vehicle=van).update(km_p50=TODAY + timedelta(days=21))
    draw, done = plans.draw, []

    def slow(*given: object) -> plans.Drawn:
        if not done:
            done.append(moved(chief, "V-1", 8))
        return draw(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(plans, "draw", slow)
    assert planned().visits.get().on == TODAY + timedelta(days=8)
