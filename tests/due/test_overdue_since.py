"""The day a limit was passed stays, whatever takes effect later."""

from datetime import date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from fleet import chain
from fleet.due.listing import DueFilter, DueRow, due_rows
from fleet.due.models import DueDate, Limit, Service
from fleet.duty.models import DutyOverride
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db

TODAY = NOW.date()


def days_ago(days: float) -> date:
    return TODAY - timedelta(days=days)


def classed(vehicle: Vehicle, of: Service, from_on: date, duty_class: str = "severe") -> None:
    DutyOverride.objects.create(
        vehicle=vehicle,
        compartment=of.compartment,
        from_on=from_on,
        until_on=TODAY + timedelta(days=900),
        duty_class=duty_class,
        reason="seen on the road",
    )


def shown(vehicle: Vehicle, now: datetime = NOW) -> DueRow:
    chain.refresh([vehicle.pk], now)
    (row,) = due_rows(DueFilter(vehicle=vehicle.fleet_number), now=now)
    return row


@pytest.fixture
def oil() -> Service:
    """Every 30,000 km, in severe duty every 20,000 km."""
    scene.service(km=30_000, months=None)
    return scene.service(km=20_000, months=None, duty_class="severe")


@pytest.fixture
def vehicle(oil: Service) -> Vehicle:
    """100 km a day since it was done 350 days ago at 0 km: 35,000 km at the last reading."""
    found = scene.van()
    scene.done(found, oil, days_ago(350), 0)
    scene.readings(found, scene.steady(0, 1_000, 36), every_d=10)
    return found


# by hand: 30,000 km were reached 50 days ago, whatever the class since
@pytest.mark.parametrize("turned", [49, 40, 33, 20, 1, 0])
def test_turning_severe_later_moves_no_day(vehicle: Vehicle, oil: Service, turned: int) -> None:
    assert shown(vehicle).p50 == days_ago(50)
    classed(vehicle, oil, days_ago(turned))
    row = shown(vehicle)
    assert (row.state, row.p10, row.p50, row.p90) == ("overdue", *[days_ago(50)] * 3)
    # the class changes at midnight, 9 hours before the time of the readings: 37.5 km
    used = (35_000 - 100 * turned) / 30_000 + 100 * turned / 20_000
    assert row.life_used == pytest.approx(used, abs=0.001)


def test_a_change_before_that_day_counts_in_each_stretch(vehicle: Vehicle, oil: Service) -> None:
    # 15,000 of 30,000 km normal until 200 days ago, then 10,000 of 20,000 km: 100 days ago
    classed(vehicle, oil, days_ago(200))
    row = shown(vehicle)
    assert abs((row.p50 - days_ago(100)).days) <= 1  # the class changes at midnight
    assert row.life_used == pytest.approx(0.5 + 1.0, abs=0.002)


def test_overdue_stays_overdue_where_the_new_class_has_no_such_limit(
    vehicle: Vehicle, oil: Service
) -> None:
    Limit.objects.filter(duty_class="severe").update(limit_km=None, limit_months=120)
    classed(vehicle, oil, days_ago(30))
    row = shown(vehicle)
    assert (row.state, row.p50) == ("overdue", days_ago(50))
    assert row.life_used == pytest.approx(32_000 / 30_000, abs=0.002)


def test_what_was_used_of_a_limit_stays_used_where_the_new_class_has_none(
    vehicle: Vehicle, oil: Service
) -> None:
    Limit.objects.filter(duty_class="severe").update(limit_km=None, limit_months=120)
    classed(vehicle, oil, days_ago(200))
    row = shown(vehicle)
    assert row.state == "later"
    assert row.life_used == pytest.approx(0.5, abs=0.002)


def test_a_later_reading_moves_no_day(vehicle: Vehicle, oil: Service) -> None:
    classed(vehicle, oil, days_ago(13))
    assert shown(vehicle).p50 == days_ago(50)
    later = NOW + timedelta(days=30)
    scene.readings(vehicle, [50_000], until=later)
    assert shown(vehicle, later).p50 == days_ago(50)


def test_with_readings_far_apart_the_day_lies_between_the_two_about_it(oil: Service) -> None:
    rare = scene.van("V-2")
    scene.done(rare, oil, days_ago(400), 0)
    # by hand: 20,000 km 200 days ago and 40,000 km 50 days ago: 30,000 km 125 days ago
    scene.readings(rare, [20_000, 40_000], every_d=150, until=NOW - timedelta(days=50))
    scene.readings(rare, [44_000], until=NOW)
    assert shown(rare).p50 == days_ago(125)
    scene.readings(rare, [90_000], until=NOW + timedelta(days=60))
    assert shown(rare, NOW + timedelta(days=60)).p50 == days_ago(125)


def test_a_class_that_changed_before_the_first_reading_counts_from_the_service(
    oil: Service,
) -> None:
    bought = scene.van("V-2")
    scene.done(bought, oil, days_ago(200), 0)
    scene.readings(bought, [10_000], until=NOW - timedelta(days=100))
    scene.readings(bought, [20_000], until=NOW)
    classed(bought, oil, days_ago(150))
    # by hand: 5,000 km normal of 30,000, 15,000 km severe of 20,000
    row = shown(bought)
    assert row.life_used == pytest.approx(5_000 / 30_000 + 15_000 / 20_000, abs=0.003)


# --- calendar ----------------------------------------------------------------------------------
@pytest.fixture
def by_calendar() -> Service:
    """Every 12 months, in severe duty every 6."""
    scene.service(km=None, months=12)
    return scene.service(km=None, months=6, duty_class="severe")


def test_a_service_overdue_by_the_calendar_keeps_its_life_after_a_class_change(
    by_calendar: Service,
) -> None:
    van = scene.van()
    scene.done(van, by_calendar, date(2025, 2, 15), None)
    before = shown(van)
    # by hand: due on 15 February 2026, 485 days of 365 used on 15 June
    assert (before.state, before.p50) == ("overdue", date(2026, 2, 15))
    assert before.life_used == pytest.approx(485 / 365)
    classed(van, by_calendar, date(2026, 5, 1))
    row = shown(van)
    # 440 of 365 days normal, 45 of the 184 days from 1 May to 1 November severe
    assert (row.state, row.p50) == ("overdue", date(2026, 2, 15))
    assert row.life_used == pytest.approx(440 / 365 + 45 / 184)


def test_it_stays_overdue_where_the_new_class_has_no_calendar_limit(by_calendar: Service) -> None:
    van = scene.van()
    scene.done(van, by_calendar, date(2025, 2, 15), 0)
    Limit.objects.filter(duty_class="severe").update(limit_km=90_000, limit_months=None)
    classed(van, by_calendar, date(2026, 5, 1))
    row = shown(van)
    assert (row.state, row.p50) == ("overdue", date(2026, 2, 15))
    assert row.life_used == pytest.approx(440 / 365)


def test_a_yearly_day_that_was_passed_stays_where_the_new_class_has_none() -> None:
    check = scene.service(km=None, months=None, yearly_month=10, yearly_day=1)
    scene.service(km=None, months=60, duty_class="severe")
    van = scene.van()
    scene.done(van, check, date(2025, 3, 1), None)
    assert shown(van).p50 == date(2025, 10, 1)
    used = shown(van).life_used
    classed(van, check, date(2026, 3, 1))
    row = shown(van)
    assert (row.state, row.p50) == ("overdue", date(2025, 10, 1))
    assert row.life_used == used == pytest.approx(471 / 214)  # days since 1 March


def test_of_two_yearly_days_the_one_that_was_passed_first_stays() -> None:
    check = scene.service(km=None, months=None, yearly_month=10, yearly_day=1)
    scene.service(km=None, months=None, duty_class="severe", yearly_month=12, yearly_day=1)
    van = scene.van()
    scene.done(van, check, date(2025, 3, 1), None)
    classed(van, check, date(2025, 11, 1))
    assert shown(van).p50 == date(2025, 10, 1)


# --- whatever comes ----------------------------------------------------------------------------
CLASSES = st.lists(
    st.tuples(st.integers(0, 49), st.sampled_from(["normal", "severe"])),
    max_size=3,
    unique_by=lambda given: given[0],
)


@pytest.mark.any_database  # each of them alone is asked of both, above
class Whatever(TestCase):
    @settings(max_examples=15, deadline=None)
    @given(CLASSES, st.lists(st.integers(1, 900), max_size=3))
    def test_no_later_class_or_reading_moves_the_day_a_limit_was_passed(
        self, classes: list[tuple[int, str]], steps: list[int]
    ) -> None:
        scene.service(km=30_000, months=None)
        oil = scene.service(km=20_000, months=None, duty_class="severe")
        van = scene.van()
        scene.done(van, oil, days_ago(350), 0)
        scene.readings(van, scene.steady(0, 1_000, 36), every_d=10)
        life = shown(van).life_used
        for turned, duty_class in sorted(classes, reverse=True):
            classed(van, oil, days_ago(turned), duty_class)
            assert shown(van).p50 == days_ago(50)
        km, now = 35_000, NOW
        for step in steps:
            km, now = km + step, now + timedelta(days=1)
            scene.readings(van, [km], until=now)
            row = shown(van, now)
            assert (row.state, row.p50) == ("overdue", days_ago(50))
            assert row.life_used >= life
            life = row.life_used
        assert DueDate.objects.get().remaining_km < 0
