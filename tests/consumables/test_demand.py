"""The forecast of a month is counted by hand, or held against the due dates it must agree with."""

from datetime import date, timedelta

import numpy as np
import pytest

from fleet import chain
from fleet.consumables.ahead import Calendar, look_ahead
from fleet.consumables.demand import forecast_demand
from fleet.consumables.gather import gather
from fleet.consumables.learn import learn
from fleet.consumables.models import FirstForecast, ForecastDay, MonthlyDemand, OrderProposal
from fleet.consumables.recipes import gather_recipes
from fleet.due.choose import Chosen, choose
from fleet.due.models import DueDate, Service
from fleet.due.rules import gather_basis
from fleet.people.actor import Actor
from fleet.stores.models import Item, Product, Specification
from fleet.vehicles.models import Vehicle
from fleet.workorders.models import Job, Material, Procedure, WorkOrder
from tests import scene
from tests.scene import INVENTED, NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db
TODAY = NOW.date()


def taking(service: Service, item: Item, quantity: int, kind: str = "fluid") -> None:
    """A procedure of the service that takes so much of an item."""
    procedure, _ = Procedure.objects.get_or_create(
        service=service,
        defaults={"family": "other", "edition": "1", "source": INVENTED, "minutes": 40},
    )
    amount = {"quantity_ml": quantity} if item.unit == "mL" else {"pieces": quantity}
    Material.objects.create(
        procedure=procedure, kind=kind, name=item.name, item=item, source=INVENTED, **amount
    )


def due_on(on: date, quantity: int = 1_500) -> tuple[Vehicle, Item]:
    """A van whose brake fluid falls due by the calendar alone, every two years."""
    brake = scene.service("engine", km=None, months=24)
    item = shelf.item("brake-fluid", packs=(500,))
    taking(brake, item, quantity)
    van = scene.van()
    scene.done(van, brake, on.replace(year=on.year - 2), None)
    chain.refresh([van.pk], NOW)
    return van, item


def demand(item: Item) -> dict[date, MonthlyDemand]:
    forecast_demand(TODAY, [scene.depot().pk])
    return {row.month_on: row for row in MonthlyDemand.objects.filter(item=item)}


def months_ahead(months: int) -> date:
    first = np.datetime64(TODAY, "M") + months
    return first.astype("M8[D]").item()


def test_a_calendar_limit_fills_its_own_month_and_no_other() -> None:
    _, item = due_on(months_ahead(2).replace(day=9))
    rows = demand(item)
    assert len(rows) == 12
    # by hand: one change of 1.5 L in that month, certain
    expected = rows.pop(months_ahead(2))
    assert (expected.mean, expected.p50, expected.p95) == (1500, 1500, 1500)
    assert {row.mean for row in rows.values()} == {0}


@pytest.mark.parametrize(("days_ago", "months"), [(200, 0), (0, 0), (-16, 1)])
def test_what_is_overdue_falls_in_the_present_month_and_in_no_other(
    days_ago: int, months: int
) -> None:
    _, item = due_on(TODAY - timedelta(days=days_ago))  # 16 days on July begins
    rows = demand(item)
    assert rows.pop(months_ahead(months)).p95 == 1500
    assert {row.mean for row in rows.values()} == {0}


def test_a_released_order_moves_the_demand_to_its_day() -> None:
    van, item = due_on(months_ahead(2).replace(day=9))
    service = Service.objects.get(slug="engine-oil")
    order = WorkOrder.objects.create(
        number="W-1", vehicle=van, depot=van.depot, state="released", planned_on=months_ahead(1)
    )
    Job.objects.create(order=order, vehicle=van, service=service, title="Engine oil")
    rows = demand(item)
    assert (rows[months_ahead(1)].p50, rows[months_ahead(2)].p50) == (1500, 0)


def test_a_drafted_order_moves_nothing() -> None:
    van, item = due_on(months_ahead(2).replace(day=9))
    order = WorkOrder.objects.create(
        number="W-1", vehicle=van, depot=van.depot, planned_on=months_ahead(1)
    )
    service = Service.objects.get(slug="engine-oil")
    Job.objects.create(order=order, vehicle=van, service=service, title="Engine oil")
    assert demand(item)[months_ahead(2)].p50 == 1500


def test_an_unknown_history_is_not_guessed() -> None:
    item = shelf.item("brake-fluid")
    taking(scene.service("engine", km=None, months=24), item, 1_500)
    chain.refresh([scene.van().pk], NOW)
    assert DueDate.objects.get().history_known is False
    assert demand(item) == {}


def test_a_sealed_pack_for_each_job_is_used_up_whole() -> None:
    _, item = due_on(months_ahead(2).replace(day=9), quantity=700)
    Item.objects.update(draw=Item.Draw.WHOLE_PACKS, hygroscopic=True)
    # by hand: .7 L out of packs of .5 L opens two
    assert demand(item)[months_ahead(2)].p50 == 1000


def test_the_second_run_of_a_day_writes_nothing() -> None:
    _, item = due_on(TODAY + timedelta(days=20))
    shelf.stock(item, lead_time_d=7, review_period_d=30)
    # by hand: twelve months, what the shelf must hold, and one order
    assert forecast_demand(TODAY, [scene.depot().pk]) == 12 + 1 + 1
    assert forecast_demand(TODAY, [scene.depot().pk]) == 0
    Material.objects.all().delete()
    item.stock.all().delete()
    assert forecast_demand(TODAY, [scene.depot().pk]) == 12 + 1 + 1  # as many are gone again
    assert not MonthlyDemand.objects.exists()


def test_without_an_item_nothing_is_forecast() -> None:
    assert forecast_demand(TODAY, [scene.depot().pk]) == 0
    assert not ForecastDay.objects.exists()


def test_the_first_forecast_of_a_month_stays_as_it_was() -> None:
    _, item = due_on(months_ahead(2).replace(day=9))
    demand(item)
    made = FirstForecast.objects.get(item=item, month_on=months_ahead(2))
    Material.objects.update(quantity_ml=3_000)
    demand(item)
    made.refresh_from_db()
    assert (made.p50, made.made_in) == (1500, months_ahead(0))


def driven() -> tuple[Vehicle, DueDate]:
    """A van that drives 100 km a day towards a limit some months away."""
    gearbox = scene.service("gearbox", km=20_000, months=None)
    taking(gearbox, shelf.item("gear-oil"), 1_500)
    van = scene.van()
    scene.done(van, gearbox, date(2026, 3, 1), 10_000)
    scene.readings(van, scene.jittered(3, 11_000, 16))
    chain.refresh([van.pk], NOW)
    return van, DueDate.objects.get(vehicle=van)


@pytest.mark.parametrize(("quantile", "share"), [("p10", 0.1), ("p50", 0.5), ("p90", 0.9)])
def test_demand_agrees_with_the_due_date(quantile: str, share: float) -> None:
    van, due = driven()
    basis, recipes = gather_basis(), gather_recipes()
    days = (getattr(due, quantile) - TODAY).days + 1  # up to the end of that day
    found = look_ahead(
        van.depot_id,
        gather(van.depot_id, basis.rules),
        Calendar.of(TODAY, [days]),
        recipes,
        learn(TODAY, recipes),
        0.0,
        basis.rules.widening,
    )
    (laws,) = found.laws.values()
    # the due date's quantile is the day by which the oil was needed with just that probability
    assert laws[-1].mean / 1500 == pytest.approx(share, abs=0.03)


def test_the_night_forecasts_demand() -> None:
    driven()
    run = chain.nightly(TODAY, "UTC")
    assert run.counts["demand rows"] == MonthlyDemand.objects.count() > 0


# --- what to order ---------------------------------------------------------------------------
def proposed(item: Item) -> OrderProposal | None:
    forecast_demand(TODAY, [scene.depot().pk])
    return OrderProposal.objects.filter(item=item).first()


def test_an_order_covers_what_is_needed_until_the_next_one_in_whole_packs() -> None:
    _, item = due_on(TODAY + timedelta(days=20))
    shelf.stock(item, lead_time_d=7, review_period_d=30)
    found = proposed(item)
    assert found is not None
    # by hand: 1.5 L within 37 days, nothing there: three packs of half a litre
    assert (found.needed, found.packs, found.quantity) == (1500, 3, 1500)


def test_what_is_on_hand_and_on_order_is_not_ordered_again() -> None:
    _, item = due_on(TODAY + timedelta(days=20))
    shelf.stock(item, on_hand=400)
    shelf.arrival(item, quantity=500, ordered_on=TODAY, due_on=TODAY + timedelta(days=5))
    found = proposed(item)
    assert found is not None
    assert (found.packs, found.on_hand, found.on_order) == (2, 400, 500)  # .6 L are lacking


def test_a_proposal_goes_when_the_stock_is_there() -> None:
    _, item = due_on(TODAY + timedelta(days=20))
    kept = shelf.stock(item)
    assert proposed(item) is not None
    kept.on_hand = 2_000
    kept.save()
    assert proposed(item) is None


def test_nothing_is_ordered_that_would_be_too_old_before_it_is_used() -> None:
    _, item = due_on(TODAY + timedelta(days=20))
    Item.objects.update(shelf_life_d=120)
    shelf.stock(item)
    # by hand: 1.5 L a year is about half a litre in 120 days: no more than one pack of .5 L
    found = proposed(item)
    assert found is None or (found.packs <= 1 and found.capped_by_shelf_life)


@pytest.mark.parametrize("seals", [0, 1])
def test_a_vehicle_with_a_chosen_fluid_takes_that_one_and_the_rest_theirs(seals: int) -> None:
    van, item = due_on(months_ahead(2).replace(day=9))
    for number in range(seals):
        seal = shelf.item(f"seal-{number}", kind="seal", unit="pieces")
        taking(Service.objects.get(slug="engine-oil"), seal, 1, kind="seal")
    other = scene.van("V-2")
    brake = Service.objects.get(slug="engine-oil")
    scene.done(other, brake, months_ahead(2).replace(day=9, year=months_ahead(2).year - 2), None)
    chain.refresh([other.pk], NOW)
    tried = shelf.item("dearer", packs=(500,), product=shelf.product("dearer"))
    Item.objects.filter(pk=item.pk).update(product=shelf.product("usual"))
    choose(
        Actor(None, "test", NOW),
        [Chosen(van, brake.compartment, tried.product, "a trial", INVENTED, TODAY)],
    )
    accept(brake, "usual", "dearer")
    # by hand: both change once in that month, 1.5 L of the one oil and 1.5 L of the other, and
    # both take a seal where there is one
    assert demand(item)[months_ahead(2)].mean == 1500
    assert demand(tried)[months_ahead(2)].mean == 1500
    taken = MonthlyDemand.objects.filter(item__kind="seal", month_on=months_ahead(2))
    assert [row.mean for row in taken] == [2] * seals


def test_of_two_items_of_one_product_the_one_on_the_shelf_is_counted() -> None:
    van, item = due_on(months_ahead(2).replace(day=9))
    brake = Service.objects.get(slug="engine-oil")
    first = shelf.item("a-drum", product=shelf.product("dearer"))
    second = shelf.item("bottles", product=first.product)
    Item.objects.filter(pk=item.pk).update(product=shelf.product("usual"))
    choose(
        Actor(None, "test", NOW),
        [Chosen(van, brake.compartment, first.product, "a trial", INVENTED, TODAY)],
    )
    accept(brake, "usual", "dearer")
    assert demand(first)[months_ahead(2)].mean == 1500  # none is kept: the first by name
    shelf.stock(second)
    assert demand(second)[months_ahead(2)].mean == 1500
    assert not MonthlyDemand.objects.filter(item=first, mean__gt=0).exists()


def accept(service: Service, *slugs: str) -> None:
    wanted = Specification.objects.create(slug="wanted", name="Wanted", source=INVENTED)
    service.compartment.accepted_fluids.create(specification=wanted, source=INVENTED)
    for product in Product.objects.filter(slug__in=slugs):
        product.claims.create(specification=wanted, source=INVENTED)
