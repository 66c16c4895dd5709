"""Totals of service history that the readings contradict."""

from datetime import date, timedelta

import pytest

from fleet import chain
from fleet.due import claims
from fleet.due.models import DueDate, Service, ServiceDone
from fleet.due.record import record_done
from fleet.faults import Question
from fleet.vehicles.models import Depot, Vehicle
from tests import scene
from tests.scene import INVENTED, NOW

pytestmark = pytest.mark.django_db

TODAY = NOW.date()


@pytest.fixture
def oil() -> Service:
    return scene.service(km=60_000, months=36)


@pytest.fixture
def vehicle(oil: Service) -> Vehicle:
    """Read every 10 days, 1,000 km apart: 40,000 km on the day of the last reading."""
    found = scene.van()
    scene.readings(found, scene.steady(31_000, 1_000, 10), every_d=10)
    chain.refresh([found.pk], NOW)
    return found


def record(
    vehicle: Vehicle, of: Service, days_ago: int, km: float | None, why: str = ""
) -> ServiceDone:
    return record_done(
        ServiceDone(
            vehicle=vehicle,
            service=of,
            done_on=TODAY - timedelta(days=days_ago),
            evidence="baseline",
            source=INVENTED,
            person=None,
            total_km=km,
            why_it_stands=why,
        ),
    )


def asked(vehicle: Vehicle, of: Service, days_ago: int, km: float) -> str:
    with pytest.raises(Question) as question:
        record(vehicle, of, days_ago, km)
    assert question.value.about == "odometer_km"
    return str(question.value)


# method.md section 3 with its rule on history: between the neighbours ± 3 % of the km between
# them. Readings 30 and 20 days ago say 37,000 and 38,000 km: 36,970 to 38,030 km.
@pytest.mark.parametrize("km", [36_970, 37_500, 38_030])
def test_a_total_between_its_neighbours_is_believed(
    vehicle: Vehicle, oil: Service, km: float
) -> None:
    assert record(vehicle, oil, 25, km).total_km == km


@pytest.mark.parametrize("km", [36_969, 38_031])
def test_a_total_outside_its_neighbours_is_asked_about(
    vehicle: Vehicle, oil: Service, km: float
) -> None:
    said = asked(vehicle, oil, 25, km)
    assert all(text in said for text in (f"{km:,} km", "37,000 km", "38,000 km"))


def test_before_the_first_reading_the_total_was_no_higher(vehicle: Vehicle, oil: Service) -> None:
    assert "31,000 km" in asked(vehicle, oil, 298, 31_500)
    assert record(vehicle, oil, 600, 0)
    assert record(vehicle, oil, 298, 31_000)


def test_a_day_begins_when_it_does_at_the_depot(vehicle: Vehicle, oil: Service) -> None:
    Depot.objects.update(zone="Australia/Brisbane")  # UTC+10, no summer time
    # 37,000 were read ten days before, and 38,000 on that day, in the evening there
    assert record(vehicle, oil, 20, 37_200).total_km == 37_200


def test_a_slipped_digit_is_offered_as_what_was_meant(vehicle: Vehicle, oil: Service) -> None:
    with pytest.raises(Question) as question:
        record(vehicle, oil, 0, 400_000)
    assert question.value.candidates == ("40,000 km: one digit too many",)


def test_after_the_last_reading_the_filter_says_how_far_it_can_have_come(
    vehicle: Vehicle, oil: Service
) -> None:
    # by hand: 40 days at about 100 km a day are 4,000 km; a tenth of that, or triple, is no 95 %
    late = NOW + timedelta(days=40)
    chain.refresh([vehicle.pk], late)
    assert record(vehicle, oil, -40, 44_000)
    assert "likely stood between" in asked(vehicle, oil, -40, 40_400)
    assert "likely stood between" in asked(vehicle, oil, -40, 52_000)


def test_little_since_the_last_reading_is_asked_about_but_no_contradiction(
    vehicle: Vehicle, oil: Service
) -> None:
    scene.done(vehicle, oil, TODAY + timedelta(days=40), 40_400)
    scene.done(vehicle, oil, TODAY + timedelta(days=41), 39_990)
    chain.refresh([vehicle.pk], NOW + timedelta(days=41))
    (said,) = claims.contradicting()  # a vehicle may stand; a meter never falls
    assert said.startswith("V-1, gearbox-oil: 39,990 km on ")


def test_a_vehicle_off_road_may_show_what_it_showed(vehicle: Vehicle, oil: Service) -> None:
    asked(vehicle, oil, -40, 40_000)
    vehicle.status = Vehicle.Status.OFF_ROAD
    vehicle.save()
    assert record(vehicle, oil, -40, 40_000)
    assert record(vehicle, oil, -39, 43_900)  # and it may have come back since


def test_a_vehicle_that_stands_may_stand_on(oil: Service) -> None:
    standing = scene.van("V-2")
    scene.readings(standing, [*scene.steady(31_000, 1_000, 10), 40_000, 40_000, 40_000], every_d=10)
    chain.refresh([standing.pk], NOW)
    # method.md section 2: idle for 30 days; with 30 more it stands on with a chance of a half
    # power of 60 / (60 + 40) = .77, far above the 2.5 % of the band
    assert record(standing, oil, -40, 40_000)


def test_totals_that_rest_on_a_guess_allow_for_it(oil: Service) -> None:
    """Ten readings 10 days and 1,000 km apart, then a new meter that nobody has confirmed."""
    renewed = scene.van("V-3")
    scene.readings(
        renewed, [*scene.steady(31_000, 1_000, 10), 100, 1_100, 2_100, 3_100], every_d=10
    )
    chain.refresh([renewed.pk], NOW)
    # by hand: about 1,000 km are taken for granted between the last reading of the old meter, of
    # 40,000 km, and the first of the new one: 42,000 km twenty days ago may be 1,300 less in truth
    assert record(renewed, oil, 15, 41_400)
    assert "does not go with" in asked(renewed, oil, 15, 30_000)
    assert "does not go with" in asked(renewed, oil, 15, 52_000)


def test_a_vehicle_may_have_stood_since_a_total_that_rests_on_a_guess(oil: Service) -> None:
    renewed = scene.van("V-3")
    scene.readings(
        renewed, [*scene.steady(31_000, 1_000, 10), 100, 1_100, 2_100, 3_100], every_d=10
    )
    # 44,000 km by the last reading, less what nobody read: 2,000 km less is possible, 14,000 is not
    total = scene.done(renewed, oil, TODAY + timedelta(days=40), 42_000)
    chain.refresh([renewed.pk], NOW + timedelta(days=41))
    assert list(claims.contradicting()) == []
    ServiceDone.objects.filter(pk=total.pk).update(total_km=30_000)
    (said,) = claims.contradicting()
    assert said.startswith("V-3, gearbox-oil: 30,000 km on ")


def test_since_joining_it_has_come_as_far_as_such_vehicles_do(oil: Service) -> None:
    # by hand: 25 days at 100 km a day are 2,500 km; at 900 a day at most 23,400
    bought = scene.van("V-2", joined_on=date(2026, 5, 1), meter_at_joining_km=40_285)
    assert record(bought, oil, 20, 43_000)
    for km in (39_000, 90_000):
        said = asked(bought, oil, 20, km)
        assert f"{km:,} km on 2026-05-26 does not go with 40,285 km on 2026-05-01" in said
        assert "likely stood between" in said


def test_whole_miles_are_no_contradiction(oil: Service) -> None:
    # an odometer in whole miles stands up to 1.6 km behind, and a total is noted in whole km
    stood = scene.van("V-4")
    scene.readings(stood, [40_000, 40_000], every_d=10)
    chain.refresh([stood.pk], NOW)
    assert record(stood, oil, 5, 40_002)
    assert "does not go with" in asked(stood, oil, 5, 40_003)


def test_with_a_reason_it_goes_through_and_the_reason_is_kept(
    vehicle: Vehicle, oil: Service
) -> None:
    row = record(vehicle, oil, 25, 390_000, " the instrument was replaced ")
    assert (row.total_km, row.why_it_stands) == (390_000, "the instrument was replaced")
    assert list(claims.contradicting()) == []


def test_the_odometer_at_joining_speaks_where_nothing_was_read(oil: Service) -> None:
    bought = scene.van("V-2", joined_on=date(2026, 5, 1), meter_at_joining_km=40_285)
    assert record(bought, oil, 100, 38_000)
    assert "40,285 km" in asked(bought, oil, 90, 390_000)


def test_what_a_replaced_meter_had_counted_is_added_to_the_odometer_at_joining(
    oil: Service,
) -> None:
    bought = scene.van("V-2", joined_on=date(2026, 5, 1), meter_at_joining_km=285)
    bought.meters.get().changes.create(
        from_at=NOW - timedelta(days=400), offset=40_000, note=INVENTED
    )
    assert record(bought, oil, 100, 38_000)


def test_entries_about_one_vehicle_must_go_together(oil: Service) -> None:
    bought = scene.van("V-2")
    for days_ago, km in ((300, 20_000), (200, 30_000)):
        record(bought, oil, days_ago, km)
    said = asked(bought, oil, 100, 29_000)
    assert all(text in said for text in ("29,000 km", "30,000 km"))


def test_rows_that_the_fleet_has_already_are_found(vehicle: Vehicle, oil: Service) -> None:
    scene.done(vehicle, oil, TODAY - timedelta(days=65), 33_500)
    scene.done(vehicle, oil, TODAY - timedelta(days=25), 390_000)
    (said,) = claims.contradicting()
    assert said.startswith("V-1, gearbox-oil: 390,000 km on 2026-05-21 does not go with ")
    # between 37,000 and 38,000 km on the days about it: no slip fits 390,000
    assert said.endswith("stood between 36,970 and 38,030 km.")
    ServiceDone.objects.filter(total_km=390_000).update(total_km=375_000)
    (said,) = claims.contradicting()
    assert said.endswith("38,030 km (37,500 km: one digit too many).")


def test_a_row_that_was_corrected_is_not_found(vehicle: Vehicle, oil: Service) -> None:
    wrong = scene.done(vehicle, oil, TODAY - timedelta(days=25), 390_000)
    right = scene.done(vehicle, oil, TODAY - timedelta(days=25), 37_500)
    ServiceDone.objects.filter(pk=right.pk).update(supersedes=wrong)
    assert list(claims.contradicting()) == []


def test_running_hours_are_held_against_the_hour_meter(vehicle: Vehicle, oil: Service) -> None:
    hours = vehicle.meters.create(kind="hours", unit="h")
    for reading, value in zip(
        scene.readings(vehicle, scene.steady(1, 1, 10)), scene.steady(100, 14, 10), strict=True
    ):
        type(reading).objects.filter(pk=reading.pk).update(
            meter=hours, value=value, meter_value=value, unit="h"
        )
    chain.refresh([vehicle.pk], NOW)
    given = {"vehicle": vehicle, "done_on": TODAY - timedelta(days=10), "total_km": None}
    claims.ask(**given, total_h=205)
    with pytest.raises(Question, match="2,050 h"):
        claims.ask(**given, total_h=2_050)


def left_after(vehicle: Vehicle, of: Service, days_ago: int, km: float) -> DueDate:
    scene.done(vehicle, of, TODAY - timedelta(days=days_ago), km)
    chain.refresh([vehicle.pk], NOW)
    return DueDate.objects.get(vehicle=vehicle, service=of)


@pytest.mark.parametrize(("days_ago", "km"), [(25, 390_000), (0, 390_000), (-3, 390_000)])
def test_a_total_that_cannot_be_leaves_no_more_than_one_interval(
    vehicle: Vehicle, oil: Service, days_ago: int, km: float
) -> None:
    row = left_after(vehicle, oil, days_ago, km)
    assert (row.remaining_km, row.meter_life) == (60_000, 0)
    # by hand: 60,000 km at about 100 km a day are 600 days, and not the 4,100 days of 410,000 km
    assert row.km_p50 < TODAY + timedelta(days=700)


def test_a_service_done_after_the_last_reading_counts_from_its_own_total(
    vehicle: Vehicle, oil: Service
) -> None:
    row = left_after(vehicle, oil, -10, 41_000)
    assert row.remaining_km == 60_000
    # by hand: at 100 km a day the limit of 101,000 km is 610 days after the last reading
    assert abs((row.km_p50 - TODAY).days - 610) < 20
