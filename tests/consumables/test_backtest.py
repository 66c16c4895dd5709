"""Coverage of past forecasts, counted by hand."""

from datetime import UTC, date, datetime

import pytest

from fleet.consumables.backtest import Coverage, coverage
from fleet.consumables.models import FirstForecast
from fleet.people.actor import Actor
from fleet.stores import ledger
from fleet.stores.models import Item, StockMove
from tests import scene
from tests.stores import shelf

pytestmark = pytest.mark.django_db
TODAY = date(2026, 6, 20)


def forecast(item: Item, month: int, *, made_in: int, p80: int = 1000, at: float = 0.0) -> None:
    FirstForecast.objects.create(
        depot=scene.depot(),
        item=item,
        month_on=date(2026, month, 1),
        made_on=date(2026, made_in, 1),
        made_in=date(2026, made_in, 1),
        mean=900,
        p50=900,
        p80=p80,
        p95=2000,
        p80_below=0.8 - at / 2,
        p80_at=at,
        p95_below=0.95,
        p95_at=0,
    )


def used(item: Item, month: int, quantity: int, year: int = 2026) -> None:
    at = datetime(year, month, 10, tzinfo=UTC)
    move = ledger.Move(depot=scene.depot(), item=item, kind=StockMove.Kind.USED, quantity=-quantity)
    ledger.record(Actor(person=None, channel="test", now=at), move)


def test_each_month_counts_once_with_the_forecast_made_a_month_ahead() -> None:
    item = shelf.item()
    for month, quantity in ((1, 10), (3, 500), (4, 1500), (5, 2500)):
        used(item, month, quantity)
    for month in (3, 4, 5):
        forecast(item, month, made_in=month - 1)
    forecast(item, 5, made_in=2)  # made three months ahead: left out
    found = coverage([scene.depot().pk], TODAY)
    assert (found.months, found.cells) == (3, 3)
    assert (found.p80, found.p95) == (pytest.approx(1 / 3), pytest.approx(2 / 3))
    assert found.beyond == 1  # May, with 2.5 L


def test_a_month_without_a_ledger_is_not_judged() -> None:
    item = shelf.item()
    forecast(item, 4, made_in=3)
    used(item, 5, 500)  # the shelf was first booked in May
    assert coverage([scene.depot().pk], TODAY).cells == 0


def test_a_use_that_equals_the_quantile_is_covered_as_often_as_it_should() -> None:
    items = [shelf.item(f"item-{number}") for number in range(200)]
    for item in items:
        used(item, 1, 1)
        used(item, 4, 1000)
        forecast(item, 4, made_in=3, at=0.4)
    # by hand: .8 − .6 of the .4 at the quantile lie below the level: one in two
    assert coverage([scene.depot().pk], TODAY).p80 == pytest.approx(0.5, abs=0.1)


def test_a_use_that_equals_the_upper_quantile_is_covered_as_often_as_it_should() -> None:
    items = [shelf.item(f"item-{number}") for number in range(200)]
    for item in items:
        used(item, 1, 1)
        used(item, 4, 2000)
        forecast(item, 4, made_in=3)
    FirstForecast.objects.update(p95_below=0.75, p95_at=0.25)
    # by hand: .95 − .75 of the .25 at the quantile lie below the level: four in five
    found = coverage([scene.depot().pk], TODAY)
    assert found.p95 == pytest.approx(0.8, abs=0.08)
    assert found.beyond == round(200 * (1 - found.p95))
    assert found.p80 == 0


def test_what_can_not_happen_by_the_forecast_is_not_covered_by_its_quantile() -> None:
    item = shelf.item()
    used(item, 1, 1)
    used(item, 4, 2000)
    forecast(item, 4, made_in=3)  # of just 2 L no probability is left
    found = coverage([scene.depot().pk], TODAY)
    assert (found.p80, found.p95, found.beyond) == (0, 0, 1)


def test_in_a_month_without_a_move_nothing_was_used() -> None:
    item = shelf.item()
    used(item, 1, 10)
    forecast(item, 4, made_in=3, p80=1)
    FirstForecast.objects.update(p95=1)
    assert coverage([scene.depot().pk], TODAY).p95 == 1.0


def test_what_an_order_throws_away_is_used_and_what_is_written_off_by_hand_is_not() -> None:
    item = shelf.item()
    used(item, 1, 10)
    forecast(item, 4, made_in=3)
    at = datetime(2026, 4, 10, tzinfo=UTC)
    moves = {"W-1": StockMove.Kind.WRITTEN_OFF, "": StockMove.Kind.WRITTEN_OFF}
    for number, kind in moves.items():
        quantity = -600 if number else -900
        move = ledger.Move(
            depot=scene.depot(), item=item, kind=kind, quantity=quantity, order_number=number
        )
        ledger.record(Actor(person=None, channel="test", now=at), move)
    received = ledger.Move(depot=scene.depot(), item=item, kind="received", quantity=5_000)
    ledger.record(Actor(person=None, channel="test", now=at), received)
    assert coverage([scene.depot().pk], TODAY).p80 == 1.0  # 600 of 1,000
    used(item, 4, 500)
    assert coverage([scene.depot().pk], TODAY).p80 == 0.0  # 1,100


def test_a_shelf_that_was_booked_first_within_a_month_is_judged_from_the_next_one_on() -> None:
    item = shelf.item()
    move = ledger.Move(depot=scene.depot(), item=item, kind="received", quantity=5_000)
    at = datetime(2026, 4, 1, tzinfo=UTC)  # on its first day
    ledger.record(Actor(person=None, channel="test", now=at), move)
    forecast(item, 4, made_in=3)
    assert coverage([scene.depot().pk], TODAY).cells == 0
    forecast(item, 5, made_in=4)
    assert coverage([scene.depot().pk], TODAY).cells == 1


def test_january_is_a_month_after_december() -> None:
    item = shelf.item()
    used(item, 12, 10, 2025)
    for made_in in (date(2025, 12, 1), date(2025, 11, 1), date(2025, 1, 1)):
        forecast(item, 1, made_in=1)
        FirstForecast.objects.filter(made_in=date(2026, 1, 1)).update(made_in=made_in)
    found = coverage([scene.depot().pk], TODAY)
    assert (found.months, found.cells) == (1, 1)


def test_without_a_month_that_is_over_nothing_is_told() -> None:
    assert coverage([scene.depot().pk], TODAY) == Coverage(0, 0, None, None, 0)


def test_the_present_month_is_not_judged() -> None:
    item = shelf.item()
    used(item, 1, 1)
    forecast(item, 6, made_in=5)
    assert coverage([scene.depot().pk], TODAY).p80 is None


@pytest.mark.parametrize(("beyond", "narrow"), [(0, False), (9, False), (10, True)])
def test_bands_are_too_narrow_where_chance_has_it_less_than_once_in_twenty(
    beyond: int, narrow: bool
) -> None:
    # binomial of 100 and .05, standard tables: P(X >= 9) = .063, P(X >= 10) = .028
    assert Coverage(5, 100, 0.8, 1 - beyond / 100, beyond).narrow is narrow
