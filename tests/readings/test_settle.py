from datetime import timedelta

import pytest

from fleet import chain
from fleet.due.models import DueDate
from fleet.faults import Fault
from fleet.readings.models import Reading, ReadingDecision, Verdict
from fleet.readings.settle import settle
from fleet.usage.models import UsageState
from fleet.vehicles.models import MeterChange, Vehicle
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db


def van_with(values: list[float]) -> Vehicle:
    vehicle = scene.van()
    scene.readings(vehicle, values)
    chain.refresh([vehicle.pk], NOW)
    return vehicle


def decide(reading: Reading, action: str, **changes: float) -> ReadingDecision:
    decision = settle(
        reading_id=reading.pk,
        action=action,
        person=None,
        reason="looked at the instrument",
        channel="test",
        **changes,
    )
    chain.refresh([reading.vehicle_id], NOW)
    reading.refresh_from_db()
    return decision


def the_odd_one() -> Reading:
    return Reading.objects.exclude(verdict=Verdict.ACCEPTED).latest("taken_at")


def test_a_reading_noted_late_is_held_and_can_be_accepted_as_it_stands() -> None:
    vehicle = van_with([*scene.steady(10_000, 700, 20), 23_100])
    odd = the_odd_one()
    assert (odd.verdict, odd.reason) == (Verdict.HELD, "noted_late")
    decide(odd, "accept")
    assert odd.verdict == Verdict.ACCEPTED
    assert UsageState.objects.get(vehicle=vehicle).last_km == 23_100


def test_an_accepted_suggestion_counts_while_the_reading_stays_as_given() -> None:
    van_with([*scene.steady(10_000, 700, 20), 34_000])
    odd = the_odd_one()
    decide(odd, "accept suggestion", value=24_000)
    assert (odd.value, odd.total, odd.verdict) == (34_000, 24_000, Verdict.ACCEPTED)


def test_a_rejected_reading_leaves_the_state_alone() -> None:
    vehicle = van_with([*scene.steady(10_000, 700, 20), 23_100])
    before = UsageState.objects.get(vehicle=vehicle).last_km
    odd = the_odd_one()
    decide(odd, "reject")
    assert odd.verdict == Verdict.REJECTED
    assert UsageState.objects.get(vehicle=vehicle).last_km == before


def test_a_replaced_meter_counts_on_from_the_known_total() -> None:
    oil = scene.service()
    vehicle = scene.van()
    scene.done(vehicle, oil, NOW.date() - timedelta(days=200), 9_000)
    scene.readings(vehicle, [*scene.steady(10_000, 700, 20), 40])
    chain.refresh([vehicle.pk], NOW)
    new_meter = the_odd_one()
    decide(new_meter, "meter replaced", value=24_000)
    assert MeterChange.objects.get().offset == 24_000 - 40
    assert UsageState.objects.get().last_km == 24_000
    assert DueDate.objects.get().remaining_km == pytest.approx(9_000 + 60_000 - 24_000)


def test_without_a_known_total_the_expected_one_stands_in() -> None:
    van_with([*scene.steady(10_000, 700, 20), 40])
    decide(the_odd_one(), "meter replaced")
    # last 23,300 km, a week later about 700 km more
    assert UsageState.objects.get().last_km == pytest.approx(24_000, abs=60)


def test_readings_after_a_replaced_meter_are_accepted() -> None:
    vehicle = van_with([*scene.steady(10_000, 700, 20), 40])
    decide(the_odd_one(), "meter replaced", value=24_000)
    later = scene.readings(vehicle, [740], until=NOW + timedelta(days=7))[0]
    chain.refresh([vehicle.pk], NOW + timedelta(days=7))
    later.refresh_from_db()
    assert (later.verdict, later.total) == (Verdict.ACCEPTED, 24_700)


def test_the_last_decision_holds() -> None:
    vehicle = van_with([*scene.steady(10_000, 700, 20), 23_100])
    odd = the_odd_one()
    decide(odd, "accept")
    decide(odd, "reject")
    assert odd.verdict == Verdict.REJECTED
    assert UsageState.objects.get(vehicle=vehicle).last_km == 10_000 + 19 * 700
    assert ReadingDecision.objects.count() == 2


def test_a_decision_survives_a_replay() -> None:
    vehicle = van_with([*scene.steady(10_000, 700, 20), 23_100])
    odd = the_odd_one()
    decide(odd, "reject")
    scene.readings(vehicle, [10_300], until=NOW - timedelta(days=7 * 20 - 3))
    chain.refresh([vehicle.pk], NOW)
    odd.refresh_from_db()
    assert odd.verdict == Verdict.REJECTED


@pytest.mark.parametrize(
    ("action", "reason", "value", "says"),
    [
        ("reject", "  ", None, "why"),
        ("burn", "so", None, "no decision"),
        ("accept suggestion", "so", -5, "no meter value"),
        ("accept suggestion", "so", float("nan"), "no meter value"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(
    action: str, reason: str, value: float | None, says: str
) -> None:
    van_with([*scene.steady(10_000, 700, 20), 23_100])
    with pytest.raises(Fault, match=says):
        settle(
            reading_id=the_odd_one().pk,
            action=action,
            person=None,
            reason=reason,
            value=value,
            channel="test",
        )
    assert not ReadingDecision.objects.exists()


def test_an_unknown_reading_is_refused() -> None:
    with pytest.raises(Fault, match="no reading 999"):
        settle(reading_id=999, action="reject", person=None, reason="so", channel="test")
