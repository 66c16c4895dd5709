"""The frost target follows the depot's climate.

Coldest mean daily minimum less 15 °C, at most -15 °C: our choice; the sums are by hand.
"""

import pytest

from fleet.calc.frost import target_c
from fleet.due.frost import as_at, coldest
from fleet.due.models import CheckFigure
from fleet.vehicles.models import ClimateMonth
from tests import scene
from tests.scene import INVENTED


def freeze_point(**changes: object) -> CheckFigure:
    limits = {"pass_from": -40.0, "pass_to": -30.0, "watch_from": -45.0, "watch_to": -25.0}
    given = limits | {"follows_frost": True, "unit": "°C", "source": INVENTED} | changes
    return CheckFigure(**given)


def limits(figure: CheckFigure) -> tuple[float | None, ...]:
    return (figure.watch_from, figure.pass_from, figure.pass_to, figure.watch_to)


@pytest.mark.parametrize(
    ("coldest_c", "wanted_c"), [(8, -15), (0, -15), (-1, -16), (-9, -24), (-25, -40)]
)
def test_the_target_is_colder_than_the_coldest_month(coldest_c: float, wanted_c: float) -> None:
    assert target_c(coldest_c) == wanted_c


def test_a_hot_depot_does_not_condemn_what_would_freeze_elsewhere() -> None:
    assert limits(as_at(freeze_point(), 8)) == (-45, -40, -15, -10)


def test_a_colder_depot_moves_both_ends() -> None:
    assert limits(as_at(freeze_point(), -9)) == (-45, -40, -24, -19)
    assert limits(as_at(freeze_point(), -25)) == (-55, -50, -40, -35)


def test_open_ends_stay_open() -> None:
    half = freeze_point(pass_from=None, watch_from=None, watch_to=None)
    assert limits(as_at(half, -25)) == (None, None, -40, None)


def test_what_does_not_follow_or_is_not_known_stays_as_it_is() -> None:
    fixed = freeze_point(follows_frost=False)
    assert as_at(fixed, 8) is fixed
    following = freeze_point()
    assert as_at(following, None) is following
    strength = freeze_point(pass_to=None)
    assert as_at(strength, 8) is strength


def test_the_book_s_figure_is_not_touched_and_the_reason_is_given() -> None:
    figure = freeze_point()
    moved = as_at(figure, -9)
    assert (figure.pass_to, figure.source) == (-30, INVENTED)
    assert moved.source.startswith("frost target of the depot −24 °C: coldest month −9 °C less 15")
    assert moved.source.endswith(INVENTED)


@pytest.mark.django_db
def test_the_coldest_month_of_each_depot_counts() -> None:
    hill, coast, unknown = (scene.depot(slug) for slug in ("hill", "coast", "unknown"))
    for depot, month, least_c in ((hill, 1, -9), (hill, 7, 11), (coast, 1, 8), (coast, 2, 9)):
        ClimateMonth.objects.create(
            depot=depot, month=month, mean_daily_max_c=20, mean_daily_min_c=least_c, source=INVENTED
        )
    assert coldest([hill.pk, coast.pk, unknown.pk]) == {hill.pk: -9, coast.pk: 8}
    assert coldest([coast.pk]) == {coast.pk: 8}
    assert freeze_point().at(hill.pk).pass_to == -24
    assert freeze_point().at(coast.pk).pass_to == -15
    assert freeze_point().at(unknown.pk).pass_to == -30
