"""Past forecasts of one service: as the program did say at the time, and what came of them."""

from datetime import date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import chain
from fleet.due.models import DueDate, Fill, GuardFactor, Limit, Service
from fleet.hindcast.earlier import Earlier, earlier_forecasts
from fleet.stores.models import Product
from fleet.usage.models import SeasonIndex
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db

SIX_AGO = datetime(2025, 12, 15, 9, tzinfo=NOW.tzinfo)


def six_months_ago(vehicle: Vehicle, service: Service) -> Earlier:
    return earlier_forecasts(vehicle, [service], NOW, [6])[service.pk][0]


def said_then(vehicle: Vehicle, service: Service) -> tuple[date | None, ...]:
    """Dates that the program stored half a year ago, when it knew no later reading."""
    chain.refresh([vehicle.pk], SIX_AGO)
    row = DueDate.objects.get(vehicle=vehicle, service=service)
    return row.p10, row.p50, row.p90


def driven(km_per_week_after: float) -> tuple[Vehicle, Service, tuple[date | None, ...]]:
    """A van read weekly for 40 weeks, then for 26 more; and what was said in between."""
    oil, vehicle = scene.service(km=40_000, months=None), scene.van()
    scene.done(vehicle, oil, date(2025, 3, 10), 10_000)
    before = scene.jittered(1, 10_000, 40)
    scene.readings(vehicle, before, until=SIX_AGO)
    said = said_then(vehicle, oil)
    scene.readings(vehicle, scene.steady(before[-1] + 700, km_per_week_after, 26), until=NOW)
    chain.refresh([vehicle.pk], NOW)
    return vehicle, oil, said


def asked(vehicle: Vehicle, services: list[Service]) -> int:
    """How often the database is asked for three days of some services."""
    with CaptureQueriesContext(connection) as queries:
        found = earlier_forecasts(vehicle, services, NOW)
    assert [len(each) for each in found.values()] == [3] * len(services)
    return len(queries)


def season_from(vehicle: Vehicle, month_end_on: date) -> None:
    SeasonIndex.objects.create(
        type_pk=vehicle.vehicle_type_id,
        depot_pk=vehicle.depot_id,
        month_end_on=month_end_on,
        in_force=True,
        took_force=True,
        factors=[1.2, *[1.0] * 10, 0.8],
        vehicles=30,
    )


def test_what_all_days_and_services_rest_on_is_read_once() -> None:
    vehicle, oil, _ = driven(700)
    limit = Limit.objects.get(service=oil)
    other, limit.pk = scene.service("engine"), None
    assert asked(vehicle, [oil]) == asked(vehicle, [oil, other]) == 7
    limit.product = Product.objects.create(slug="long-oil", name="Long oil", source="invented")
    limit.save()
    season_from(vehicle, date(2025, 3, 1))
    assert asked(vehicle, [other, oil]) == 8  # and what the compartments hold


def test_each_service_is_looked_back_at_as_if_alone() -> None:
    vehicle, oil, _ = driven(700)
    other = scene.service("engine", km=30_000)
    scene.done(vehicle, other, date(2025, 4, 1), 12_000)
    alone = earlier_forecasts(vehicle, [oil], NOW) | earlier_forecasts(vehicle, [other], NOW)
    assert earlier_forecasts(vehicle, [other, oil], NOW) == alone
    assert alone[oil.pk] != alone[other.pk]


def test_nothing_is_said_of_a_service_without_limits_or_of_a_vehicle_that_is_sold() -> None:
    vehicle, oil, _ = driven(700)
    other = scene.service("engine")
    other.limits.all().delete()
    assert set(earlier_forecasts(vehicle, [oil, other], NOW)) == {oil.pk}
    vehicle.status = Vehicle.Status.SOLD
    assert earlier_forecasts(vehicle, [oil], NOW) == {}


def test_a_season_of_then_bends_the_dates() -> None:
    vehicle, oil, said = driven(700)
    season_from(vehicle, date(2026, 1, 1))
    assert six_months_ago(vehicle, oil).p50 == said[1]
    season_from(vehicle, date(2025, 3, 1))
    assert six_months_ago(vehicle, oil).p50 != said[1]


def test_a_limit_of_the_product_filled_by_then_counts() -> None:
    oil, vehicle = scene.service(km=40_000, months=None), scene.van()
    long = Product.objects.create(slug="long-oil", name="Long oil", source="invented")
    Limit.objects.create(service=oil, duty_class="normal", product=long, limit_km=60_000)
    scene.done(vehicle, oil, date(2025, 3, 10), 10_000)
    place = {"vehicle": vehicle, "compartment": oil.compartment}
    Fill.objects.create(filled_on=date(2025, 3, 10), origin="product", product=long, **place)
    Fill.objects.create(filled_on=date(2026, 2, 1), origin="unknown", **place)
    scene.readings(vehicle, scene.jittered(1, 10_000, 40), until=SIX_AGO)
    scene.readings(vehicle, scene.steady(39_000, 700, 26), until=NOW)
    chain.refresh([vehicle.pk], NOW)
    with_long = six_months_ago(vehicle, oil).p50
    Fill.objects.filter(product=long).delete()
    assert with_long > six_months_ago(vehicle, oil).p50 + timedelta(days=150)  # 20,000 km more


def test_the_dates_are_those_the_program_gave_at_the_time() -> None:
    vehicle, oil, said = driven(700)
    found = six_months_ago(vehicle, oil)
    assert found.asked_on == SIX_AGO.date()
    assert (found.p10, found.p50, found.p90) == said


def test_a_limit_reached_since_is_held_against_the_band() -> None:
    vehicle, oil, _ = driven(700)
    found = six_months_ago(vehicle, oil)
    # now that readings lie beyond the limit, the due date itself is the day it was crossed
    assert found.reached_on == DueDate.objects.get(vehicle=vehicle, service=oil).p50
    assert found.inside is True


def test_a_limit_reached_much_sooner_lies_outside_the_band() -> None:
    vehicle, oil, said = driven(2_500)
    found = six_months_ago(vehicle, oil)
    assert found.reached_on is not None
    assert found.reached_on < said[0]
    assert found.inside is False


def test_a_limit_not_reached_by_the_latest_day_was_a_wrong_forecast() -> None:
    oil, vehicle = scene.service(km=30_000, months=None), scene.van()
    scene.done(vehicle, oil, date(2025, 3, 10), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 28), until=SIX_AGO)  # 1,100 km are left
    scene.readings(vehicle, [28_950.0, 29_000.0], every_d=30, until=NOW)
    chain.refresh([vehicle.pk], NOW)
    found = six_months_ago(vehicle, oil)
    assert (found.reached_on, found.inside) == (None, False)


def test_a_service_done_since_does_not_change_what_was_said() -> None:
    vehicle, oil, said = driven(700)
    scene.done(vehicle, oil, NOW.date() - timedelta(days=20), 50_000)
    found = six_months_ago(vehicle, oil)
    assert (found.p10, found.p50, found.p90) == said
    assert found.done_on == NOW.date() - timedelta(days=20)


def test_calendar_limits_come_true_on_their_day() -> None:
    oil, vehicle = scene.service(km=None, months=12), scene.van()
    scene.done(vehicle, oil, date(2025, 5, 2), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 70, 60), until=NOW)
    chain.refresh([vehicle.pk], NOW)
    found = six_months_ago(vehicle, oil)
    assert found.p10 == found.p90 == found.reached_on == date(2026, 5, 2)
    assert found.inside is True


def test_nothing_is_said_before_there_was_a_history() -> None:
    oil, vehicle = scene.service(), scene.van()
    scene.done(vehicle, oil, date(2026, 4, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 5), until=NOW)
    chain.refresh([vehicle.pk], NOW)
    found = earlier_forecasts(vehicle, [oil], NOW)[oil.pk]
    assert [then.asked_on for then in found] == [
        *(date(2026, 3, 15), date(2025, 12, 15), date(2025, 6, 15)),
    ]
    assert {(then.p50, then.inside) for then in found} == {(None, None)}


def test_a_factor_of_the_guard_counts_from_its_month_on() -> None:
    vehicle, oil, said = driven(700)
    rest = {"factor": 2.0, "outcomes": 300, "inside_share": 0.7}
    GuardFactor.objects.create(month_end_on=date(2026, 1, 31), **rest)
    assert six_months_ago(vehicle, oil).p90 == said[2]
    GuardFactor.objects.create(month_end_on=date(2025, 10, 31), **rest)
    assert six_months_ago(vehicle, oil).p90 > said[2]
