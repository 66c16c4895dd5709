"""The day a shelf runs out and the day that proposals look until rest on one count."""

from datetime import date

import pytest

from fleet.consumables.models import StockNeed
from fleet.consumables.propose import looks_until, shelves
from fleet.stores.models import Item
from tests.consumables.test_propose import LEAD_D, TODAY, kept, order, rows
from tests.stores import shelf

pytestmark = pytest.mark.django_db


@pytest.fixture
def oil() -> Item:
    return shelf.item("oil", packs=(1000,))


def test_what_is_enough_until_the_next_order_does_not_run_out_before(oil: Item) -> None:
    """Of the 31 L of July, 4 are needed by the 14th: orders look until the 15th, 10 and 20 days on.
    10.5 L are enough until then, and half a litre more than is needed."""
    found = {"mean_first": 3_750.0, "mean": 10_000.0, "first_d": LEAD_D, "whole_d": 30}
    kept(oil, 10_500, needed=10_400, **found)
    assert order() is None
    # by hand: then 27 L in 17 days, so that half a litre lasts a third of the 15th; spread evenly
    # over July, 4.5 L would be gone on the 5th
    assert rows()[0].runs_out == date(2026, 7, 15)
    assert looks_until(TODAY, shelves()) == {("plain", "oil"): date(2026, 7, 15)}
    StockNeed.objects.update(mean=None)  # of a night before these were kept: the months tell
    assert rows()[0].runs_out == date(2026, 7, 5)
