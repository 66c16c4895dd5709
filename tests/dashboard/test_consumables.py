from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
import time_machine
from django.test import Client

from fleet.consumables.demand import forecast_demand
from fleet.consumables.listing import DemandRow
from fleet.consumables.models import ForecastDay, OrderProposal, StockNeed, TransferProposal
from fleet.dashboard.frame import Scope
from fleet.dashboard.stock.consumables import item_lines
from fleet.dashboard.stock.months import month_chart
from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.stores import ledger
from fleet.stores.ledger import Receipt, TakenOff
from fleet.stores.models import Arrival, Item, Stock, UsedFluidCollected
from fleet.vehicles.models import Depot
from tests import scene
from tests.cast import person
from tests.consumables.test_demand import due_on, months_ahead
from tests.dashboard.forms import forms_of
from tests.dashboard.test_overview import text
from tests.kept import kept
from tests.stores import shelf

SignedIn = Callable[[Person], Client]


@kept
def wanting() -> None:
    """A depot where 1.5 L are needed in two months."""
    with time_machine.travel(scene.NOW, tick=False):
        _, item = due_on(months_ahead(1).replace(day=9))
        shelf.stock(item, lead_time_d=30)
        item.waste_class = "used brake fluid"
        item.save()
        forecast_demand(scene.NOW.date(), [scene.depot().pk])


@pytest.fixture
def keeper(wanting: None, signed_in: SignedIn) -> object:
    """A keeper of its stores."""
    with time_machine.travel(scene.NOW, tick=False):
        yield signed_in(person("Stella", Role.STORES, scene.depot()))


def test_the_page_says_what_to_order_and_what_is_needed_when(keeper: Client) -> None:
    page = keeper.get("/consumables").content.decode()
    assert "Brake fluid" in page
    assert "3 <span" in page  # by hand: 1.5 L in packs of half a litre
    assert "1.5\u00a0L needed until the next order is here" in page
    assert "up to 1.5\u00a0L" in page


def test_what_was_used_but_never_booked_in_is_said_in_words(keeper: Client) -> None:
    assert "0\u00a0L usable or on order" in keeper.get("/consumables").content.decode()
    program = Actor(None, "command", scene.NOW)
    item = Item.objects.get()
    ledger.use(
        program,
        TakenOff(
            depot=scene.depot(), item=item, quantity=250, reason="on the road", override_reason="so"
        ),
    )
    page = keeper.get("/consumables").content.decode()
    assert "0.25\u00a0L more used than is booked in or on order" in page


def test_a_record_that_cannot_be_right_is_said_and_counted_first(keeper: Client) -> None:
    item = Item.objects.get()
    api = "/api/v1/order-proposals"
    link = f'href="/stock?item={item.slug}&amp;at=plain&amp;way=counted#move"'
    page = keeper.get("/consumables").content.decode()
    assert "Nothing was ever booked in or counted at Plain" in page
    assert link in page
    assert keeper.get(api).json()["rows"][0]["record_wrong"] == "never booked"
    program = Actor(None, "command", scene.NOW)
    taken = TakenOff(
        depot=scene.depot(), item=item, quantity=250, reason="on the road", override_reason="so"
    )
    ledger.use(program, taken)
    page = keeper.get("/consumables").content.decode()
    assert "By the record more was used at Plain than ever came" in page
    assert keeper.get(api).json()["rows"][0]["record_wrong"] == "overdrawn"
    stock = keeper.get(f"/stock?item={item.slug}&at=plain&way=counted").content.decode()
    (form,) = [one for one in forms_of(stock) if one.action == "/stock/moves"]
    chosen = {one.name: one.sent for one in form.selects}
    assert (chosen["way"], chosen["item"]) == ("counted", item.slug)
    keeper.post(form.action, {**form.sent, **chosen, "quantity": "0.1", "reason": "counted"})
    page = keeper.get("/consumables").content.decode()
    assert "this quantity is a guess" not in page
    assert keeper.get(api).json()["rows"][0]["record_wrong"] == ""


def test_what_is_on_order_says_what_it_is_for(keeper: Client) -> None:
    item = Item.objects.get()
    shelf.arrival(item, quantity=1_500, ordered_on=date(2026, 6, 12), due_on=date(2026, 6, 20))
    other = shelf.item("gear-oil")
    shelf.stock(other)
    StockNeed.objects.create(depot=scene.depot(), item=other, needed=0, needed_first=0)
    shelf.arrival(other, quantity=1_000, reason="for a rebuild")
    seen = text(keeper.get("/consumables").content.decode()).replace("\u00a0", " ")
    # by hand: 1.5 L needed, as the proposal says; none is booked in
    assert "1.5 L needed until" in seen
    assert ", 0 L on hand. Ordered 12 Jun 2026." in seen
    assert "The forecast needs none of it as far as proposals look ahead; 0 L on hand." in seen
    assert "Ordered 1 Jun 2026: for a rebuild." in seen


def test_what_is_on_order_stands_beside_what_the_record_of_its_shelf_says(keeper: Client) -> None:
    """One piece is a need, too; of a shelf that nobody keeps nothing is there."""
    for slug, there in (("washer", -3), ("plug", None)):
        one = shelf.item(slug, unit="pieces", kind="other", packs=(10,))
        StockNeed.objects.create(depot=scene.depot(), item=one, needed=1, needed_first=1)
        shelf.arrival(one, quantity=10)
        if there is not None:
            shelf.stock(one, on_hand=there)
    seen = text(keeper.get("/consumables").content.decode()).replace("\u00a0", " ")
    assert "Washer Plain 10 pcs 1 pc needed until" in seen
    assert ", 3 pcs more used than was ever booked in." in seen
    assert "Plug Plain 10 pcs 1 pc needed, 0 pcs on hand." in seen


def test_used_fluid_is_shown_by_waste_class(keeper: Client) -> None:
    page = keeper.get("/consumables").content.decode()
    assert '<th scope="row">used brake fluid</th>' in page
    assert 'data-label="Jul 2026 [L]">1.5<' in page


def test_without_a_past_month_nothing_is_claimed_about_the_bands(keeper: Client) -> None:
    assert "No whole month has passed yet" in keeper.get("/consumables").content.decode()


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_the_forecast_can_be_kept_as_a_file(keeper: Client, ending: str) -> None:
    answer = keeper.get(f"/consumables.{ending}")
    assert answer.status_code == 200
    assert f"demand-2026-06-15.{ending}" in answer["Content-Disposition"]


def test_another_depot_is_not_shown(keeper: Client, signed_in: SignedIn) -> None:
    other = signed_in(person("Sven", Role.STORES, scene.depot("far")))
    assert "Brake fluid" not in other.get("/consumables").content.decode()


NOTE = {
    "depot": "plain",
    "waste_class": "used oil",
    "litres": "180.5",
    "carrier": "A carrier",
    "note_number": "N-17",
    "collected_on": "2026-06-12",
    "key": "one-note",
}


def test_a_carriers_note_is_kept_once(keeper: Client) -> None:
    for _ in range(2):
        page = keeper.post("/consumables/used-fluid", NOTE, follow=True).content.decode()
    assert "180.5\u00a0L used oil collected." in page
    assert UsedFluidCollected.objects.get().quantity_ml == 180_500
    assert '<th scope="row">used oil</th>' in page


def test_a_note_from_the_future_is_refused_with_what_to_do(keeper: Client) -> None:
    given = NOTE | {"collected_on": "2026-07-01"}
    page = keeper.post("/consumables/used-fluid", given, follow=True).content.decode()
    assert "1 Jul 2026 lies ahead: enter the day of the note." in page
    assert not UsedFluidCollected.objects.exists()


def test_a_clerk_enters_no_note_and_another_depot_is_not_found(
    keeper: Client, signed_in: SignedIn
) -> None:
    clerk = signed_in(person("Cleo", Role.CLERK, scene.depot()))
    assert clerk.post("/consumables/used-fluid", NOTE).status_code == 403
    far = signed_in(person("Sven", Role.STORES, scene.depot("far")))
    assert far.post("/consumables/used-fluid", NOTE).status_code == 404


def proposed() -> OrderProposal:
    return OrderProposal.objects.get()


def test_what_was_ordered_is_on_order_and_proposed_no_more(keeper: Client) -> None:
    row = proposed()
    where, given = f"/consumables/proposals/{row.pk}", {"due_on": "2026-07-06", "quantity": "1.5"}
    page = keeper.post(where, given, follow=True).content.decode()
    assert "1.5\u00a0L Brake fluid on order." in page
    coming = Arrival.objects.get()
    assert (coming.quantity, str(coming.due_on)) == (1500, "2026-07-06")
    assert not OrderProposal.objects.exists()
    assert "That proposal is gone" in keeper.post(where, given, follow=True).content.decode()
    forecast_demand(scene.NOW.date(), [scene.depot().pk])
    assert not OrderProposal.objects.exists()  # on order, so the night asks for nothing more


def test_an_order_that_will_not_come_is_proposed_again(keeper: Client) -> None:
    keeper.post(
        f"/consumables/proposals/{proposed().pk}", {"due_on": "2026-07-06", "quantity": "1.5"}
    )
    keeper.post(f"/consumables/orders/{Arrival.objects.get().pk}")
    assert not Arrival.objects.exists()
    forecast_demand(scene.NOW.date(), [scene.depot().pk])
    assert proposed().packs == 3


def test_a_day_that_nobody_can_read_orders_nothing(keeper: Client) -> None:
    page = keeper.post(
        f"/consumables/proposals/{proposed().pk}",
        {"due_on": "soon", "quantity": "1.5"},
        follow=True,
    )
    assert "Give the day" in page.content.decode()
    assert proposed().packs == 3


def test_a_clerk_orders_nothing(keeper: Client, signed_in: SignedIn) -> None:
    clerk = signed_in(person("Cleo", Role.CLERK, scene.depot()))
    given = {"due_on": "2026-07-06", "quantity": "1.5"}
    assert clerk.post(f"/consumables/proposals/{proposed().pk}", given).status_code == 403
    assert proposed().packs == 3


def test_stock_that_comes_is_taken_off_what_is_to_be_ordered_at_once(keeper: Client) -> None:
    given = {"way": "received", "depot": "plain", "item": "brake-fluid", "quantity": "1"}
    keeper.post("/stock/moves", given)
    assert proposed().packs == 1
    page = keeper.get("/consumables").content.decode()
    assert "Need as of Mon 15 Jun" in page
    # by hand: 1 L of 1.5 L is there, in July .5 L is lacking
    assert "lacks 0.5\u00a0L" in page
    assert "order 1 by" in page
    assert "pack of 0.5\u00a0L" in page


def test_what_another_depot_has_is_moved_by_one_tap_of_who_keeps_both(
    keeper: Client, signed_in: SignedIn
) -> None:
    far = scene.depot("far")
    ForecastDay.objects.create(depot=far, on=scene.NOW.date())
    oil = Item.objects.get()
    ledger.receive(Actor(None, "test", scene.NOW), Receipt(depot=far, item=oil, quantity=4000))
    page = keeper.get("/consumables").content.decode()
    assert "First from other depots" in page
    assert "proposed above: 1.5\u00a0L from Far" in page  # beside what it runs out of
    assert "Ask who keeps the stores of Far." in page
    where = f"/consumables/transfers/{TransferProposal.objects.get().pk}"
    assert keeper.post(where).status_code == 403
    both = signed_in(person("Bo", Role.STORES, scene.depot(), far))
    assert "Ask who keeps" not in both.get("/consumables").content.decode()
    page = both.post(where, follow=True).content.decode()
    assert "1.5\u00a0L Brake fluid transferred from Far to Plain." in page
    assert set(Stock.objects.values_list("depot__slug", "on_hand")) == {
        *(("plain", 1500), ("far", 2500))
    }
    assert "That proposal is gone" in both.post(where, follow=True).content.decode()
    assert not OrderProposal.objects.exists()


def test_the_file_has_units_names_and_pack_sizes(keeper: Client) -> None:
    heading, row = keeper.get("/consumables.csv").content.decode("utf-8-sig").splitlines()
    assert heading.split(",")[:4] == ["depot", "item", "name", "unit"]
    assert row.split(",")[:4] == ["plain", "brake-fluid", "Brake fluid", "mL"]
    assert dict(zip(heading.split(","), row.split(","), strict=True))["pack"] == "500"


# --- months as a chart, trouble first --------------------------------------------------------
def month(name: str, of: str, mean: float, **more: Any) -> DemandRow:
    given = {
        **{"depot": "plain", "item": name, "name": name, "unit": "pieces", "month": of},
        **{"mean": mean, "cumulative": mean, "p50": 0, "p80": 0, "p95": 2 * int(mean)},
        **{"on_hand": 9, "usable": 9, "free": 1, "pack": None, "packs": None},
        **{"order_by": None, "runs_out": None},
    }
    return DemandRow(**(given | more))


def test_a_month_is_a_bar_with_its_band_on_one_scale_of_the_item() -> None:
    rows = [month("a", "2026-06", 10, p95=20), None, month("a", "2026-08", 20, p95=40, free=-1)]
    first, second = month_chart(rows, "in words").bars
    # by hand: 44 high for the 40 of the largest band; a month is 30 wide
    assert (first.height, first.y, first.band_y) == (11.0, 37.0, 26.0)
    assert (second.height, second.band_y, second.lacking) == (22.0, 4.0, True)
    assert second.x - first.x == 60
    assert not first.lacking


def test_no_need_at_all_draws_no_bar() -> None:
    assert month_chart([None, None], "").bars == ()


def test_what_runs_out_first_comes_first_with_all_depots_of_its_item() -> None:
    june = date(2026, 6, 1)
    rows = [
        month("a", "2026-06", 1),
        month("b", "2026-06", 1, runs_out=date(2026, 9, 1)),
        month("c", "2026-06", 1, runs_out=date(2026, 7, 1)),
        month("c", "2026-06", 1, depot="hill"),
    ]
    scope = Scope((Depot(slug="plain", name="Plain"), Depot(slug="hill", name="Hill")), "")
    lines = item_lines(rows, [june], scope)
    named = [(line.name, line.depot, line.troubled) for line in lines]
    assert named == [
        *(("c", "Plain", True), ("c", "Hill", False)),
        *(("b", "Plain", True), ("a", "Plain", False)),
    ]


def test_the_stock_page_says_what_runs_out_when(keeper: Client) -> None:
    seen = keeper.get("/stock").content.decode()
    assert seen.count('data-label="Runs out"') == 1
    item = Item.objects.get(slug="brake-fluid")
    ledger.receive(
        Actor(None, "test", scene.NOW), Receipt(depot=scene.depot(), item=item, quantity=4_000)
    )
    seen = keeper.get("/stock").content.decode()
    assert seen.count('data-label="Runs out"') == 0
    assert "1 that needs no look and lasts" in seen


def test_another_quantity_than_the_proposed_is_ordered_in_litres(keeper: Client) -> None:
    (form,) = [
        one
        for one in forms_of(keeper.get("/consumables").content.decode())
        if one.action == f"/consumables/proposals/{proposed().pk}"
    ]
    assert form.sent["quantity"] == ["1.5"]
    page = keeper.post(form.action, {**form.sent, "quantity": "2"}, follow=True).content.decode()
    assert "2\u00a0L Brake fluid on order." in page
    assert f'href="/stock?arrival={Arrival.objects.get().pk}#move"' in page
    assert Arrival.objects.get().quantity == 2000


def test_an_order_far_beyond_all_measure_is_asked_about_at_the_page(keeper: Client) -> None:
    where = f"/consumables/proposals/{proposed().pk}"
    answer = keeper.post(where, {"due_on": "2026-07-06", "quantity": "1500"})
    page = answer.content.decode()
    assert answer.status_code == 409
    assert "1,500 L of Brake fluid: that is far more than was ever there" in page
    assert proposed().packs == 3
    form = next(one for one in forms_of(page) if "override_reason" in one.sent)
    keeper.post(form.action, form.sent | {"override_reason": "for all depots"})
    coming = Arrival.objects.get()
    assert (coming.quantity, coming.reason) == (1_500_000, "it stands: for all depots")
    assert "it stands: for all depots" in keeper.get("/consumables").content.decode()


def test_a_refused_order_keeps_what_was_typed(keeper: Client) -> None:
    where = f"/consumables/proposals/{proposed().pk}"
    page = keeper.post(where, {"due_on": "2026-07-07", "quantity": "a few"}).content.decode()
    form = next(one for one in forms_of(page) if one.action == where)
    assert (form.sent["quantity"], form.sent["due_on"]) == (["a few"], ["2026-07-07"])
    assert "Quantity:" in page


@pytest.mark.parametrize("quantity", ["", "0", "a few"])
def test_an_order_of_nothing_is_refused(keeper: Client, quantity: str) -> None:
    given = {"due_on": "2026-07-06", "quantity": quantity}
    keeper.post(f"/consumables/proposals/{proposed().pk}", given)
    assert not Arrival.objects.exists()
    assert proposed().packs == 3


def test_a_stock_that_lasts_beyond_the_look_ahead_says_until_when_proposals_look(
    keeper: Client,
) -> None:
    """10 days of lead time and 5 of review: proposals of 15 June look ahead to 30 June."""
    Stock.objects.update(lead_time_d=10, review_period_d=5)
    OrderProposal.objects.all().delete()
    page = keeper.get("/consumables").content.decode()
    assert " ".join(page.split()).count("delivery time of the item: until 30 Jun 2026.") == 1
    assert "until 30 Jun" not in page.split("demand-table", 1)[1]  # once, not in each row


def test_where_the_first_order_is_later_than_seven_days_it_is_said(keeper: Client) -> None:
    OrderProposal.objects.update(order_by_on=date(2026, 6, 22))  # today is Monday, 15 June
    page = keeper.get("/consumables").content.decode()
    assert "Nothing need be ordered up to Sun 21 Jun 2026: the first by Mon 22 Jun 2026." in page
    OrderProposal.objects.update(order_by_on=date(2026, 6, 21))
    assert "Nothing need be ordered" not in keeper.get("/consumables").content.decode()
