from datetime import date, timedelta

import numpy as np
import pytest

from fleet import chain
from fleet.due.calls import gather_calls
from fleet.due.explain import explain
from fleet.due.models import DueDate, DueEarlier, Service, ServiceDone
from fleet.readings.models import Reading, Verdict
from fleet.vehicles.models import Compartment, Vehicle
from tests import scene
from tests.scene import INVENTED, NOW

pytestmark = pytest.mark.django_db

TODAY = NOW.date()


def call(vehicle: Vehicle, service: Service, due_on: date) -> DueEarlier:
    return DueEarlier.objects.create(
        vehicle=vehicle, service=service, called_on=TODAY, due_on=due_on, reason="a seep was seen"
    )


def leak_check() -> Service:
    """A service without limits: due only when something calls for it."""
    return Service.objects.create(
        vehicle_type=scene.van_type(),
        compartment=Compartment.objects.get(slug="gearbox"),
        slug="gearbox-leak-re-check",
        name="Gearbox leak re-check",
        kind="check",
        source=INVENTED,
    )


def driven() -> Vehicle:
    vehicle = scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    return vehicle


def refreshed(vehicle: Vehicle) -> list[DueDate]:
    chain.refresh([vehicle.pk], NOW)
    return list(DueDate.objects.filter(vehicle=vehicle))


def test_a_service_without_limits_has_no_due_date_until_called_for() -> None:
    check, vehicle = leak_check(), driven()
    assert refreshed(vehicle) == []
    call(vehicle, check, TODAY + timedelta(days=7))
    (row,) = refreshed(vehicle)
    assert (row.p50, row.history_known) == (TODAY + timedelta(days=7), True)


def test_a_call_ends_when_the_service_is_done() -> None:
    check, vehicle = leak_check(), driven()
    call(vehicle, check, TODAY + timedelta(days=7))
    refreshed(vehicle)
    scene.done(vehicle, check, TODAY + timedelta(days=1), 24_000)
    assert refreshed(vehicle) == []


def test_a_call_comes_before_a_later_limit_but_not_before_an_earlier_one() -> None:
    oil, vehicle = scene.service(km=None, months=36), driven()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    call(vehicle, oil, TODAY)
    assert refreshed(vehicle)[0].p50 == TODAY
    call(vehicle, oil, date(2035, 1, 1))
    assert refreshed(vehicle)[0].p50 == TODAY


def test_a_call_gives_a_date_to_an_unknown_history() -> None:
    oil, vehicle = scene.service(), driven()
    assert not refreshed(vehicle)[0].history_known
    call(vehicle, oil, TODAY)
    (row,) = refreshed(vehicle)
    assert (row.history_known, row.p50, row.remaining_km) == (True, TODAY, None)


def test_the_night_sees_a_new_call() -> None:
    check, vehicle = leak_check(), driven()
    chain.nightly(TODAY)
    call(vehicle, check, TODAY)
    assert chain.nightly(TODAY, again=True).counts["due dates"] == 1


def test_the_explanation_names_what_called_for_it() -> None:
    check, vehicle = leak_check(), driven()
    call(vehicle, check, TODAY)
    refreshed(vehicle)
    assert any("a seep was seen" in line for line in explain(vehicle, check, NOW).lines)


@pytest.mark.parametrize(("judged", "from_km"), [(True, 23_000.0), (False, 22_900.0)])
def test_the_distance_of_a_call_counts_from_its_reading_whether_it_is_judged_or_not(
    judged: bool, from_km: float
) -> None:
    vehicle, service = driven(), leak_check()
    reading = Reading.objects.filter(vehicle=vehicle).latest("taken_at")
    verdict = Verdict.ACCEPTED if judged else Verdict.HELD
    Reading.objects.filter(pk=reading.pk).update(
        total=23_000 if judged else None, meter_value=22_900, verdict=verdict
    )
    DueEarlier.objects.create(
        vehicle=vehicle, service=service, called_on=TODAY, after_km=500, reading=reading,
        reason="a seep was seen",
    )  # fmt: skip
    (found,) = gather_calls(np.array([vehicle.pk]))
    assert (found.from_km, found.provisional) == (from_km, not judged)


@pytest.mark.parametrize(("void", "from_km"), [(False, 22_500.0), (True, None)])
def test_the_distance_of_a_call_counts_from_what_was_done_unless_that_is_void(
    void: bool, from_km: float | None
) -> None:
    vehicle, service = driven(), leak_check()
    oil = scene.service("engine")
    scene.done(vehicle, oil, TODAY, 22_500)
    done = ServiceDone.objects.get(vehicle=vehicle, service=oil)
    ServiceDone.objects.filter(pk=done.pk).update(void=void)
    DueEarlier.objects.create(
        vehicle=vehicle, service=service, called_on=TODAY, after_km=500, anchor=done,
        reason="a seep was seen",
    )  # fmt: skip
    (found,) = gather_calls(np.array([vehicle.pk]))
    assert (found.from_km, found.provisional) == (from_km, void)
