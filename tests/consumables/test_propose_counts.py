"""What is told of proposals and shelves: counts, reasons and paths, by hand."""

from datetime import date, timedelta

import pytest

from fleet.consumables.models import OrderProposal, StockNeed, TransferProposal
from fleet.consumables.position import Position, positions
from fleet.consumables.propose import horizons_of, order, propose, shelves
from fleet.stores.doubt import Because
from fleet.stores.models import Arrival, Item, Stock
from tests import scene
from tests.consumables.test_propose import LEAD_D, PROGRAM, REVIEW_D, TODAY, kept, rows
from tests.stores import shelf

pytestmark = pytest.mark.django_db
BY_PROGRAM = {"quantity": "as the program proposes"}


@pytest.fixture
def oil() -> Item:
    return shelf.item("oil", packs=(1000,))


def position() -> Position:
    depot = scene.depot()
    (found,) = positions({depot.pk: TODAY}).values()
    return found


# --- how many changed --------------------------------------------------------------------------
def test_what_is_written_and_what_goes_are_both_counted(oil: Item) -> None:
    kept(oil)
    other = shelf.item("other")
    kept(other)
    assert propose() == 2
    StockNeed.objects.filter(item=other).delete()
    StockNeed.objects.filter(item=oil).update(needed=7000)
    assert propose() == 1 + 1  # one is changed, and one goes
    assert OrderProposal.objects.get().needed == 7000
    StockNeed.objects.all().delete()
    assert propose() == 1


@pytest.mark.parametrize(
    ("on_hand", "proposed"), [(5000, None), (4999, 1), (4000, 1), (3999, 2), (0, 5)]
)
def test_a_millilitre_that_is_lacking_is_a_pack(
    oil: Item, on_hand: int, proposed: int | None
) -> None:
    kept(oil, on_hand)
    propose()
    found = OrderProposal.objects.first()
    assert (found and found.packs) == proposed
    assert (rows()[0].pack, rows()[0].packs) == (1000, proposed)


def test_demand_is_followed_over_the_lead_time_and_over_that_with_the_review(oil: Item) -> None:
    kept(oil)
    shelf.stock(shelf.item("other"), lead_time_d=LEAD_D, review_period_d=5)
    assert horizons_of(shelves()) == {LEAD_D, LEAD_D + 5, LEAD_D + REVIEW_D}
    assert horizons_of([]) == set()


# --- why a quantity stands ---------------------------------------------------------------------
@pytest.mark.parametrize(
    ("typed", "quantity", "stands"),
    [
        ("", None, BY_PROGRAM),
        ("  ", 5000, BY_PROGRAM),
        (" a campaign ", None, "a campaign"),
        ({"quantity": "a campaign"}, None, {"quantity": "a campaign"}),
        ({"due_on": "as they say"}, 5000, {"due_on": "as they say"} | BY_PROGRAM),
        ("", 4000, ""),  # another quantity is the person's own
        ({"quantity": "two drums"}, 4999, {"quantity": "two drums"}),
    ],
)
def test_what_a_person_leaves_stands_as_the_program_proposes(
    oil: Item,
    typed: Because,
    quantity: int | None,
    stands: Because,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    kept(oil)
    propose()
    asked: list[Because] = []

    def ask(_: object, because: Because) -> str:
        asked.append(because)
        return "kept"

    monkeypatch.setattr("fleet.stores.ordering.ask", ask)
    row = OrderProposal.objects.select_related("depot", "item").get()
    order(PROGRAM, row, TODAY + timedelta(days=LEAD_D), quantity, typed)
    assert asked == [stands]
    made = Arrival.objects.get()
    assert (made.quantity, made.ordered_on) == (quantity or 5000, TODAY)
    assert OrderProposal.objects.exists() is (made.quantity < 5000)  # what is still lacking


def test_a_depot_with_nothing_to_spare_is_proposed_to_give_nothing(oil: Item) -> None:
    kept(oil)
    kept(oil, 5_000, 5_000, scene.depot("far"))
    kept(oil, 0, None, scene.depot("empty"))
    propose()
    assert not TransferProposal.objects.exists()
    assert OrderProposal.objects.get().transferred == 0


# --- how a shelf stands ------------------------------------------------------------------------
def test_mean_demand_grows_evenly_from_today_through_the_months(oil: Item) -> None:
    kept(oil)
    found = position()
    # by hand: 6,000 in the 16 days that are left of June, 1,000 on each day of July
    for on, needed in (
        (TODAY - timedelta(days=1), 0),
        (TODAY, 375),
        (date(2026, 6, 30), 6_000),
        (date(2026, 7, 1), 7_000),
        (date(2026, 7, 31), 37_000),
        (date(2026, 8, 1), 37_000 + 37_000 / 47),  # beyond the forecast as on average
    ):
        assert found.needed_until(on) == pytest.approx(needed)


def test_what_the_night_counted_for_orders_stands_between_the_months(oil: Item) -> None:
    kept(oil, mean_first=5_000.0, first_d=10, mean=4_000.0, whole_d=30)
    found = position()
    # by hand: 5,000 to 25 June; the smaller figure of a later day never takes demand back, and
    # what is left of the 37,000 is spread over the 17 days from 15 July on
    for on, needed in (
        (date(2026, 6, 19), 2_500),
        (date(2026, 6, 24), 5_000),
        (date(2026, 6, 30), 6_000),
        (date(2026, 7, 14), 6_000),
        (date(2026, 7, 31), 37_000),
    ):
        assert found.needed_until(on) == pytest.approx(needed)
    StockNeed.objects.update(whole_d=47, mean=1.0)  # of the last day the months tell
    assert position().needed_until(date(2026, 7, 31)) == pytest.approx(37_000)


def test_without_a_forecast_nothing_is_needed_and_nothing_runs_out(oil: Item) -> None:
    kept(oil, 500, needed=None)
    found = position()
    assert (found.needed_until(date(2026, 12, 31)), found.runs_out_on) == (0, None)
    assert (found.usable, found.fit, found.on_hand) == (500, 500, 500)


def test_what_is_needed_and_not_kept_is_told_too(oil: Item) -> None:
    kept(oil)
    Stock.objects.all().delete()
    found = position()
    assert (found.on_hand, found.usable, found.free(date(2026, 6, 1))) == (0, 0, -6_000)
    assert rows()[0].runs_out == TODAY


@pytest.mark.parametrize(("due_on", "free"), [(date(2026, 6, 30), 100), (date(2026, 7, 1), -6_000)])
def test_what_comes_on_the_last_day_of_a_month_is_there_in_it(
    oil: Item, due_on: date, free: int
) -> None:
    kept(oil)
    shelf.arrival(oil, quantity=6_100, ordered_on=TODAY, due_on=due_on)
    assert position().free(date(2026, 6, 1)) == free


def test_an_order_counts_on_the_day_it_is_due(oil: Item) -> None:
    kept(oil, 800)
    shelf.arrival(oil, quantity=300, ordered_on=TODAY, due_on=TODAY + timedelta(days=4))
    found = position()
    for days, there in ((3, 800), (4, 1_100), (5, 1_100)):
        assert found.usable_with_orders(TODAY + timedelta(days=days)) == there
    assert found.free(date(2026, 6, 1)) == 1_100 - 6_000
    assert Stock.objects.get().on_hand == 800
