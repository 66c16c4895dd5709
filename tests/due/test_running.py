"""How much a vehicle runs, in the lines that explain a due date."""

from datetime import date, timedelta

import pytest
from django.db.models import F

from fleet.readings.models import Reading
from fleet.usage.models import SeasonIndex, UsageState
from tests.due.test_explain_lines import MIDNIGHT_D, TODAY, Due, due, lines
from tests.scene import NOW

__all__ = ["due"]  # the scene, as a fixture
pytestmark = pytest.mark.django_db


def test_of_a_day_that_has_passed_since_the_reading_no_sum_is_done(due: Due) -> None:
    row = {"binding_limit": "km", "binding_probability": 1, "remaining_km": 90, "calendar_on": None}
    told = "At about 90 km a day from that reading on, it is used up on 16 Jun 2026."
    row["p50"] = TODAY + timedelta(days=1)
    assert told in lines(due, NOW + timedelta(days=1), **row)
    assert "used up" not in lines(due, NOW + timedelta(days=2), **row)


def test_without_a_reading_no_sum_is_done(due: Due) -> None:
    Reading.objects.update(verdict="held")
    row = {"binding_limit": "km", "binding_probability": 1, "remaining_km": 90}
    assert "used up" not in lines(due, **row)


# 100 km a day of its class: by hand, and never less than a twentieth of the long run
@pytest.mark.parametrize(
    ("mu", "u", "now_km", "usual_km"),
    [(0.8, 0.2, 100, 80), (0.8, -0.5, 30, 80), (0.8, -0.79, 4, 80), (1.25, 0, 125, 125)],
)
def test_how_much_it_runs_is_said_now_and_in_the_long_run(
    due: Due, mu: float, u: float, now_km: int, usual_km: int
) -> None:
    UsageState.objects.update(rate_km_per_day=100, mu=mu, u=u, readings=24)
    assert (
        "\nLast accepted reading 26,100 km on 15 Jun 2026, today. Running about "
        f"{now_km} km a day now, {usual_km} in the long run, from 24 readings.\n"
    ) in lines(due)


def test_how_much_it_runs_now_is_said_with_its_season(due: Due) -> None:
    factors = [1.0] * 5 + [1.19] + [1.0] * 5 + [0.81]  # of June, and of December
    season = SeasonIndex.objects.create(
        **{"type_pk": 1, "depot_pk": 1, "month_end_on": date(2026, 5, 31), "in_force": True},
        **{"factors": factors, "weight": 1.0, "vehicles": 30},
    )
    UsageState.objects.update(rate_km_per_day=100, mu=0.8, u=0.2, readings=24, season=season)
    told = "Running about 119 km a day now (June counts 1.19 here), 80 in the long run"
    assert told in lines(due)
    SeasonIndex.objects.update(factors=[*factors[:5], 1.0, *factors[6:]])
    assert "Running about 100 km a day now, 80 in the long run" in lines(due)


@pytest.mark.parametrize(
    ("shows_km", "said"),
    [
        (6_100, "6,100\u202fkm, 20,000\u202fkm less than the vehicle has run"),
        (30_000, "30,000\u202fkm, 3,900\u202fkm more than the vehicle has run"),
    ],
)
def test_what_a_meter_shows_is_said_where_that_is_not_the_total(
    due: Due, shows_km: float, said: str
) -> None:
    """26,100 km is the total."""
    newest = Reading.objects.latest("taken_at")
    Reading.objects.filter(pk=newest.pk).update(meter_value=shows_km)
    assert f", today. The meter shows {said}. Running about" in lines(due)
    Reading.objects.update(meter_value=F("total"))
    assert ", today. Running about" in lines(due)


def test_the_day_of_a_reading_is_that_of_the_depot(due: Due) -> None:
    vehicle, _ = due
    vehicle.depot.zone = "Pacific/Auckland"  # UTC+12 in June
    assert "on 15 Jun 2026, 2 days ago." in lines(due, NOW + timedelta(days=1, hours=4))
    assert "on 15 Jun 2026, 1 day ago." in lines(due, NOW + timedelta(days=1, hours=2))


def test_it_says_that_usage_rests_on_a_guess(due: Due) -> None:
    said = "It rests on a meter offset that nobody has confirmed."
    assert said not in lines(due)
    UsageState.objects.update(provisional=True)
    assert said in lines(due)


def test_without_a_reading_usage_is_not_known(due: Due) -> None:
    UsageState.objects.all().delete()
    assert "\nNo accepted reading yet: usage is not known.\n" in lines(due)


def test_it_says_since_when_it_stands_and_that_it_runs_again(due: Due) -> None:
    UsageState.objects.update(filtered_at_d=MIDNIGHT_D - 4.5, idle_d=20, season=None,
                              last_at_d=MIDNIGHT_D - 4.5)  # fmt: skip
    # 24.5 days before the 15th, at noon of 21 May
    assert " It has been standing since 21 May 2026; dates assume it may stand on." in lines(due)
    state = UsageState.objects.get()
    UsageState.objects.update(last_at_d=MIDNIGHT_D - 2, last_km=state.filtered_km + 300)
    assert " It stood from 21 May 2026 and is running again since 10 Jun 2026." in lines(due)
    UsageState.objects.update(idle_d=0)
    assert "standing" not in lines(due)
