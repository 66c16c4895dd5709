"""A year under each kind of change, counted by hand."""

from datetime import date

import pytest
from django.db import transaction

from fleet import chain
from fleet.consumables.demand import forecast_demand
from fleet.consumables.models import MonthlyDemand
from fleet.due.models import Limit, Service, ServiceDone
from fleet.stores.models import Item, Pack
from fleet.vehicles.models import Vehicle
from fleet.visits.models import Mechanic
from tests import scene
from tests.kept import kept
from tests.scene import NOW
from tests.whatif.tiny import TODAY, fleet, lived, row, total, van

pytestmark = pytest.mark.django_db


@kept
def tiny() -> Item:
    return fleet()


def driven(weeks: int) -> None:
    """100 km a day, as read each week."""
    scene.readings(van(), scene.steady(10_000, 700, weeks))
    chain.refresh([van().pk], NOW)


def test_a_year_as_it_is_can_be_counted(tiny: Item) -> None:
    year = lived()
    assert total(year, "services") == 6  # 15 July, September, November, January, March, May
    assert total(year, "work_min") == 6 * (40 + 20)
    assert total(year, "labour_minor") == 6 * 6_000
    assert year.items[tiny.pk].sum(axis=(0, 1)).tolist() == [6 * 1_500] * 99
    by_month = year.figures["services"][0, :, 0]
    assert by_month.tolist() == [0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0]


def test_half_the_interval_is_twice_the_changes_minutes_and_fluid(tiny: Item) -> None:
    year = lived(row("limit months", "van/engine-oil", "x 0.5"))
    assert total(year, "services") == 12
    assert total(year, "work_min") == 12 * 60
    assert year.items[tiny.pk].sum(axis=(0, 1))[0] == 12 * 1_500


def test_a_change_from_a_day_on_leaves_the_time_before_alone(tiny: Item) -> None:
    # July, September, November, January and March as they were; then April and each month after
    year = lived(row("limit months", "*/engine-oil", 1, "2027-03-20"))
    assert total(year, "services") == 3 + 1 + 1 + 2
    by_month = year.figures["services"][0, :, 0]
    assert by_month.tolist() == [0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0]


def test_changes_that_follow_each_other_closely_each_hold_from_their_day(tiny: Item) -> None:
    # July; monthly from 20 August: 20 (by then due), 20 September; then every third month
    monthly = row("limit months", "*/engine-oil", 1, "2026-08-20")
    seldom = row("limit months", "*/engine-oil", 3, "2026-09-25")
    by_month = lived(monthly, seldom).figures["services"][0, :, 0]
    assert by_month.tolist() == [0, 1, 1, 1, 0, 0, 1, 0, 0, 1, 0, 0, 0]


def test_other_prices_cost_more_from_their_day_on(tiny: Item) -> None:
    Pack.objects.filter(item=tiny).update(
        price_minor=1_000, price_source=scene.INVENTED
    )  # 20 a litre
    year = lived(row("product price", "brake-fluid", "+50 %", "2026-12-01"))
    # three changes of 1.5 L at 20 a litre, three at 30
    assert total(year, "materials_minor") == pytest.approx(3 * 3_000 + 3 * 4_500)


def test_a_vehicle_that_is_sold_needs_nothing_more(tiny: Item) -> None:
    assert total(lived(row("sell", "V-1", "", "2026-12-01")), "services") == 3


def test_vehicles_that_are_added_need_what_the_one_they_are_like_needs(tiny: Item) -> None:
    driven(20)
    year = lived(row("add vehicles", "V-1@plain", 2, "2027-01-01"))
    # new on 1 January and due every second month: 1 March and 1 May
    assert total(year, "services") == 6 + 2 * 2
    assert total(year, "visits") == 10


def test_a_vehicle_that_moves_is_done_where_it_is(tiny: Item) -> None:
    coast = scene.depot("coast")
    year = lived(row("move", "V-1", "coast", "2026-12-01"))
    assert year.figures["services"].sum(axis=(1, 2)).tolist() == [3 * 99, 3 * 99]
    assert coast.slug < scene.depot().slug  # the first row is the coast's
    assert total(year, "services") == 6


def test_too_few_minutes_are_late_days_and_one_more_mechanic_is_fewer(tiny: Item) -> None:
    others = [scene.van(f"V-{number}") for number in range(2, 6)]
    for one in others:
        scene.done(one, Service.objects.get(), ServiceDone.objects.get(vehicle=van()).done_on, None)
    Mechanic.objects.update(minutes=60)
    # five vehicles due on one day, one visit a day: 0 + 1 + 2 + 3 + 4 days late, six times, but
    # that those late once are spread from then on: the first time counts
    assert lived().figures["overdue_d"][0, 1, 0] == 10
    more = lived(row("mechanic", "plain", "60 Mon-Sun"), row("bay", "plain"))
    # two visits a day: 0 + 0 + 1 + 1 + 2
    assert more.figures["overdue_d"][0, 1, 0] == 4


def test_more_hands_than_bays_change_nothing_and_it_is_said(tiny: Item) -> None:
    year = lived(row("mechanic", "plain", "480 Mon-Sun"))
    assert any("bays have fewer minutes than the mechanics on 365 days" in n for n in year.notes)
    assert year.mechanic_min["plain"] == 2 * 480 * 365


def test_a_severe_class_is_done_by_its_limit(tiny: Item) -> None:
    service = Service.objects.get()
    Limit.objects.create(service=service, duty_class="severe", limit_months=1, source="test")
    assert total(lived(row("duty class", "type:van/engine", "severe")), "services") == 12


def test_driving_twice_as_far_is_twice_the_changes(tiny: Item) -> None:
    Limit.objects.update(limit_months=None, limit_km=6_000)
    driven(60)
    ServiceDone.objects.update(total_km=50_000)
    one = lived().figures["services"].sum(axis=(0, 1)).mean()
    two = lived(row("km per day", "V-1", "x 2")).figures["services"].sum(axis=(0, 1)).mean()
    assert one == pytest.approx(365 * 100 / 6_000, abs=0.7)
    assert two == pytest.approx(2 * one, abs=1)


def test_a_year_agrees_with_the_forecast_of_demand(tiny: Item) -> None:
    """With time enough for all work the days followed use what the forecast says is used."""
    Limit.objects.update(limit_months=None, limit_km=6_000)
    for number in range(2, 8):
        other = scene.van(f"V-{number}")
        scene.readings(other, scene.jittered(number, 10_000, 40))
        scene.done(other, Service.objects.get(), TODAY.replace(month=5), 34_000 + 800 * number)
    with transaction.atomic():
        ids = Vehicle.objects.values_list("pk", flat=True)
        chain.refresh(list(ids), NOW)
        forecast_demand(TODAY, [scene.depot().pk])
        said = sum(MonthlyDemand.objects.filter(item=tiny).values_list("mean", flat=True))
        transaction.set_rollback(True)
    used = lived().items[tiny.pk][0, :12].sum(axis=0).mean()  # its months end with May as well
    assert used == pytest.approx(said, rel=0.03)
    assert said > 20_000


@pytest.mark.usefixtures("tiny")
def test_what_would_have_been_late_before_the_first_day_is_told_beside_the_plans_cost() -> None:
    """By the planner's usual prices a day late of a change is 40.00, a visit 50.00. Done in April,
    it is due today every two months, and was on 15 May every month; done today it costs a visit."""
    ServiceDone.objects.update(done_on=date(2026, 4, 15))
    (as_it_is,) = lived().plans
    (changed,) = lived(row("limit months", "*", "1")).plans
    assert (as_it_is["before"], changed["before"]) == (0, 31 * 4_000)
    assert as_it_is["cost"] == changed["cost"] == 5_000
