"""Held readings that the next one confirms, by whatever way the readings come in."""

from datetime import timedelta
from importlib import import_module

import numpy as np
import pytest
from django.apps import apps

from fleet import chain
from fleet.readings.models import Reading, Source, Verdict, VerdictMemory
from fleet.readings.settle import settle
from fleet.usage.models import UsageState
from fleet.vehicles.models import MeterChange, Vehicle
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db

YEAR = scene.steady(50_000, 700, 53)
LAST_AT = NOW - timedelta(days=30)
# 2,250 km in two days look like 2,520 with two digits swapped; twelve days later all is well.
ODD, NEXT = (2, YEAR[-1] + 2_250), (14, YEAR[-1] + 2_600)


def add(vehicle: Vehicle, later_d: float, value: float) -> Reading:
    return Reading.objects.create(
        vehicle=vehicle,
        meter=vehicle.meters.get(kind="km"),
        taken_at=LAST_AT + timedelta(days=later_d),
        value=value,
        unit="km",
        meter_value=value,
        source=Source.SHEET,
    )


def van() -> Vehicle:
    vehicle = scene.van()
    scene.readings(vehicle, YEAR, until=LAST_AT)
    chain.refresh([vehicle.pk], NOW)
    return vehicle


def refreshed(vehicle: Vehicle, *steps: tuple[float, float]) -> list[Reading]:
    rows = [add(vehicle, *step) for step in steps]
    chain.refresh([vehicle.pk], NOW)
    for row in rows:
        row.refresh_from_db()
    return rows


def everything() -> list[object]:
    labels = Reading.objects.order_by("taken_at").values_list("verdict", "reason", "total")
    memory = VerdictMemory.objects.values("weight_d", "weight_km", "scatter", "last_km", "waiting")
    usage = UsageState.objects.values("mu", "u", "p11", "last_km", "readings")
    return [*labels, *memory, *usage]


def test_one_at_a_time_and_together_end_the_same() -> None:
    vehicle = van()
    (odd,) = refreshed(vehicle, ODD)
    assert (odd.verdict, odd.reason) == (Verdict.HELD, "digits_swapped")
    (following,) = refreshed(vehicle, NEXT)
    odd.refresh_from_db()
    assert (odd.verdict, odd.reason) == (Verdict.ACCEPTED, "confirmed_by_the_next")
    assert (odd.suggestion, odd.probability) == (None, None)
    assert following.verdict == Verdict.ACCEPTED
    in_steps = everything()
    Reading.objects.all().delete()
    VerdictMemory.objects.all().delete()
    UsageState.objects.all().delete()
    scene.readings(vehicle, YEAR, until=LAST_AT)
    refreshed(vehicle, ODD, NEXT)
    assert everything() == in_steps


def test_what_was_likely_meant_by_one_held_afterwards_is_told_as_its_meter_shows_it() -> None:
    vehicle = scene.van()
    since = LAST_AT - timedelta(days=1000)
    MeterChange.objects.create(meter=vehicle.meters.get(), from_at=since, offset=5e4, note="new")
    scene.readings(vehicle, YEAR, until=LAST_AT)
    chain.refresh([vehicle.pk], NOW)
    # 86,400 km and a week: 87,080 with two digits swapped, as the next day shows: by hand
    (wrong,) = refreshed(vehicle, (7, 87_800))
    assert wrong.verdict == Verdict.ACCEPTED
    refreshed(vehicle, (8, 87_200))
    wrong.refresh_from_db()
    assert (wrong.verdict, wrong.reason) == (Verdict.HELD, "digits_swapped")
    assert wrong.suggestion == 87_080


def test_usage_counts_the_confirmed_reading() -> None:
    vehicle = van()
    refreshed(vehicle, ODD)
    refreshed(vehicle, NEXT)
    assert UsageState.objects.get().readings == 55
    assert UsageState.objects.get().last_km == NEXT[1]


def test_what_a_person_rejected_stays_rejected() -> None:
    vehicle = van()
    (odd,) = refreshed(vehicle, ODD)
    settle(reading_id=odd.pk, action="reject", person=None, reason="seen", channel="test")
    refreshed(vehicle, NEXT)
    odd.refresh_from_db()
    assert odd.verdict == Verdict.REJECTED


def test_readings_judged_by_rules_of_before_are_judged_again_by_the_next_night() -> None:
    odd, _ = refreshed(van(), ODD, NEXT)
    right = everything()
    # as an installation has them that knew neither rule
    Reading.objects.filter(pk=odd.pk).update(verdict=Verdict.HELD, reason="digits_swapped")
    VerdictMemory.objects.update(weight_d=400.0, scatter=2.0, to_replay=False)
    UsageState.objects.update(readings=54)
    import_module("fleet.readings.migrations.0003_confirmed_by_the_next").mark_for_replay(
        apps, None
    )
    run = chain.nightly(NOW.date())
    assert run.counts["relabelled"] == 1
    assert not VerdictMemory.objects.filter(to_replay=True).exists()
    assert everything() == right


def test_only_the_vehicles_asked_for_are_judged_again() -> None:
    vehicle = van()
    VerdictMemory.objects.update(to_replay=True)
    chain.catch_up(NOW, np.array([vehicle.pk + 1]))
    assert VerdictMemory.objects.filter(to_replay=True).exists()
    chain.catch_up(NOW, np.array([vehicle.pk]))
    assert not VerdictMemory.objects.filter(to_replay=True).exists()
