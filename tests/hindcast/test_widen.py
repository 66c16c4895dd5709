"""Looking back each month, on the database: its run, its versions, and the dates that follow."""

from datetime import date, timedelta

import numpy as np
import pytest
from django.core.exceptions import ValidationError

from fleet import chain
from fleet.due import forecast, widening
from fleet.due.models import BacktestResult, DueDate, GuardFactor, ServiceDone
from fleet.due.rules import gather_basis
from fleet.due.stamps import changed_dates
from fleet.hindcast import backtest, widen
from fleet.runs.models import Run
from fleet.vehicles.models import Compartment, Vehicle
from tests.due.loaded import load
from tests.generator import Rules

pytestmark = pytest.mark.django_db

# Levels that jump far and often: the filter's bands are too narrow for such a fleet.
RESTLESS = Rules((150.0,), season=0.0, changes_per_year=2.0, change_sd=1.2, parked_per_year=1.0)
STEADY = Rules((150.0,), season=0.0, changes_per_year=0.1, change_sd=0.1, parked_per_year=1e-9)


def give_a_service(on: date) -> None:
    engine = Compartment.objects.create(
        vehicle_type_id=Vehicle.objects.values_list("vehicle_type", flat=True)[0],
        slug="engine",
        kind="engine",
        name="Engine",
        source="invented for the tests",
    )
    service = engine.services.create(
        vehicle_type=engine.vehicle_type, slug="oil", name="Oil", source="invented for the tests"
    )
    service.limits.create(duty_class="normal", limit_km=30_000, source="invented for the tests")
    totals = Vehicle.objects.values_list("pk", "usage_states__last_km")
    ServiceDone.objects.bulk_create(
        ServiceDone(
            vehicle_id=pk, service=service, done_on=on, total_km=km, evidence="baseline", source="x"
        )
        for pk, km in totals
    )


def every_vehicle() -> np.ndarray:
    return np.array(Vehicle.objects.order_by("pk").values_list("pk", flat=True))


def bands_d() -> np.ndarray:
    rows = DueDate.objects.exclude(p90=None).order_by("vehicle_id").values_list("p10", "p90")
    return np.array([(late - early).days for early, late in rows])


def test_a_fleet_forecast_too_surely_gets_wider_bands_and_new_dates() -> None:
    now = load(RESTLESS, 40, 3, seed=1)
    give_a_service(now.date() - timedelta(days=30))
    forecast.forecast(every_vehicle(), now.date())
    before = bands_d()
    widen.watch(now.date())
    version = GuardFactor.objects.get()
    assert version.outcomes >= 300
    assert version.inside_share < 0.75
    assert version.factor > 1.1
    assert len(changed_dates(every_vehicle(), now.date(), gather_basis())) == 40
    forecast.forecast(every_vehicle(), now.date())
    assert np.mean(bands_d()) > 1.05 * np.mean(before)


def test_a_fleet_steadier_than_forecast_keeps_its_bands() -> None:
    now = load(STEADY, 30, 3, seed=2)
    run = widen.watch(now.date())
    assert run is not None
    assert run.counts["inside %"] > 85
    assert run.counts["band width %"] == 100
    assert not GuardFactor.objects.exists()


def test_the_program_looks_back_once_a_month_and_keeps_the_figures() -> None:
    now = load(STEADY, 12, 3, seed=2)
    first = widen.watch(now.date())
    assert first is not None
    assert widen.watch(now.date()) is None
    assert Run.objects.filter(job="guard").count() == 1
    kept = backtest.newest()
    assert kept is not None
    assert kept.as_of_on == first.on == backtest.month_end_before(now.date())
    assert kept.result["vehicles"] == 12


def test_a_factor_that_is_no_longer_needed_falls_back_to_one() -> None:
    now = load(STEADY, 25, 3, seed=2)
    month_end_on = backtest.month_end_before(now.date())
    earlier = month_end_on - timedelta(days=31)
    GuardFactor.objects.create(month_end_on=earlier, factor=1.9, outcomes=80, inside_share=0.7)
    widen.watch(now.date())
    assert widening.in_force() == 1.0
    assert GuardFactor.objects.count() == 2  # what was in force when stays known
    rows = GuardFactor.objects.order_by("-month_end_on")
    assert (rows[0].month_end_on, rows[0].outcomes >= 300) == (month_end_on, True)
    assert gather_basis().rules.widening == 1.0


def test_a_factor_without_forecasts_to_stand_on_falls_back_to_one() -> None:
    GuardFactor.objects.create(
        month_end_on=date(2025, 12, 31), factor=1.9, outcomes=80, inside_share=0.7
    )
    widen.watch(date(2026, 3, 5))
    assert widening.in_force() == 1.0


def test_no_version_narrows_the_bands() -> None:
    row = GuardFactor(month_end_on=date(2026, 3, 31), factor=0.99, outcomes=400, inside_share=0.9)
    with pytest.raises(ValidationError, match="greater than or equal to 1"):
        row.full_clean()


def test_a_young_fleet_is_passed_over() -> None:
    run = widen.watch(date(2026, 3, 5))
    assert run is not None
    assert (run.on, run.state) == (date(2026, 2, 28), Run.State.DONE)
    assert run.counts == {"forecasts": 0}
    assert not BacktestResult.objects.exists()


def test_the_night_looks_back_once_a_month() -> None:
    now = load(STEADY, 6, 3, seed=2)
    chain.nightly(now.date())
    chain.nightly(now.date() + timedelta(days=1))
    assert Run.objects.get(job="guard").on == backtest.month_end_before(now.date())


def test_past_forecasts_keep_the_factor_they_were_made_with() -> None:
    for month_end_on, factor in ((date(2025, 3, 31), 1.2), (date(2025, 6, 30), 1.5)):
        GuardFactor.objects.create(
            month_end_on=month_end_on, factor=factor, outcomes=300, inside_share=0.7
        )
    months = np.arange(
        np.datetime64("2025-02", "M").astype(int), np.datetime64("2025-08").astype(int)
    )
    assert list(backtest._widening_at(months)) == [1, 1.2, 1.2, 1.2, 1.5, 1.5]
