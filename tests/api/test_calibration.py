from datetime import date

from fleet.due.models import BacktestResult, GuardFactor
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast

CALIBRATION = address("calibration")


def test_before_anything_is_scored_it_is_empty(people: Cast, call: Caller) -> None:
    answer = call(people.viewer).get(CALIBRATION).json()
    assert (answer["as_of"], answer["forecasts"], answer["distance"]) == (None, 0, {})
    assert (answer["guard_factor"], answer["guard_since"]) == (1.0, None)


def test_the_newest_score_of_the_whole_fleet_is_told(people: Cast, call: Caller) -> None:
    for vehicle_class, day, n in (("", 29, 1), ("", 30, 2), ("van@plain", 30, 3)):
        BacktestResult.objects.create(
            vehicle_class=vehicle_class,
            as_of_on=date(2026, 9, day),
            result={"vehicles": 8, "forecasts": n, "distance": {"2000": {"n": n}}},
        )
    answer = call(people.viewer).get(CALIBRATION).json()
    assert (answer["as_of"], answer["vehicles"], answer["forecasts"]) == ("2026-09-30", 8, 2)
    assert answer["distance"] == {"2000": {"n": 2}}


def test_the_factor_in_force_is_told_with_its_day(people: Cast, call: Caller) -> None:
    for month, factor in ((9, 1.1), (10, 1.2)):
        GuardFactor.objects.create(
            month_end_on=date(2026, month, 30), factor=factor, outcomes=400, inside_share=0.7
        )
    answer = call(people.viewer).get(CALIBRATION).json()
    assert (answer["guard_factor"], answer["guard_since"]) == (1.2, "2026-10-30")


def test_depots_of_others_are_not_named(people: Cast, call: Caller) -> None:
    BacktestResult.objects.create(
        as_of_on=date(2026, 9, 30), result={"by_class": {"van@hill": {"2000": {"n": 9}}}}
    )
    assert "hill" not in call(people.viewer).get(CALIBRATION).content.decode()
