from datetime import date, timedelta

import numpy as np
import pytest

from fleet import chain
from fleet.due import forecast
from fleet.due.models import BindingLimit, DueDate, Fill, Limit, Service, ServiceDone
from fleet.duty.models import DutyOverride
from fleet.stores.models import Product
from fleet.vehicles.models import Meter, Vehicle, VehicleType
from tests import scene
from tests.scene import INVENTED, NOW

pytestmark = pytest.mark.django_db

TODAY = NOW.date()


def due(vehicle: Vehicle, service: Service) -> DueDate:
    chain.refresh([vehicle.pk], NOW)
    return DueDate.objects.get(vehicle=vehicle, service=service)


def test_a_vehicle_and_a_service_are_one_pair_whatever_their_numbers() -> None:
    # numbers of services that would meet those of other vehicles under a smaller factor
    services = np.array([1, 5, 63, 249, 2**31 - 1])
    vehicle, service = (each.ravel() for each in np.meshgrid(np.arange(1, 9), services))
    assert len(np.unique(forecast._pair(vehicle, service))) == 8 * 5


def test_three_years_or_60000_km_is_due_by_the_calendar_after_three_years_and_40000_km() -> None:
    # worked example, common practice, no source: due today, calendar binds, .667 by distance
    oil, vehicle = scene.service(km=60_000, months=36), scene.van()
    scene.done(vehicle, oil, date(2023, 6, 15), 10_000)
    scene.readings(vehicle, scene.steady(50_000 - 29 * 300, 300, 30))
    row = due(vehicle, oil)
    assert (row.calendar_on, row.p50, row.binding_limit) == (TODAY, TODAY, BindingLimit.CALENDAR)
    assert row.meter_life == pytest.approx(40_000 / 60_000)


def test_distance_binds_when_it_is_reached_long_before_the_calendar() -> None:
    oil, vehicle = scene.service(km=20_000, months=48), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    row = due(vehicle, oil)
    # 26,100 km at the last reading, 3,900 km left at about 100 km a day: 39 days
    assert row.binding_limit == BindingLimit.KM
    assert row.binding_probability > 0.99
    assert abs((row.p50 - TODAY).days - 39) <= 4
    assert row.p10 < row.p50 < row.p90


def test_each_vehicle_reaches_its_limit_by_the_readings_of_its_own_meter() -> None:
    oil, vans = scene.service(km=20_000, months=48), [scene.van("V-1"), scene.van("V-2")]
    for van, km_per_week in zip(vans, (700, 350), strict=True):
        scene.done(van, oil, date(2026, 1, 1), 10_000)
        scene.readings(van, scene.steady(26_100 - 23 * km_per_week, km_per_week, 24))
    chain.refresh([van.pk for van in vans], NOW)
    # by hand: both have 3,900 km left, at 100 and at 50 km a day: 39 and 78 days
    for van, days in zip(vans, (39, 78), strict=True):
        row = DueDate.objects.get(vehicle=van, service=oil)
        assert abs((row.p50 - TODAY).days - days) <= 8


def test_a_reading_beyond_the_limit_gives_the_day_it_was_crossed() -> None:
    oil, vehicle = scene.service(km=20_000, months=48), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(20_000, 700, 16))
    row = due(vehicle, oil)
    # 30,000 km lies 500/700 of a week before the last reading at 30,500 km: 5 days earlier
    assert row.beyond_by_reading
    assert row.p10 == row.p50 == row.p90 == TODAY - timedelta(days=5)


@pytest.mark.parametrize(("before_d", "known"), [(0, True), (1, False)])
def test_a_limit_of_the_day_of_the_first_reading_was_watched(before_d: int, known: bool) -> None:
    # by hand: twelve months after 19 Jan 2025 end on the day of the first of 22 weekly readings
    oil = scene.service(km=None, months=12)
    began_on = date(2025, 1, 19) - timedelta(days=before_d)
    vehicle = scene.van(joined_as="new", in_service_on=began_on, in_service_km=0)
    scene.readings(vehicle, scene.steady(9_000, 200, 22))
    assert due(vehicle, oil).history_known is known


def test_a_used_vehicle_without_papers_has_no_date() -> None:
    oil, vehicle = scene.service(), scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    row = due(vehicle, oil)
    assert (row.history_known, row.p50, row.calendar_on, row.sort_on.year) == (
        *(False, None, None),
        9999,
    )


def test_a_vehicle_that_joined_new_counts_from_its_start_of_use() -> None:
    oil = scene.service(km=60_000, months=36)
    vehicle = scene.van(joined_as="new", in_service_on=date(2026, 1, 15), in_service_km=12)
    scene.readings(vehicle, scene.steady(20, 700, 20))
    row = due(vehicle, oil)
    assert (row.history_known, row.calendar_on) == (True, date(2029, 1, 15))
    assert row.remaining_km == pytest.approx(60_012 - (20 + 19 * 700))


def test_a_new_vehicle_watched_past_its_first_limit_is_overdue() -> None:
    oil = scene.service(km=10_000, months=36)
    vehicle = scene.van(joined_as="new", in_service_on=date(2026, 1, 15), in_service_km=0)
    scene.readings(vehicle, scene.steady(100, 700, 20))
    row = due(vehicle, oil)
    assert (row.history_known, row.beyond_by_reading) == (True, True)


def test_a_new_vehicle_first_read_beyond_its_limit_has_an_unknown_history() -> None:
    oil = scene.service(km=10_000, months=36)
    vehicle = scene.van(joined_as="new", in_service_on=date(2024, 1, 15), in_service_km=0)
    scene.readings(vehicle, scene.steady(40_000, 700, 20))
    assert not due(vehicle, oil).history_known


def test_the_first_time_may_have_its_own_limit() -> None:
    oil = scene.service(km=60_000, months=36)
    Limit.objects.create(
        service=oil, duty_class="normal", occasion="first", limit_km=15_000, source=INVENTED
    )
    vehicle = scene.van(joined_as="new", in_service_on=date(2026, 1, 15), in_service_km=0)
    scene.readings(vehicle, scene.steady(0, 700, 20))
    assert due(vehicle, oil).remaining_km == pytest.approx(15_000 - 13_300)
    scene.done(vehicle, oil, TODAY, 13_300)
    assert due(vehicle, oil).remaining_km == pytest.approx(60_000)


def test_a_correction_supersedes_what_was_recorded() -> None:
    oil, vehicle = scene.service(), scene.van()
    wrong = scene.done(vehicle, oil, date(2026, 6, 1), 90_000)
    right = scene.done(vehicle, oil, date(2025, 6, 1), 9_000)
    ServiceDone.objects.filter(pk=right.pk).update(supersedes=wrong)
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    row = due(vehicle, oil)
    assert (row.anchor, row.calendar_on) == (right, date(2028, 6, 1))


def test_a_yearly_service_is_due_on_its_day_of_the_year() -> None:
    check = scene.service(km=None, months=None, yearly_month=10, yearly_day=1)
    vehicle = scene.van()
    scene.done(vehicle, check, date(2026, 3, 1), None)
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    assert due(vehicle, check).calendar_on == date(2026, 10, 1)


def test_a_yearly_service_done_in_its_early_window_counts_for_that_year() -> None:
    check = scene.service(km=None, months=None, yearly_month=10, yearly_day=1)
    vehicle = scene.van()
    scene.done(vehicle, check, date(2025, 9, 20), None)
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    assert due(vehicle, check).calendar_on == date(2026, 10, 1)


def test_a_van_that_turns_severe_half_way_has_half_a_severe_interval_left() -> None:
    oil, vehicle = scene.service(km=40_000, months=None), scene.van()
    scene.service(km=20_000, months=None, duty_class="severe")
    scene.done(vehicle, oil, date(2025, 11, 24), 0)
    scene.readings(vehicle, scene.steady(0, 700, 29))
    due(vehicle, oil)
    # severe from the day of the last reading, when 19,600 of 40,000 km are used: .49
    DutyOverride.objects.create(
        vehicle=vehicle,
        compartment=oil.compartment,
        from_on=TODAY,
        until_on=TODAY + timedelta(days=365),
        duty_class="severe",
        reason="seen on the road",
    )
    row = due(vehicle, oil)
    assert row.meter_life == pytest.approx(0.49, abs=0.002)  # midnight to 9 o'clock counts severe
    assert row.remaining_km == pytest.approx(0.51 * 20_000, abs=40)
    assert (row.duty_class, row.beyond_by_reading) == ("severe", False)


def test_a_products_own_limit_counts_from_a_full_change_to_it() -> None:
    oil, vehicle = scene.service(km=60_000, months=36), scene.van()
    product = Product.objects.create(slug="long", name="Long oil", source=INVENTED)
    Limit.objects.create(
        service=oil, duty_class="normal", product=product, limit_km=90_000, source=INVENTED
    )
    scene.done(vehicle, oil, date(2026, 1, 10), 9_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    fill = {"vehicle": vehicle, "compartment": oil.compartment, "source": INVENTED}
    Fill.objects.create(
        **fill, filled_on=date(2026, 1, 10), origin="product", product=product, full_change=False
    )
    assert due(vehicle, oil).limit.limit_km == 60_000
    Fill.objects.create(**fill, filled_on=date(2026, 1, 10), origin="product", product=product)
    assert due(vehicle, oil).limit.limit_km == 90_000


def test_running_hours_bind_when_they_come_first() -> None:
    oil, vehicle = scene.service(km=90_000, months=48, limit_h=300), scene.van()
    scene.done(vehicle, oil, date(2026, 2, 2), 10_000)
    ServiceDone.objects.update(total_h=100)
    scene.readings(vehicle, scene.steady(10_000, 350, 20))
    hours = Meter.objects.create(vehicle=vehicle, kind="hours", unit="h")
    for reading, value in zip(
        scene.readings(vehicle, scene.steady(1, 1, 20)), scene.steady(100, 14, 20), strict=True
    ):
        type(reading).objects.filter(pk=reading.pk).update(
            meter=hours, value=value, meter_value=value, unit="h"
        )
    row = due(vehicle, oil)
    # 266 h of 300 used since 100 h, 34 h left at 2 h a day: 17 days
    assert row.binding_limit == BindingLimit.HOURS
    assert row.remaining_h == pytest.approx(34)
    assert abs((row.p50 - TODAY).days - 17) <= 4


def test_strictest_under_warranty_keeps_severe_until_the_service_is_done() -> None:
    oil, vehicle = scene.service(km=40_000, months=None), scene.van()
    scene.service(km=20_000, months=None, duty_class="severe")
    scene.done(vehicle, oil, date(2025, 11, 24), 0)
    scene.readings(vehicle, scene.steady(0, 700, 29))
    place = {"vehicle": vehicle, "compartment": oil.compartment, "reason": "seen"}
    DutyOverride.objects.create(
        **place, from_on=date(2026, 1, 1), until_on=date(2026, 1, 31), duty_class="severe"
    )
    assert due(vehicle, oil).duty_class == "normal"
    Service.objects.update(strictest_under_warranty=True)
    vehicle.under_warranty_until_on = date(2027, 1, 1)
    vehicle.save()
    assert due(vehicle, oil).duty_class == "severe"


def test_due_dates_of_another_vehicle_type_disappear() -> None:
    oil, vehicle = scene.service(), scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    assert due(vehicle, oil)
    other = VehicleType.objects.get()
    other.pk, other.slug = None, "other"
    other.save()
    vehicle.vehicle_type = other
    vehicle.save()
    chain.refresh([vehicle.pk], NOW)
    assert not DueDate.objects.exists()


def test_bring_in_by_is_a_working_day_not_after_the_earliest_likely_one() -> None:
    oil, vehicle = scene.service(km=None, months=6), scene.van()
    scene.done(vehicle, oil, date(2026, 2, 15), 10_000)  # due Saturday 15 August 2026
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    assert due(vehicle, oil).bring_in_by_on == date(2026, 8, 14)  # a Friday


def test_tolerance_is_kept_beside_the_limit() -> None:
    oil, vehicle = scene.service(km=None, months=6, tolerance_d=14), scene.van()
    scene.done(vehicle, oil, date(2026, 2, 15), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    assert due(vehicle, oil).tolerance_until_on == date(2026, 8, 29)
