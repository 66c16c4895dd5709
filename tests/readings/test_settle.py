from datetime import timedelta
from importlib import import_module
from typing import Any

import pytest
from django.apps import apps

from fleet import chain
from fleet.due.models import DueDate
from fleet.faults import Fault, Question
from fleet.readings.models import Reading, ReadingDecision, Verdict, VerdictMemory
from fleet.readings.settle import settle, settle_many
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


def decide(reading: Reading, action: str, **changes: Any) -> ReadingDecision:
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


@pytest.mark.parametrize(
    ("value", "kept"),
    [(None, "accept suggestion"), (24_000, "accept suggestion"), (24_010, "other value")],
)
def test_what_was_typed_in_place_of_the_suggestion_is_kept_as_that(
    value: float | None, kept: str
) -> None:
    van_with([*scene.steady(10_000, 700, 20), 34_000])  # 24,000 by one wrong digit
    decision = decide(the_odd_one(), "accept suggestion", value=value)
    assert (decision.action, decision.value, decision.suggested) == (kept, value or 24_000, 24_000)


def test_another_value_is_a_decision_of_its_own() -> None:
    van_with([*scene.steady(10_000, 700, 20), 34_000])
    odd = the_odd_one()
    with pytest.raises(Fault, match="Give the value"):
        decide(odd, "other value")
    decide(odd, "other value", value=24_010)
    assert (odd.total, odd.verdict) == (24_010, Verdict.ACCEPTED)


@pytest.mark.parametrize(
    ("value", "suggestion", "kept"),
    [
        (24_000.5, 24_000, "accept suggestion"),
        (24_010, 24_000, "other value"),
        (23_990, 24_000, "other value"),
        (24_010, None, "other value"),
    ],
)
def test_older_decisions_are_told_apart_by_what_the_judge_had_suggested(
    value: float, suggestion: float | None, kept: str
) -> None:
    van_with([*scene.steady(10_000, 700, 20), 34_000])
    decision = decide(the_odd_one(), "accept suggestion", value=value)
    Reading.objects.filter(pk=decision.reading_id).update(suggestion=suggestion)
    ReadingDecision.objects.update(action="accept suggestion", suggested=None)
    name = "fleet.readings.migrations.0007_decisions_keep_what_was_suggested"
    import_module(name).tell_apart(apps, None)
    decision.refresh_from_db()
    assert (decision.action, decision.suggested) == (kept, suggestion)


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


def test_what_is_expected_lies_between_the_own_history_and_the_class() -> None:
    vehicle = scene.van()
    scene.readings(vehicle, [10_000, 12_800], every_d=14, until=NOW - timedelta(days=7))
    scene.readings(vehicle, [40])
    chain.refresh([vehicle.pk], NOW)
    decide(the_odd_one(), "meter replaced")
    # by hand: 14 days of 200 km; its type does 100 with a spread of 0.6, which weighs as much as
    # 8 / 0.6² = 22.2 days: (2,800 + 2,222) km in 36.2 days are 138.6 a day, for a week
    assert UsageState.objects.get().last_km == pytest.approx(12_800 + 7 * 138.6, abs=2)


def test_of_two_values_for_one_moment_the_one_accepted_last_stands_alone() -> None:
    vehicle = van_with([*scene.steady(10_000, 700, 20), 23_100])
    (other,) = scene.readings(vehicle, [24_000])
    first = Reading.objects.get(value=23_100)
    decide(first, "accept")
    decide(other, "accept")
    first.refresh_from_db()
    assert (first.verdict, other.verdict) == (Verdict.REJECTED, Verdict.ACCEPTED)
    assert UsageState.objects.get(vehicle=vehicle).last_km == 24_000


def test_readings_after_a_replaced_meter_are_accepted() -> None:
    vehicle = van_with([*scene.steady(10_000, 700, 20), 40])
    decide(the_odd_one(), "meter replaced", value=24_000)
    later = scene.readings(vehicle, [740], until=NOW + timedelta(days=7))[0]
    chain.refresh([vehicle.pk], NOW + timedelta(days=7))
    later.refresh_from_db()
    assert (later.verdict, later.total) == (Verdict.ACCEPTED, 24_700)


def test_a_reading_that_only_goes_on_leaves_earlier_verdicts_and_what_rests_on_them() -> None:
    vehicle = van_with(scene.steady(10_000, 700, 20))
    scene.readings(vehicle, [24_000], until=NOW + timedelta(days=7))
    chain.refresh([vehicle.pk], NOW + timedelta(days=7))
    assert VerdictMemory.objects.get().version == 1


def test_a_replaced_meter_goes_on_from_the_total_that_was_reckoned_with() -> None:
    van_with([*scene.steady(10_000, 700, 20), 500, 1_400])  # 900 km in a week, once it was new
    newest = Reading.objects.get(value=1_400, provisional=True)
    reckoned = newest.total
    decide(newest, "meter replaced")
    assert newest.total == pytest.approx(reckoned, abs=1)


def test_what_is_held_out_of_order_long_after_has_its_total() -> None:
    vehicle = van_with(scene.steady(10_000, 700, 150))  # memories are kept every 64 readings
    (odd,) = scene.readings(vehicle, [90_000], until=NOW - timedelta(weeks=140, days=3))
    chain.refresh([vehicle.pk], NOW)
    odd.refresh_from_db()
    assert (odd.verdict, odd.reason, odd.total) == (Verdict.HELD, "out_of_order", 90_000)


def test_a_nought_noted_late_is_held_as_out_of_order() -> None:
    vehicle = van_with(scene.steady(10_000, 700, 20))
    (nought,) = scene.readings(vehicle, [0], until=NOW - timedelta(days=7 * 10 - 3))
    chain.refresh([vehicle.pk], NOW)
    nought.refresh_from_db()
    assert (nought.verdict, nought.reason) == (Verdict.HELD, "out_of_order")


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


def miles_van(typed_mi: float) -> Reading:
    """A van whose odometer shows miles: 435 mi a week from 6,214 mi on, then what was typed."""
    vehicle = scene.van()
    vehicle.meters.update(unit="mi")
    for reading in scene.readings(vehicle, [*scene.steady(6_214, 435, 20), typed_mi]):
        reading.unit, reading.meter_value = "mi", reading.value * 1.609344
        reading.save()
    chain.refresh([vehicle.pk], NOW)
    return the_odd_one()


def test_a_value_in_miles_is_taken_as_miles() -> None:
    odd = miles_van(14_300)  # 14,479 mi was the last
    decide(odd, "accept suggestion", value=14_900, unit="mi")
    assert odd.total == pytest.approx(14_900 * 1.609344)


@pytest.mark.parametrize(
    ("value", "words"),
    [
        # last 23,300 km on 8 June; at 900 km a day a week allows 8 × 900 = 7,200 km more
        (22_990, "310 km less than the reading of 8 Jun 2026 (23,300 km)"),
        (30_600, "7,300 km in 7 days from the reading of 8 Jun 2026"),
        (24_800, "100 km more than the reading of 22 Jun 2026 (24,700 km)"),
    ],
)
def test_a_value_that_cannot_follow_from_its_neighbours_asks(value: float, words: str) -> None:
    vehicle = van_with([*scene.steady(10_000, 700, 20), 23_100])
    odd = the_odd_one()
    if value == 24_800:
        scene.readings(vehicle, [24_700], until=NOW + timedelta(days=7))
        chain.refresh([vehicle.pk], NOW + timedelta(days=7))
    with pytest.raises(Question) as asked:
        decide(odd, "accept suggestion", value=value)
    assert words in str(asked.value).replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert asked.value.about == "value"
    assert not ReadingDecision.objects.exists()


@pytest.mark.parametrize("value", [23_299, 30_500])
def test_a_value_that_can_follow_is_not_asked_about(value: float) -> None:
    # a fall of 1 km is rounding; 8 days' worth at 900 km are allowed for a week
    van_with([*scene.steady(10_000, 700, 20), 23_100])
    odd = the_odd_one()
    decide(odd, "accept suggestion", value=value)
    assert odd.total == value


def test_a_value_asked_about_stands_with_its_reason_kept() -> None:
    van_with([*scene.steady(10_000, 700, 20), 23_100])
    odd = the_odd_one()
    decision = decide(odd, "accept suggestion", value=22_990, override_reason="photo seen")
    assert (odd.total, odd.verdict) == (22_990, Verdict.ACCEPTED)
    assert decision.reason == "looked at the instrument; it stands: photo seen"


def test_the_total_of_a_replaced_meter_is_doubted_too() -> None:
    van_with([*scene.steady(10_000, 700, 20), 40])
    with pytest.raises(Question, match="less than the reading of"):
        decide(the_odd_one(), "meter replaced", value=2_400)


def test_a_unit_of_another_kind_of_meter_is_refused() -> None:
    van_with([*scene.steady(10_000, 700, 20), 23_100])
    with pytest.raises(Fault, match="give km or mi"):
        decide(the_odd_one(), "accept suggestion", value=24_000, unit="h")


def test_what_the_next_reading_suggests_can_be_accepted() -> None:
    vehicle = van_with([*scene.steady(10_000, 700, 20), 14_010])
    odd = the_odd_one()
    scene.readings(vehicle, [24_700], until=NOW + timedelta(days=7))
    chain.refresh([vehicle.pk], NOW + timedelta(days=7))
    decide(odd, "accept suggestion")
    assert odd.total == 24_010  # 1 typed for 2


@pytest.mark.parametrize("value", [0, 0.5])
def test_the_smallest_values_are_meter_values_and_asked_about(value: float) -> None:
    van_with([*scene.steady(10_000, 700, 20), 23_100])
    with pytest.raises(Question, match="less than the reading of"):
        decide(the_odd_one(), "accept suggestion", value=value)


def test_the_largest_value_a_meter_shows_is_below_a_hundred_million() -> None:
    van_with([*scene.steady(10_000, 700, 20), 23_100])
    with pytest.raises(Fault, match="no meter value"):
        decide(the_odd_one(), "accept suggestion", value=100_000_000)


def test_a_meter_replaced_before_any_reading_counts_from_what_it_shows() -> None:
    vehicle = scene.van()
    (early,) = scene.readings(vehicle, [5_000], until=NOW + timedelta(days=9))
    chain.refresh([vehicle.pk], NOW)
    early.refresh_from_db()
    assert early.reason == "future_date"
    decide(early, "meter replaced")
    assert (MeterChange.objects.get().offset, early.total) == (0, 5_000)


def test_a_long_reason_is_kept_as_far_as_there_is_room() -> None:
    van_with([*scene.steady(10_000, 700, 20), 40])
    odd = the_odd_one()
    settle(
        reading_id=odd.pk,
        action="meter replaced",
        person=None,
        reason="r" * 400,
        value=24_000,
        channel="test",
    )
    assert ReadingDecision.objects.get().reason == MeterChange.objects.get().note == "r" * 300


def test_without_a_suggestion_none_can_be_accepted() -> None:
    van_with([*scene.steady(10_000, 700, 20), 23_100])
    odd = the_odd_one()
    assert odd.suggestion is None
    with pytest.raises(Fault, match="without a suggestion"):
        decide(odd, "accept suggestion")
    assert not ReadingDecision.objects.exists()


def held_of(number: str, last: float) -> Reading:
    vehicle = scene.van(number)
    scene.readings(vehicle, [*scene.steady(10_000, 700, 20), last])
    chain.refresh([vehicle.pk], NOW)
    return Reading.objects.get(vehicle=vehicle, verdict=Verdict.HELD)


def test_many_are_settled_alike_and_what_cannot_be_is_left_with_its_reason() -> None:
    # by hand: about 24,000 km are expected; 29,010 has a wrong digit, and 23,100 was noted late
    slip, late = held_of("V-1", 29_010), held_of("V-2", 23_100)
    given: dict[str, Any] = {
        "action": "accept suggestion",
        "person": None,
        "reason": "typed",
        "channel": "test",
    }
    found = settle_many([slip.pk, late.pk, 987_654], **given)
    slip.refresh_from_db()
    late.refresh_from_db()
    assert (found[slip.pk], slip.verdict) == (None, Verdict.ACCEPTED)
    assert ("without a suggestion" in str(found[late.pk]), late.verdict) == (True, Verdict.HELD)
    assert str(found[987_654]) == "There is no reading 987654."
    assert ReadingDecision.objects.get().reason == "typed"


def test_what_is_held_no_more_is_not_decided_again() -> None:
    late = held_of("V-2", 23_100)
    given: dict[str, Any] = {"person": None, "reason": "typed", "channel": "test"}
    assert settle_many([late.pk], action="reject", **given) == {late.pk: None}
    assert str(settle_many([late.pk], action="accept", **given)[late.pk]) == "It is held no more."
    late.refresh_from_db()
    assert late.verdict == Verdict.REJECTED
