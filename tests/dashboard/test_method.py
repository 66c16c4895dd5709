import json
import re
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from django.test import Client

from fleet.due.models import BacktestResult, GuardFactor
from fleet.duty.models import Criterion
from fleet.people.models import Person
from fleet.runs.models import Run
from tests.cast import Cast
from tests.dashboard.years import years_of_readings
from tests.kept import kept

SignedIn = Callable[[Person], Client]


def figures(n: int = 400) -> dict[str, object]:
    return {
        "n": n,
        "crps": 9.0,
        "skill_last_90": 0.44,
        "skill_lifetime": -0.25,
        "coverage_80": 0.812,
        "coverage_95": 0.941,
        "bias_days": 1.5,
        "miss_days": 10.8,
        "n_within_year": 320,
        "coverage_80_within_year": 0.771,
    }


@kept
def scored(people: Cast) -> BacktestResult:
    distances = {"2000": figures(), "5000": figures(), "30000": figures(0)}
    result = {
        "vehicles": 166,
        "sampled": False,
        "forecasts": 4_321,
        "first_month_end": "2025-01-31",
        "last_month_end": "2025-10-31",
        "distance": distances,
        "by_class": {"van@plain": distances, "van@hill": distances},
        "by_readings": {"1": distances, "37+": {"2000": figures(0), "5000": figures(0)}},
        "pit": {"distance": {"5000": [0.03, 0.07] * 10}},
    }
    return BacktestResult.objects.create(as_of_on=date(2026, 10, 31), result=result)


def page(client: Client, address: str = "/method") -> str:
    told = client.get(address).content.decode()
    return told.replace("\u202f", " ").replace("\xa0", " ")


def test_it_says_what_the_three_dates_mean(people: Cast, signed_in: SignedIn) -> None:
    seen = page(signed_in(people.viewer))
    for words in ("Earliest likely", "Expected (50:50)", "Latest likely", "1 of 10", "9 of 10"):
        assert words in seen


def test_without_a_backtest_it_says_what_to_do(people: Cast, signed_in: SignedIn) -> None:
    for person in (people.viewer, people.supervisor):
        seen = page(signed_in(person))
        assert "No backtest yet" in seen
        assert "sumpwise backtest" in seen


def test_only_who_may_start_a_backtest_sees_the_button(people: Cast, signed_in: SignedIn) -> None:
    assert "Run the backtest now" in page(signed_in(people.supervisor))
    assert "Run the backtest now" not in page(signed_in(people.viewer))


@pytest.mark.parametrize(
    "words",
    ["4,321 forecasts", "166 vehicles", "31 Oct 2026", "81 %", "94 %", "1.5 days too late",
     "77 % of 320 within a year"],
)  # fmt: skip
def test_a_score_is_shown_with_its_numbers_and_its_day(
    people: Cast, signed_in: SignedIn, scored: BacktestResult, words: str
) -> None:
    assert words in page(signed_in(people.viewer))


def test_the_expected_day_is_held_against_plain_rules_day_by_day(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    seen = page(signed_in(people.viewer))
    # skill = 1 − own / rival, so 9.0 / (1 − .44) = 16.07 and 9.0 / (1 + .25) = 7.2 of the rules;
    # the expected day missed by 10.8: 1 − 10.8 / 16.07 = .328, 1 − 10.8 / 7.2 = −.5
    told = ("10.8 days", "score with band 9.0", "16.1 days", "we 33 % closer", "7.2 days")
    for words in (*told, "we 50 % further off"):
        assert words in seen
    assert "44 %" not in seen  # of the score: it has a band, the rules have none


def test_a_rule_that_was_never_wrong_has_no_error_to_save(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    for row in scored.result["distance"].values():
        row["skill_lifetime"] = None
    scored.save()
    seen = page(signed_in(people.viewer)).partition("By class")[0]
    assert ("no error either" in seen, "we 33 % closer" in seen) == (True, True)
    assert "7.2 days" not in seen


def test_a_backtest_from_before_days_were_counted_compares_nothing(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    for rows in (scored.result["distance"], *scored.result["by_class"].values()):
        for row in rows.values():
            row.pop("miss_days", None)
    scored.save()
    seen = page(signed_in(people.viewer)).partition("By number of readings")[0]
    assert ("with the next backtest" in seen, "16.1 days" in seen) == (True, True)
    assert ("closer than" in seen, "further off" in seen) == (False, False)
    assert chart(signed_in(people.viewer), "skill")["than the lifetime"]["y"] == [None, None]


def test_a_distance_nobody_was_scored_at_is_left_out(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    seen = page(signed_in(people.viewer))
    assert "30,000 km" not in seen.partition("Every assumption")[0]
    assert "37+ readings" not in seen


def test_few_forecasts_are_called_a_first_hint(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    enough = page(signed_in(people.viewer))
    assert ("first hint" in enough, "data-chart" in enough) == (False, True)
    scored.result["forecasts"] = 299
    scored.save()
    few = page(signed_in(people.viewer))
    assert ("first hint" in few, "data-chart" in few, "plotly" in few) == (True, False, False)


def test_the_three_dates_are_told_of_ones_own_vehicle(people: Cast, signed_in: SignedIn) -> None:
    seen = page(signed_in(people.viewer))
    assert re.search(r"engine oil of V-10[12]</a> falls due earliest likely", seen)
    assert "V-201" not in seen


def test_classes_of_other_depots_are_left_out(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    seen = page(signed_in(people.viewer))
    assert "Van, Plain" in seen
    assert "Hill" not in seen.split("By class", 1)[1].split("By number", 1)[0]


def test_the_newest_backtest_of_the_whole_fleet_counts(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    for day, vehicle_class, forecasts in ((30, "", 5_555), (31, "van", 6_666)):
        BacktestResult.objects.create(
            as_of_on=date(2026, 10, day),
            vehicle_class=vehicle_class,
            result={**scored.result, "forecasts": forecasts},
        )
    assert "4,321 forecasts" in page(signed_in(people.viewer))


def chart(client: Client, name: str) -> dict[str, dict[str, Any]]:
    drawn = json.loads(client.get(f"/method/{name}").content)
    return {trace["name"]: trace for trace in drawn["data"]}


def test_bands_are_drawn_beside_what_they_should_hold(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    drawn = chart(signed_in(people.viewer), "coverage")
    assert drawn["inside the 80 % band"]["y"] == [0.812, 0.812]
    assert drawn["inside the 95 % band"]["y"] == [0.941, 0.941]
    assert drawn["should be 80 %"]["y"] == [0.8, 0.8]
    assert drawn["inside the 80 % band"]["x"] == ["2,000", "5,000"]


def test_the_expected_day_is_drawn_against_both_plain_rules(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    drawn = chart(signed_in(people.viewer), "skill")
    assert drawn["than the last 90 days"]["y"] == pytest.approx([0.328, 0.328])
    assert drawn["than the lifetime"]["y"] == pytest.approx([-0.5, -0.5])


def test_outcomes_are_drawn_by_twentieths_and_told_in_words(
    people: Cast, signed_in: SignedIn, scored: BacktestResult
) -> None:
    drawn = chart(signed_in(people.viewer), "pit")
    assert drawn["outcomes"]["y"] == [*([0.03, 0.07] * 10), 0.07]
    assert drawn["as it should be"]["y"] == [0.05, 0.05]
    assert "5 % to 10 %:</span> 7 %" in page(signed_in(people.viewer))


def test_a_chart_without_a_backtest_is_not_found(people: Cast, signed_in: SignedIn) -> None:
    assert signed_in(people.viewer).get("/method/coverage").status_code == 404


def test_bands_that_were_never_widened_are_said_to_stand(people: Cast, signed_in: SignedIn) -> None:
    assert "It has not looked yet" in page(signed_in(people.viewer))
    for month, outcomes in ((8, 400), (9, 512)):
        counts = {"forecasts": outcomes, "inside %": 83}
        Run.objects.create(job="guard", on=date(2026, month, 30), state="done", counts=counts)
    seen = page(signed_in(people.viewer))
    assert "bands stand as computed" in seen
    assert "30 Sep 2026 it counted 512 forecasts; 83 % of what came of them lay inside" in seen


def test_the_factor_of_the_bands_is_told_since_when_and_why(
    people: Cast, signed_in: SignedIn
) -> None:
    for month, factor in ((8, 1.1), (9, 1.3)):
        GuardFactor.objects.create(
            month_end_on=date(2026, month, 30), factor=factor, outcomes=512, inside_share=0.71
        )
    seen = page(signed_in(people.viewer))
    for words in ("Since 30 Sep 2026", "1.30", "512 forecasts only 71 %"):
        assert words in seen


def test_criteria_are_told_with_their_share_and_source(people: Cast, signed_in: SignedIn) -> None:
    Criterion.objects.create(
        slug="trips", name="Short trips", compartments=[], powertrains=[], conditions=[],
        share_limit=0.4, window_months=9, source="invented for the tests",
    )  # fmt: skip
    seen = page(signed_in(people.viewer))
    assert "40 % of 9 months" in seen
    assert "invented for the tests; the share: our choice" in seen


def test_nobody_but_a_supervisor_starts_a_backtest(people: Cast, signed_in: SignedIn) -> None:
    assert signed_in(people.mechanic).post("/method/score").status_code == 403
    assert not Run.objects.filter(job="backtest").exists()


def test_a_backtest_started_here_leaves_a_result_and_a_run(
    people: Cast, signed_in: SignedIn
) -> None:
    years_of_readings(people)
    answer = signed_in(people.supervisor).post("/method/score")
    assert answer.url == "/runs?asked=1"  # type: ignore[attr-defined]
    run, stored = Run.objects.get(job="backtest"), BacktestResult.objects.get()
    assert stored.result["forecasts"] > 0
    assert (run.state, run.counts) == ("done", {"forecasts": stored.result["forecasts"]})
    assert "No backtest yet" not in page(signed_in(people.viewer))


@pytest.mark.parametrize("role", ["supervisor", "mechanic", "clerk", "viewer"])
def test_everybody_finds_it_below_every_page(people: Cast, signed_in: SignedIn, role: str) -> None:
    client = signed_in(getattr(people, role))
    assert '<a href="/method">how they are made</a>' in page(client, "/readings")
    assert client.get("/method").status_code == 200
