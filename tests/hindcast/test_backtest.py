"""The backtest on the database: ten years of buses in one go, and what it says of any fleet."""

from datetime import timedelta

import numpy as np
import pytest

from fleet import chain
from fleet.calc.class_rates import UNKNOWN_SPREAD
from fleet.calc.replay import Histories, replay
from fleet.calc.usage import Events
from fleet.faults import Fault
from fleet.hindcast import backtest
from fleet.hindcast.backtest import NothingToScore
from fleet.hindcast.histories import gather_histories, gather_meters
from fleet.readings.models import Reading
from fleet.usage.models import SeasonIndex, UsageState
from fleet.vehicles.models import Vehicle
from tests import cast
from tests.due.loaded import EPOCH, UNIT_KM, bus_type, load, store, vehicles
from tests.generator import Rules, generate, histories, readings

pytestmark = pytest.mark.django_db

# Long spells of standing still, as real fleets have them: zero months must break nothing.
BUSES = Rules((150.0,), season=0.0, changes_per_year=2.5, parked_per_year=0.6, parked_d=80.0)
SMALL = Rules((100.0,), season=0.2)


def ten_years_of_buses() -> Histories:
    """166 buses read monthly in miles for ten years, all at once; what they should start with."""
    fleet = generate(BUSES, 166, 10, seed=6)
    events = readings(fleet, 7, 30, UNIT_KM["mi"])
    store(vehicles(166, bus_type(100.0), cast.depot("yard"), "mi"), events)
    chain.catch_up(EPOCH + timedelta(days=float(events.at_d.max()) + 40))
    at_noon = Events.of(events.offsets, events.at_d + 0.5, events.km)
    return histories(fleet, at_noon)


@pytest.mark.any_database  # a shorter past is learnt from on both
def test_ten_years_in_one_upload_are_learnt_from_month_by_month() -> None:
    expected = ten_years_of_buses()
    rows = UsageState.objects.order_by("meter").values_list("rate_km_per_day", "spread")
    rate, spread = np.array(rows).T
    # each bus starts with the class as known before its first reading, reckoned here in memory
    np.testing.assert_allclose(rate, expected.rate, rtol=1e-9)
    np.testing.assert_allclose(spread, expected.spread, rtol=1e-9)
    assert 60 < (spread != UNKNOWN_SPREAD).sum() < 100  # half of them joined later
    found = SeasonIndex.objects.filter(in_force=True).values_list("factors", flat=True)
    assert np.abs(np.array([1.0, *np.ravel(list(found))]) - 1).max() < 0.1  # there is none
    refused = Reading.objects.exclude(verdict="accepted").count()
    assert refused <= 0.001 * Reading.objects.count()
    result = backtest.backtest(as_of_on=(EPOCH + timedelta(days=21_300)).date())
    figures = result["distance"]
    assert figures["2000"]["n"] == result["forecasts"] > 14_000
    assert min(row["skill_last_90"] for row in figures.values()) > 0.25
    assert all(0.76 <= row["coverage_80"] <= 0.92 for row in figures.values())
    assert result["by_readings"]["1-4 with class rate"]["15000"]["n"] > 200


def test_the_figures_are_those_of_a_replay_in_memory() -> None:
    now = load(SMALL, 9, 3, seed=3)
    meters = gather_meters()
    known = gather_histories(meters, now.date())
    cases = replay(known, backtest.plan_for(known, now.date()))
    row = backtest.backtest(as_of_on=now.date())["distance"]["5000"]
    assert row["n"] == len(cases.meter)
    assert row["crps"] == pytest.approx(cases.distance.own[:, 1].mean(), abs=1e-6)
    saved = 1 - cases.distance.own[:, 1].sum() / cases.distance.lifetime[:, 1].sum()
    assert row["skill_lifetime"] == pytest.approx(saved, abs=1e-6)
    missed_d = np.abs(cases.distance.error[:, 1]).mean()
    assert row["miss_days"] == pytest.approx(missed_d, abs=1e-6)
    assert row["coverage_95"] == pytest.approx(cases.distance.in_95[:, 1].mean(), abs=1e-6)


def test_it_says_the_same_each_time() -> None:
    now = load(SMALL, 6, 3, seed=3)
    first, second = (backtest.backtest(as_of_on=now.date()) for _ in range(2))
    assert first == second
    assert list(first["distance"]) == ["2000", "5000", "15000", "30000"]
    assert list(first["horizon"]) == ["30", "90", "180", "365"]
    assert {"n", "crps", "skill_last_90", "coverage_80", "bias_km"} <= set(first["horizon"]["90"])


def test_readings_after_the_day_asked_for_do_not_count() -> None:
    now = load(SMALL, 6, 3, seed=3)
    early_on = now.date() - timedelta(days=200)
    before = backtest.backtest(as_of_on=early_on)
    assert before["forecasts"] < backtest.backtest(as_of_on=now.date())["forecasts"]
    Reading.objects.filter(taken_at__date__gt=early_on).delete()
    assert backtest.backtest(as_of_on=early_on) == before


def test_a_large_fleet_is_sampled_and_says_so() -> None:
    now = load(SMALL, 12, 3, seed=3)
    result = backtest.backtest(as_of_on=now.date(), most_vehicles=5)
    assert (result["vehicles"], result["vehicles_in_all"], result["sampled"]) == (5, 12, True)
    assert result["seed"] is not None
    assert backtest.backtest(as_of_on=now.date(), most_vehicles=12)["sampled"] is False


def test_one_class_can_be_asked_for() -> None:
    now = load(SMALL, 6, 3, seed=3)
    hill = cast.depot("hill")
    Vehicle.objects.filter(fleet_number__in=["yard-000", "yard-001"]).update(depot=hill)
    assert backtest.backtest("bus@hill", now.date())["vehicles"] == 2
    whole = backtest.backtest("bus", now.date())
    assert whole["vehicles"] == 6
    parts = [whole["by_class"][name]["2000"]["n"] for name in ("bus@hill", "bus@yard")]
    assert sum(parts) == whole["forecasts"]


def test_an_unknown_class_is_named_with_those_there_are() -> None:
    bus_type()
    with pytest.raises(Fault, match="no vehicle type 'van'; there are: bus"):
        backtest.backtest("van")
    with pytest.raises(Fault, match="no depot 'moon'"):
        backtest.backtest("bus@moon")


def test_without_a_year_to_look_back_on_there_is_nothing_to_score() -> None:
    with pytest.raises(NothingToScore, match="a year of readings"):
        backtest.backtest()


def test_bars_of_the_histogram_add_up_to_one() -> None:
    now = load(SMALL, 6, 3, seed=3)
    bars = backtest.backtest(as_of_on=now.date())["pit"]["distance"]["2000"]
    assert len(bars) == 20
    assert sum(bars) == pytest.approx(1, abs=1e-4)


def test_the_newest_result_of_a_class_is_kept_for_the_pages() -> None:
    now = load(SMALL, 6, 3, seed=3)
    for day in (now.date() - timedelta(days=90), now.date(), now.date()):
        backtest.keep(backtest.backtest(as_of_on=day))
    kept = backtest.newest()
    assert kept is not None
    assert kept.as_of_on == now.date()
    assert backtest.newest("bus") is None
