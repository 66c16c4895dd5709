"""Figures of stock as they are typed, shown again and read off a shelf."""

import re
from collections.abc import Callable

import pytest
from django.test import Client

from fleet.dashboard.words import on_hand
from fleet.people.models import Person, Role
from fleet.stores.models import Stock, StockMove
from tests.cast import Cast, cast, person
from tests.kept import kept
from tests.stores import shelf

SignedIn = Callable[[Person], Client]
OIL = {"way": "received", "depot": "plain", "item": "gear-oil", "quantity": "20"}


@kept
def people() -> Cast:
    shelf.item()
    return cast()


@pytest.fixture
def keeper(people: Cast, signed_in: SignedIn) -> Client:
    return signed_in(person("Stella", Role.STORES, people.plain))


def move(client: Client, **given: str) -> str:
    return client.post("/stock/moves", OIL | given, follow=True).content.decode()


@pytest.mark.parametrize(
    ("typed", "minor"),
    [("48,60", 4_860), ("48,6", 4_860), ("1.048,60", 104_860), ("1,048.60", 104_860)],
)
def test_a_comma_that_can_only_be_a_decimal_mark_is_one(
    keeper: Client, typed: str, minor: int
) -> None:
    move(keeper, price=typed, quantity="12,5", override_reason="dear, and right")
    row = StockMove.objects.get()
    assert (row.price_minor, row.quantity) == (minor, 12_500)


def test_a_comma_before_three_digits_groups_thousands_still(keeper: Client) -> None:
    move(keeper, quantity="1,048", override_reason="a tank")
    assert StockMove.objects.get().quantity == 1_048_000


def test_what_is_folded_away_in_a_form_lies_open_where_it_is_wrong_or_filled(
    keeper: Client,
) -> None:
    """The price is refused; of what else was typed there nothing is hidden either."""
    closed = keeper.get("/stock").content.decode()
    assert '<details class="field-wide"><summary>Price' in closed
    for given in ({"price": "lots"}, {"quantity": "lots", "batch": "B 7"}):
        seen = keeper.post("/stock/moves", OIL | given).content.decode()
        assert re.search(r'<details class="field-wide" open><summary>Price', seen)
    seen = keeper.post("/stock/moves", OIL | {"quantity": "lots"}).content.decode()
    assert '<details class="field-wide"><summary>Price' in seen  # nothing of it was used


@pytest.mark.parametrize(
    ("there", "shown"), [("54.657", "54.7"), ("0.657", "0.66"), ("1,204.04", "1,204")]
)
def test_what_is_on_hand_is_shown_as_a_shelf_tells_it_and_kept_to_the_millilitre(
    keeper: Client, there: str, shown: str
) -> None:
    move(keeper, quantity=there, override_reason="a tank")
    seen = keeper.get("/stock").content.decode()
    assert re.search(rf'data-label="On hand">\s*{re.escape(shown)}\u00a0L', seen)
    assert Stock.objects.get().on_hand == round(float(there.replace(",", "")) * 1000)
    assert on_hand(float(there.replace(",", "")), "L").startswith(shown.replace(",", ""))
