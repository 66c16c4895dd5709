import json
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.test import Client
from django.utils import timezone

from fleet import chain
from fleet.calc import duty, usage
from fleet.dashboard.method_facts import assumptions
from fleet.due.models import BacktestResult, GuardFactor
from fleet.people.models import Person
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Source
from fleet.runs.models import Run
from tests.cast import Cast

SignedIn = Callable[[Person], Client]


def figures(n: int = 400) -> dict[str, object]:
    return {
        "n": n,
        "crps": 9.1,
        "skill_last_90": 0.44,
        "skill_lifetime": 0.31,
        "coverage_80": 0.812,
        "coverage_95": 0.941,
        "bias_days": 1.5,
    }


@pytest.fixture
def scored(people: Cast) -> BacktestResult:
    distances = {"2000": figures(), "5000": figures()}
    result = {
        "vehicles": 166,
        "forecasts": 4_321,
        "first_month_end": "2025-01-31",
        "last_month_end": "2025-10-31",
        "distance": distances,
        "horizon": {},
        "by_class": {"van@plain": distances, "van@hill": distances},
        "by_readings": {"1": distances, "37+": {"2000": figures(0), "5000": figures(0)}},
        "pit": {"distance": {"2000": [0.05] * 20, "5000": [0.05] * 20}, "horizon": {}},
    }
    return BacktestResult.objects.create(as_of_on=date(2026, 10, 31), result=result)


def page(client: Client) -> str:
    return client.get("/method").content.decode()


def test_it_says_what_the_three_dates_mean(people: Cast, signed_in: SignedIn) -> None:
    seen = page(signed_in(people.viewer))
    for words in ("Earliest likely", "Expected (50:50)", "Latest likely"):
        assert words in seen


def test_without_a_score_it_says_what_to_do(people: Cast, signed_in: SignedIn) -> None:
    assert "Nothing has been scored yet" in page(signed_in(people.viewer))
    assert "sumpwise backtest" in page(signed_in(people.supervisor))


def test_a_score_is_shown_with_its_numbers_and_its_day(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    seen = page(signed_in(people.viewer))
    for words in ("4,321 forecasts", "31 Oct 2026", "81 %", "94 %", "44 %", "1.5 days"):
        assert words in seen.replace("\u202f", " ").replace("\xa0", " ")


def test_classes_of_other_depots_are_left_out(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    seen = page(signed_in(people.viewer))
    assert "van@plain" in seen
    assert "van@hill" not in seen


@pytest.mark.parametrize("chart", ["coverage", "skill", "pit"])
def test_each_chart_is_a_figure_of_known_traces(
    people: Cast, signed_in: SignedIn, scored: BacktestResult, chart: str
) -> None:
    answer = signed_in(people.viewer).get(f"/method/{chart}")
    drawn = json.loads(answer.content)
    assert {trace["type"] for trace in drawn["data"]} == {"scatter"}
    assert len(drawn["data"]) >= 2


def test_a_chart_without_a_score_is_not_found(people: Cast, signed_in: SignedIn) -> None:
    assert signed_in(people.viewer).get("/method/coverage").status_code == 404


def test_the_guards_factor_is_told_with_its_reason(people: Cast, signed_in: SignedIn) -> None:
    assert "no reason to" in page(signed_in(people.viewer))
    GuardFactor.objects.create(
        month_end_on=date(2026, 9, 30), factor=1.3, outcomes=512, inside_share=0.71
    )
    seen = page(signed_in(people.viewer))
    assert "1.30" in seen
    assert "512" in seen


def test_assumptions_are_those_of_the_code(db: None) -> None:
    told = {one.value for one in assumptions()}
    assert f"{usage.NOISE_D:g} days' worth" in told
    assert f"{duty.MEASURED_SHARE:.0%}" in told
    assert all(one.source for one in assumptions())


def test_an_assumption_follows_the_code(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(usage, "NOISE_D", 7.5)
    assert "7.5 days' worth" in {one.value for one in assumptions()}


def test_a_supervisor_has_the_past_scored_and_nobody_else(
    people: Cast, signed_in: SignedIn
) -> None:
    assert signed_in(people.mechanic).post("/method/score").status_code == 403
    assert not Run.objects.filter(job="backtest").exists()


def test_scoring_the_past_leaves_a_result_and_a_run(
    people: Cast, signed_in: SignedIn, django_capture_on_commit_callbacks: Callable[..., object]
) -> None:
    _years_of_readings(people)
    with django_capture_on_commit_callbacks(execute=True):
        signed_in(people.supervisor).post("/method/score")
    assert Run.objects.get(job="backtest").state == "done"
    assert BacktestResult.objects.get().result["forecasts"] > 0


def test_a_vehicle_shows_what_was_forecast_before(people: Cast, signed_in: SignedIn) -> None:
    _years_of_readings(people)
    seen = signed_in(people.viewer).get("/vehicles/V-101/then").content.decode()
    assert "Asked on" in seen
    assert seen.count("<tr>") == 1 + 3  # the heading, and 3, 6 and 12 months ago
    assert signed_in(people.viewer).get("/vehicles/V-201/then").status_code == 404


def _years_of_readings(people: Cast) -> None:
    now = timezone.now().replace(microsecond=0)
    meter = people.van.meters.get()
    entries = [
        Entry(
            vehicle_id=people.van.pk,
            meter_id=meter.pk,
            taken_at=now - timedelta(days=900 - 30 * at),
            time_known=True,
            value=1_000 + 2_700.0 * at,
            unit="km",
        )
        for at in range(30)
    ]
    enter(entries, Source.DEMO)
    chain.refresh([people.van.pk], now)
