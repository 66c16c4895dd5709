"""Which readings are judged, from where on, and what of a verdict is written."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from django.db.models import F
from pytest_django import DjangoAssertNumQueries

from fleet import chain
from fleet.calc.verdicts import Memory
from fleet.faults import Fault, Question
from fleet.readings import earlier, judge, labels
from fleet.readings.around import around
from fleet.readings.judge import Meters
from fleet.readings.models import Reading, Source, Verdict, VerdictMemory
from fleet.readings.pending import pending
from fleet.readings.reasons import WITHDRAWN
from fleet.readings.record import record
from fleet.readings.settle import expected_total, settle
from fleet.usage import rates
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.kept import kept
from tests.scene import NOW

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@kept
def vans() -> list[Vehicle]:
    """Three vans, each with ten weekly readings that nobody judged yet."""
    found = [scene.van(f"V-{number}") for number in (1, 2, 3)]
    for van in found:
        scene.readings(van, scene.steady(10_000, 700, 10))
    return found


def meters_of(vans: list[Vehicle]) -> np.ndarray:
    return np.array(sorted(one.meters.get().pk for one in vans))


def accepted(**which: Any) -> int:
    return Reading.objects.filter(verdict=Verdict.ACCEPTED, **which).count()


def test_meters_wait_while_a_reading_of_theirs_has_no_verdict(vans: list[Vehicle]) -> None:
    ids = meters_of(vans)
    assert pending().meter_id.tolist() == ids.tolist()
    asked = np.array([vans[1].pk])
    assert pending(asked).meter_id.tolist() == [vans[1].meters.get().pk]
    done = judge.judge(ids[:2], NOW, rates.start_rates)
    assert (dict(done.verdicts), done.meters, done.relabelled) == ({"accepted": 20}, 2, 0)
    assert pending().meter_id.tolist() == [ids[2]]


@pytest.mark.parametrize("at_once", [1, 2, 3])
def test_many_meters_are_judged_some_at_a_time(
    vans: list[Vehicle], monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    monkeypatch.setattr(judge, "METERS_AT_ONCE", at_once)
    done = judge.judge(meters_of(vans), NOW, rates.start_rates)
    assert (done.verdicts["accepted"], done.meters) == (30, 3)
    again = judge.replay(meters_of(vans), NOW)
    assert (again.meters, again.relabelled, sum(again.verdicts.values())) == (3, 0, 0)
    VerdictMemory.objects.update(to_replay=True)
    assert judge.replay_marked(NOW).meters == 3
    assert not VerdictMemory.objects.filter(to_replay=True).exists()


@pytest.mark.parametrize(
    ("meters", "readings", "together"),
    [
        (9, 99, [30]),
        (9, 20, [20, 10]),  # a meter is not parted
        (9, 19, [10, 20]),
        (9, 1, [10, 10, 10]),
        (2, 99, [20, 10]),
        (1, 20, [10, 10, 10]),
    ],
)
def test_verdicts_are_written_in_parts_that_hold_no_lock_for_long(
    vans: list[Vehicle],
    monkeypatch: pytest.MonkeyPatch,
    meters: int,
    readings: int,
    together: list[int],
) -> None:
    monkeypatch.setattr(judge, "METERS_AT_ONCE", meters)
    monkeypatch.setattr(judge, "READINGS_AT_ONCE", readings)
    written, write = list[int](), labels.write

    def note(*given: Any) -> int:
        written.append(write(*given))
        return written[-1]

    monkeypatch.setattr(labels, "write", note)
    judge.judge(meters_of(vans), NOW, rates.start_rates)
    assert (written, accepted()) == (together, 30)


def test_where_nothing_is_pending_nothing_is_asked_of_meters(
    vans: list[Vehicle], django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    ids = meters_of(vans)
    judge.judge(ids, NOW, rates.start_rates)
    with django_assert_num_queries(1):
        assert judge.judge(ids, NOW, rates.start_rates) == judge.Judged()


def test_up_to_an_instant_later_readings_wait(vans: list[Vehicle]) -> None:
    # the last of ten weekly readings is at NOW: eight lie more than a week before, nine a week
    ids = meters_of(vans)
    judge.judge(ids, NOW, rates.start_rates, NOW - 7 * DAY - timedelta(seconds=1))
    assert accepted() == 3 * 8
    judge.judge(ids, NOW, rates.start_rates, NOW - 7 * DAY + timedelta(seconds=1))
    assert accepted() == 3 * 9
    # an older one that came late is judged again, without those that are to wait
    scene.readings(vans[0], [10_300], until=NOW - 60 * DAY)
    judge.judge(ids, NOW, rates.start_rates, NOW - 7 * DAY + timedelta(seconds=1))
    assert (accepted(), accepted(vehicle=vans[0])) == (3 * 9 + 1, 10)


def test_a_reading_of_that_very_instant_waits(vans: list[Vehicle]) -> None:
    judge.judge(meters_of(vans), NOW, rates.start_rates, NOW - 7 * DAY)
    assert accepted() == 3 * 8
    judge.judge(meters_of(vans), NOW, rates.start_rates, NOW)
    assert accepted() == 3 * 9


def test_each_time_that_verdicts_are_rewritten_their_version_rises(vans: list[Vehicle]) -> None:
    ids = meters_of(vans)
    judge.judge(ids, NOW, rates.start_rates)
    assert {*VerdictMemory.objects.values_list("version", flat=True)} == {1}
    scene.readings(vans[0], [16_400], until=NOW + DAY)  # goes on
    scene.readings(vans[1], [10_300], until=NOW - 60 * DAY)  # an older one
    judge.judge(ids, NOW + DAY, rates.start_rates)
    versions = VerdictMemory.objects.order_by("meter").values_list("version", flat=True)
    assert list(versions) == [1, 2, 1]


def test_an_hour_meter_gains_at_most_24_hours_a_day_and_goes_by_tenths(
    vans: list[Vehicle],
) -> None:
    hours = vans[0].meters.create(kind="hours", unit="h")
    found = judge.gather_meters(np.array([hours.pk, vans[0].meters.get(kind="km").pk]))
    assert found.id.tolist() == sorted(found.id.tolist())
    by_id = dict(zip(found.id.tolist(), range(2), strict=True))
    bounds = list(zip(found.memory.top_km_per_day, found.memory.grain, strict=True))
    assert bounds[by_id[hours.pk]] == (24, 0.1)
    assert bounds[by_id[vans[0].meters.get(kind="km").pk]] == (900, 1)  # 900 of the van's type
    assert (found.known.tolist(), found.version.tolist()) == ([False] * 2, [0] * 2)


def test_what_differs_is_written_and_nothing_else(
    vans: list[Vehicle], django_assert_num_queries: Any
) -> None:
    ids = meters_of(vans)
    judge.judge(ids, NOW, rates.start_rates)
    before = list(Reading.objects.order_by("pk").values())
    wrong = Reading.objects.order_by("pk")[3]
    Reading.objects.filter(pk=wrong.pk).update(total=5, provisional=True)
    done = judge.replay(ids, NOW)
    assert done.relabelled == 1
    assert list(Reading.objects.order_by("pk").values()) == before


def test_until_when_a_reading_may_stand_amid_held_ones() -> None:
    """Nothing; waiting since day 100; one held on day 120; both."""
    n = 4
    memory = Memory.start(n, np.ones(n), np.ones(n), np.full(n, 900.0), np.ones(n))
    memory.last_at_d[:] = 100
    memory.waiting[[1, 3]] = True
    memory.held_count[[2, 3]] = 1
    memory.held_at_d[2:, -1] = 120
    found = judge._held_until_d(memory) + judge.ON_THE_HOUR_D
    stuck_d = 100 + judge.verdicts.STUCK_D[1]
    np.testing.assert_allclose(found, [np.nan, stuck_d, 120, max(stuck_d, 120)])


# --- memories of before ----------------------------------------------------------------------
def test_of_memories_at_one_instant_the_last_counts() -> None:
    meter, at_d = np.array([0, 1, 0, 0, 1, 0]), np.array([5.0, 5, 5, 6, 7, 5])
    assert earlier._last_of_each(meter, at_d).tolist() == [1, 3, 4, 5]
    assert earlier._last_of_each(meter[:1], at_d[:1]).tolist() == [0]


def test_readings_that_a_memory_knows_are_left_out() -> None:
    begun = earlier.Begun(np.array([10.0, 0.0]), np.array([6, -1]), None)  # type: ignore[arg-type]
    rows = {
        "meter_id": np.array([3, 3, 3, 3, 8]),
        "at_d": np.array([9.0, 10, 10, 11, 1]),
        "id": np.array([4, 6, 7, 5, 1]),
    }
    # of meter 3 what came after reading 6 of day 10; of meter 8 everything
    assert earlier.after(rows, np.array([3, 8]), begun)["id"].tolist() == [7, 5, 1]


def test_a_meters_bounds_are_its_first_reading_and_its_first_without_a_verdict(
    vans: list[Vehicle],
) -> None:
    empty = scene.van("V-9").meters.get()
    ids = np.array([*meters_of(vans)[:2], empty.pk])
    judge.judge(ids[:1], NOW, rates.start_rates)
    first_d, pending_d = earlier.bounds(ids)
    begin_d = (NOW - 63 * DAY).timestamp() / 86_400
    np.testing.assert_allclose(first_d, [begin_d, begin_d, np.nan])
    np.testing.assert_allclose(pending_d, [np.nan, begin_d, np.nan])


def test_meters_are_taken_by_their_places(vans: list[Vehicle]) -> None:
    judge.judge(meters_of(vans)[1:], NOW, rates.start_rates)
    part: Meters = judge.gather_meters(meters_of(vans)).take(np.array([2, 0]))
    assert part.id.tolist() == meters_of(vans)[[2, 0]].tolist()
    assert (part.known.tolist(), part.version.tolist()) == ([True, False], [1, 0])
    assert part.memory.last_km[0] == 16_300


# --- recorded --------------------------------------------------------------------------------
def arriving(van: Vehicle, *rows: tuple[int, float]) -> dict[str, np.ndarray]:
    n, at = len(rows), np.datetime64("2026-06-20T10:00", "s")
    values = np.array([value for _, value in rows], dtype=np.float64)
    return {
        "vehicle_id": np.full(n, van.pk),
        "meter_id": np.full(n, van.meters.get().pk),
        "taken_at": at + np.array([days for days, _ in rows]).astype("m8[D]"),
        "time_known": np.full(n, True),
        "value": values,
        "unit": np.full(n, "km", object),
        "meter_value": values,
        "note": np.full(n, "", object),
    }


def test_each_reading_is_recorded_once_and_new_where_it_first_stands(vans: list[Vehicle]) -> None:
    first = arriving(vans[0], (0, 5), (1, 6), (0, 5))
    ids, new, _ = record(first, Source.SHEET, NOW)
    assert (ids[0], new.tolist()) == (ids[2], [True, True, False])
    assert Reading.objects.get(pk=ids[1]).taken_at == datetime(2026, 6, 21, 10, tzinfo=UTC)
    again, new, _ = record(arriving(vans[0], (1, 6), (2, 7)), Source.SHEET, NOW)
    assert (again[0], new.tolist()) == (ids[1], [False, True])
    # from another source, of another meter or with another value it is another reading
    for given, source in ((arriving(vans[0], (1, 6)), Source.API),
                          (arriving(vans[1], (1, 6)), Source.SHEET),
                          (arriving(vans[0], (1, 6.5)), Source.SHEET)):  # fmt: skip
        assert record(given, source, NOW)[1].tolist() == [True]
    nothing, none, _ = record(arriving(vans[0]), Source.SHEET, NOW)
    assert (nothing.tolist(), none.tolist()) == ([], [])


def test_one_that_went_with_its_upload_counts_as_new_and_waits_for_a_verdict(
    vans: list[Vehicle],
) -> None:
    (pk,), *_ = record(arriving(vans[0], (0, 5)), Source.SHEET, NOW)
    gone = {"verdict": Verdict.REJECTED, "fixed": "rejected", "reason": WITHDRAWN}
    for changed, new in ((gone, True), (gone | {"reason": "rolled_back"}, False),
                         (gone | {"verdict": Verdict.HELD}, False)):  # fmt: skip
        Reading.objects.filter(pk=pk).update(**changed)
        assert record(arriving(vans[0], (0, 5)), Source.SHEET, NOW)[1].tolist() == [new]
        row = Reading.objects.get(pk=pk)
        wanted = ("not judged", "", "") if new else (changed["verdict"], "rejected", changed["reason"])  # fmt: skip  # noqa: E501
        assert (row.verdict, row.fixed, row.reason) == wanted


# --- the chart beside a reading --------------------------------------------------------------
def test_beside_a_reading_stand_the_days_nearest_to_it(vans: list[Vehicle]) -> None:
    van = scene.van("V-8")
    for days in (*range(-14, 10, 2), -201, -200, 100, 101):
        scene.readings(van, [20_000 + 10 * days], until=NOW + days * DAY)
    scene.readings(
        van, [19_979], until=NOW - 2 * DAY - timedelta(hours=1)
    )  # of one day the highest
    Reading.objects.filter(vehicle=van).update(verdict="accepted")
    for row in Reading.objects.filter(vehicle=van):
        Reading.objects.filter(pk=row.pk).update(total=row.value)
    asked = Reading.objects.get(vehicle=van, value=20_000)
    told = around([asked])[asked.pk]
    # eight days before it and four after it, none of its own day
    days = [*range(-14, 0, 2), *range(2, 10, 2)]
    assert [((on - NOW.date()).days, km) for on, km in told] == [
        (at, 20_000 + 10 * at) for at in [-200, *days]
    ]
    Reading.objects.filter(vehicle=van, taken_at__gt=NOW, taken_at__lt=NOW + 9 * DAY).delete()
    later = [(on - NOW.date()).days for on, _ in around([asked])[asked.pk] if on > NOW.date()]
    assert later == [100]
    Reading.objects.filter(vehicle=van, value=19_980).update(verdict="held")
    assert (date(2026, 6, 13), 19_979) in around([asked])[asked.pk]
    assert around([]) == {}


def test_days_beside_a_reading_are_those_of_its_depot() -> None:
    """13:00 UTC on 14 June is 01:00 on the 15th twelve hours ahead, and 03:00 ten hours behind."""
    at, told = datetime(2026, 6, 14, 13, tzinfo=UTC), {}
    for number, zone in (("V-1", "Pacific/Auckland"), ("V-2", "Pacific/Honolulu")):
        van = scene.van(number, scene.depot(number.lower(), zone))
        first, asked = scene.readings(van, [100.0, 200.0], every_d=0.5, until=at)
        scene.readings(van, [300.0], until=at + timedelta(hours=30))
        Reading.objects.filter(vehicle=van).update(verdict="accepted", total=F("value"))
        told[zone] = around([asked])[asked.pk]
        assert first.taken_at == datetime(2026, 6, 14, 1, tzinfo=UTC)
    # of the first depot the other one is of the day before, of the second of the same day at 15:00
    assert told == {
        "Pacific/Auckland": [(date(2026, 6, 14), 100), (date(2026, 6, 16), 300)],
        "Pacific/Honolulu": [(date(2026, 6, 13), 100), (date(2026, 6, 15), 300)],
    }


def test_readings_of_depots_with_other_clocks_are_told_by_one_query(
    django_assert_num_queries: DjangoAssertNumQueries,
) -> None:
    for number, zone in (("V-1", "Pacific/Auckland"), ("V-2", "Pacific/Honolulu")):
        scene.readings(scene.van(number, scene.depot(number.lower(), zone)), [100.0, 200.0])
    asked = list(Reading.objects.select_related("vehicle__depot"))
    with django_assert_num_queries(1):
        around(asked)


# --- decided ---------------------------------------------------------------------------------
def decided(reading: Reading, value: float | None, **given: Any) -> Any:
    fields = {"action": "other value", "person": None, "reason": "seen", "channel": "test"}
    return settle(reading_id=reading.pk, value=value, **(fields | given))


def test_a_value_is_a_number_that_a_meter_can_show_in_one_of_its_units(
    vans: list[Vehicle],
) -> None:
    chain.refresh([van.pk for van in vans], NOW)
    (reading,) = scene.readings(vans[0], [25_000], until=NOW + DAY)
    chain.refresh([vans[0].pk], NOW + DAY)
    for value in (-0.1, 1e8, float("inf"), float("nan")):
        with pytest.raises(Fault, match="is no meter value: give a number from 0 up"):
            decided(reading, value)
    with pytest.raises(Fault, match="“h” is no unit of this meter: give km or mi"):
        decided(reading, 16_400, unit="h")
    with pytest.raises(Fault, match="“furlongs a” is no unit"):
        decided(reading, 16_400, unit="furlongs and more")
    with pytest.raises(Question):
        decided(reading, 99_999_999.0)
    assert decided(reading, 99_999_999.0, override_reason="seen").reason == "seen"
    assert decided(reading, 10_200, unit="mi").value == pytest.approx(10_200 * 1.609344)


def test_an_hour_meters_values_are_hours(vans: list[Vehicle]) -> None:
    hours = vans[0].meters.create(kind="hours", unit="h")
    (reading,) = scene.readings(vans[0], [5], until=NOW + DAY)
    Reading.objects.filter(pk=reading.pk).update(meter=hours, unit="h")
    with pytest.raises(Fault, match="give h"):
        decided(reading, 5, unit="km")
    assert decided(reading, 6.5, unit="h").value == 6.5


def test_what_a_vehicle_should_have_had_goes_on_from_the_last_accepted_one(
    vans: list[Vehicle],
) -> None:
    chain.refresh([van.pk for van in vans], NOW)
    (reading,) = scene.readings(vans[0], [3], until=NOW + 3 * DAY + timedelta(hours=12))
    assert expected_total(reading) == pytest.approx(16_300 + 3.5 * 100, abs=1)  # 100 km a day
    reading.provisional, reading.total = True, 17_000
    assert expected_total(reading) == 17_000
    reading.provisional = False
    Reading.objects.exclude(pk=reading.pk).update(verdict="held")
    assert expected_total(reading) == 3


def test_the_total_of_a_second_new_meter_is_asked_about_as_the_new_one_shows_it(
    vans: list[Vehicle],
) -> None:
    # 10,000 … 16,300 km shown after a meter that had counted 40,000: 56,300 in all
    meter = vans[0].meters.get()
    meter.changes.create(from_at=NOW - 400 * DAY, offset=40_000, note="invented")
    chain.refresh([vans[0].pk], NOW)
    (reading,) = scene.readings(vans[0], [30], until=NOW + 7 * DAY)
    chain.refresh([vans[0].pk], NOW + 7 * DAY)
    with pytest.raises(Question, match="less than the reading of"):
        decided(reading, 56_200, action="meter replaced")
    assert decided(reading, 57_000, action="meter replaced").value == 57_000
