from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from fleet import chain
from fleet.due.models import DueDate
from fleet.duty.models import DutyStamp
from fleet.readings.models import Reading, Verdict, VerdictMemory
from fleet.runs.models import Run
from fleet.usage.models import ClassRate, KmAt, UsageState
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db

STATE = [field.attname for field in UsageState._meta.concrete_fields if field.name != "stamp"]


def states() -> list[tuple[object, ...]]:
    return list(UsageState.objects.order_by("meter_id").values_list(*STATE))


def test_readings_become_verdicts_usage_and_due_dates() -> None:
    oil = scene.service()
    vehicle = scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 30_000)
    scene.readings(vehicle, scene.steady(31_000, 700, 20))
    chain.refresh([vehicle.pk], NOW)
    assert set(Reading.objects.values_list("verdict", flat=True)) == {Verdict.ACCEPTED}
    assert UsageState.objects.get().last_km == 31_000 + 19 * 700
    # 60,000 km after 30,000 km, less 44,300 km: by hand
    assert DueDate.objects.get().remaining_km == pytest.approx(45_700)


def test_a_second_refresh_changes_nothing() -> None:
    scene.service()
    vehicle = scene.van()
    scene.readings(vehicle, scene.jittered(1, 10_000, 30))
    chain.refresh([vehicle.pk], NOW)
    counts = chain.refresh([vehicle.pk], NOW)
    assert {name: number for name, number in counts.items() if number} == {}


def test_no_vehicles_are_brought_up_to_date_at_once() -> None:
    assert not any(chain.refresh([], NOW).values())


def test_what_begins_today_begins_at_midnight_of_each_depot() -> None:
    late = datetime(2026, 5, 31, 23, 30, tzinfo=UTC)  # 01:30 of 1 June in Berlin, 17:30 in Denver
    oil = scene.service(km=None, months=36)
    scene.service(km=None, months=12, duty_class="severe")
    vans = []
    for number, zone in enumerate(("Europe/Berlin", "America/Denver")):
        vans.append(scene.van(f"V-{number}", scene.depot(f"yard-{number}", zone)))
        scene.done(vans[-1], oil, date(2026, 1, 1), 30_000)
        scene.readings(vans[-1], scene.steady(31_000, 700, 20), until=late - timedelta(days=1))
        vans[-1].duty_overrides.create(
            compartment=oil.compartment,
            from_on=date(2026, 6, 1),
            until_on=date(2026, 12, 31),
            duty_class="severe",
            reason="tows a trailer",
        )
    chain.refresh([van.pk for van in vans], late)
    classes = DueDate.objects.order_by("vehicle__fleet_number").values_list("duty_class", flat=True)
    assert list(classes) == ["severe", "normal"]
    assert list(chain.due_dates_that_differ(late)) == []
    months = DutyStamp.objects.order_by("vehicle__fleet_number").values_list("month_on", flat=True)
    assert list(months) == [date(2026, 6, 1), date(2026, 5, 1)]


def test_readings_one_by_one_give_the_same_state_as_all_at_once() -> None:
    weeks = 40
    values = scene.jittered(2, 10_000, weeks)
    one, other = scene.van("V-1"), scene.van("V-2")
    for at, value in enumerate(values):
        moment = NOW - timedelta(days=7 * (weeks - 1 - at))
        scene.readings(one, [value], until=moment)
        chain.refresh([one.pk], moment)
    ClassRate.objects.all().delete()  # the other van starts as the first one did
    Run.objects.all().delete()
    scene.readings(other, values)
    chain.refresh([other.pk], NOW)
    step, whole = (np.array(row[:15], dtype=float) for row in states())
    np.testing.assert_allclose(step, whole, rtol=1e-9)


def test_a_late_reading_replays_the_vehicle_as_if_it_had_come_in_time() -> None:
    values = scene.jittered(3, 10_000, 30)
    on_time, late = scene.van("V-1"), scene.van("V-2")
    scene.readings(on_time, values)
    missing = scene.readings(late, values)[12]
    kept = {"taken_at": missing.taken_at, "value": missing.value}
    missing.delete()
    chain.refresh([on_time.pk, late.pk], NOW)
    scene.readings(late, [kept["value"]], until=kept["taken_at"])
    chain.refresh([late.pk], NOW)
    one, other = (np.array(row[:15], dtype=float) for row in states())
    np.testing.assert_allclose(one, other, rtol=1e-9)


def test_a_late_reading_that_does_not_fit_is_held_as_out_of_order() -> None:
    vehicle = scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    chain.refresh([vehicle.pk], NOW)
    scene.readings(vehicle, [90_000], until=NOW - timedelta(days=30))
    chain.refresh([vehicle.pk], NOW)
    odd = Reading.objects.get(value=90_000)
    assert (odd.verdict, odd.reason) == (Verdict.HELD, "out_of_order")
    assert Reading.objects.filter(verdict=Verdict.ACCEPTED).count() == 20


def test_history_closes_its_months_in_order_and_later_vans_start_from_their_rates() -> None:
    old = [scene.van(f"V-{at}") for at in range(6)]
    for at, vehicle in enumerate(old):
        scene.readings(vehicle, scene.jittered(at, 10_000, 60))
    chain.refresh([vehicle.pk for vehicle in old], NOW)
    newcomer = scene.van("V-9")
    scene.readings(newcomer, [500, 1_200, 1_900])
    chain.refresh([newcomer.pk], NOW)
    memory = VerdictMemory.objects.get(meter__vehicle=newcomer)
    april = ClassRate.objects.get(depot_pk=scene.depot().pk, month_end_on=date(2026, 5, 31))
    assert memory.rate_km_per_day == april.rate_km_per_day
    assert memory.rate_km_per_day == pytest.approx(100, rel=0.15)  # 700 km a week
    first = VerdictMemory.objects.get(meter__vehicle=old[0])
    assert first.rate_km_per_day == 100  # no row yet: the type's expected rate


def test_class_rates_are_never_written_twice() -> None:
    vehicle = scene.van()
    scene.readings(vehicle, scene.jittered(4, 10_000, 60))
    chain.refresh([vehicle.pk], NOW)
    before = list(ClassRate.objects.order_by("pk").values_list())
    scene.readings(vehicle, [60_000], until=NOW + timedelta(days=7))
    chain.refresh([vehicle.pk], NOW + timedelta(days=7))
    assert list(ClassRate.objects.order_by("pk").values_list()) == before


def test_month_totals_lie_on_the_line_between_two_readings() -> None:
    vehicle = scene.van()
    # 29 May 09:00 and 15 June 09:00: 17 days for 1,700 km; 2 days and 15 h to 1 June 00:00
    scene.readings(vehicle, [10_000, 11_700], every_d=17)
    chain.refresh([vehicle.pk], NOW)
    total = KmAt.objects.get(on=date(2026, 6, 1)).total
    assert total == pytest.approx(10_000 + 100 * (2 + 15 / 24))


def test_a_month_with_late_readings_is_closed_from_what_was_known_at_its_end() -> None:
    vehicle = scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 30))
    chain.refresh([vehicle.pk], NOW)
    stored = ClassRate.objects.get(type_pk=-1, month_end_on=date(2026, 5, 31))
    Run.objects.filter(on=date(2026, 5, 31)).delete()
    stored.delete()
    chain.nightly(NOW.date())  # now the state holds June's readings, too
    again = ClassRate.objects.get(type_pk=-1, month_end_on=date(2026, 5, 31))
    assert again.rate_km_per_day == pytest.approx(stored.rate_km_per_day, rel=1e-12)


def test_readings_that_come_late_open_no_month_from_before_the_first_one() -> None:
    vehicle = scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 20))  # from 2 February 2026
    chain.refresh([vehicle.pk], NOW)
    ends = [date(2026, 3, 31), date(2026, 4, 30), date(2026, 5, 31)]  # February: too few readings
    closed = Run.objects.filter(job="class rates").order_by("on").values_list("on", flat=True)
    assert list(closed) == ends
    scene.readings(vehicle, scene.steady(1_000, 300, 20), until=NOW - timedelta(days=200))
    chain.refresh([vehicle.pk], NOW)
    assert list(closed.all()) == ends
    assert Reading.objects.filter(verdict=Verdict.ACCEPTED).count() == 40


def test_history_in_two_files_closes_each_month_with_its_own_readings() -> None:
    vehicle = scene.van()
    values = scene.jittered(5, 10_000, 60)
    scene.readings(vehicle, values[:30], until=NOW - timedelta(days=7 * 30))
    chain.refresh([vehicle.pk], NOW)
    first = set(ClassRate.objects.values_list("month_end_on", flat=True))
    assert max(first) == date(2025, 10, 31)  # the first file ends on 17 November 2025
    scene.readings(vehicle, values[30:])
    chain.refresh([vehicle.pk], NOW)
    assert ClassRate.objects.filter(month_end_on=date(2026, 5, 31)).exists()


def test_a_month_nobody_was_read_in_stays_open() -> None:
    vehicle = scene.van()
    scene.readings(vehicle, [10_000], until=NOW - timedelta(days=100))
    chain.nightly(NOW.date())
    assert not Run.objects.filter(job="class rates").exists()
