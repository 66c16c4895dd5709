from datetime import date

from fleet.due.models import BacktestResult, GuardFactor
from tests.api.conftest import Caller
from tests.cast import Cast


def test_before_anything_is_scored_it_is_empty(people: Cast, call: Caller) -> None:
    answer = call(people.viewer).get("/api/v1/calibration").json()
    assert (answer["as_of"], answer["distance"], answer["guard_factor"]) == (None, {}, 1.0)


def test_the_newest_score_and_the_factor_in_force_are_told(people: Cast, call: Caller) -> None:
    for day, n in ((date(2026, 9, 30), 1), (date(2026, 10, 31), 2)):
        BacktestResult.objects.create(as_of_on=day, result={"distance": {"2000": {"n": n}}})
        GuardFactor.objects.create(
            month_end_on=day, factor=1 + n / 10, outcomes=400, inside_share=0.7
        )
    answer = call(people.viewer).get("/api/v1/calibration").json()
    assert answer["as_of"] == "2026-10-31"
    assert answer["distance"] == {"2000": {"n": 2}}
    assert answer["guard_factor"] == 1.2
