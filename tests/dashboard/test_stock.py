import re
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.test import Client
from django.utils import timezone

from fleet.dashboard.stock.lines import amount, pieces_word
from fleet.people.models import Person, Role
from fleet.stores.models import Arrival, Item, Stock, StockMove
from fleet.vehicles.models import Depot
from tests.cast import Cast, cast, person
from tests.dashboard.forms import Form, forms_of
from tests.kept import kept
from tests.stores import shelf

SignedIn = Callable[[Person], Client]
OIL = {"way": "received", "depot": "plain", "item": "gear-oil", "quantity": "20"}


@kept
def people() -> Cast:
    shelf.item()
    shelf.item("washer", kind="seal", unit="pieces")
    return cast()


@pytest.fixture
def keeper(people: Cast, signed_in: SignedIn) -> Client:
    return signed_in(person("Stella", Role.STORES, people.plain, people.hill))


def move(client: Client, **given: str) -> str:
    return client.post("/stock/moves", OIL | given, follow=True).content.decode()


def test_stock_is_received_in_litres_and_counted(keeper: Client) -> None:
    assert "20\u00a0L received" in move(keeper, price="240", batch="B-1", best_before="2031-01-31")
    page = move(keeper, way="counted", quantity="19.25", reason="monthly count")
    assert "19.25\u00a0L" in page
    rows = StockMove.objects.order_by("id")
    assert [(row.quantity, row.price_minor) for row in rows] == [(20_000, 24_000), (-750, -900)]


def test_a_count_that_finds_what_is_booked_moves_nothing_and_costs_nothing(keeper: Client) -> None:
    move(keeper, price="240")
    page = move(keeper, way="counted", quantity="20", reason="monthly count")
    row = page.split("moves-table", 1)[1].split("<tbody>", 1)[1].split("</tr>", 1)[0]
    assert "as booked" in row
    assert "EUR" not in row
    assert "0\u00a0L" not in row


def test_stock_goes_to_another_depot(keeper: Client) -> None:
    sent = {"way": "transferred", "to_depot": "hill", "quantity": "1.5"}
    move(keeper, **sent, override_reason="the receipt was never taken down")
    assert set(Stock.objects.values_list("depot__slug", "on_hand")) == {
        ("plain", -1500),
        ("hill", 1500),
    }
    assert "below zero: count it" in keeper.get("/stock").content.decode()


@pytest.mark.parametrize(("zone", "marked"), [("Europe/Lisbon", True), ("Europe/Paris", False)])
def test_a_transfer_between_two_clocks_says_by_which_each_end_is_told(
    keeper: Client, zone: str, marked: bool
) -> None:
    Depot.objects.filter(slug="plain").update(zone="Europe/Berlin")
    Depot.objects.filter(slug="hill").update(zone=zone)
    move(keeper, way="transferred", to_depot="hill", quantity="1", override_reason="so")
    rows = keeper.get("/stock").content.decode().split("moves-table", 1)[1]
    assert ("by the clock of Plain" in rows, "by the clock of Hill" in rows) == (marked, marked)


def test_lots_are_listed_and_what_is_too_old_is_not_usable(keeper: Client) -> None:
    move(keeper, quantity="5", batch="B-1", best_before="2031-01-31")
    stock = Stock.objects.get()
    StockMove.objects.create(
        **{"depot": stock.depot, "item": stock.item, "kind": "received", "quantity": 300},
        **{"at": timezone.now(), "channel": "test", "batch": "B-0"},
        best_before=date(2020, 1, 1),
    )
    Stock.objects.update(on_hand=5_300)
    page = keeper.get("/stock").content.decode()
    assert "5\u00a0L usable" in page
    assert "0.3\u00a0L, batch B-0" in page
    assert "past its best before" in page
    assert "fluid,5300,5000,0,mL" in keeper.get("/stock.csv").content.decode()
    move(keeper, way="written off", quantity="0.3", reason="too old")
    page = keeper.get("/stock").content.decode()
    assert "past its best before" not in page
    assert "usable</span>" not in page


def test_a_form_sent_twice_moves_once(keeper: Client) -> None:
    for _ in range(2):
        move(keeper, key="one-form")
    assert Stock.objects.get().on_hand == 20_000


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"item": ""}, "Choose an item"),
        ({"depot": "far"}, "Choose one of your depots"),
        ({"quantity": "a few"}, "Quantity:"),
        ({"item": "washer", "quantity": "1.5"}, "Pieces are whole numbers"),
        ({"way": "lost"}, "Say what happened"),
        ({"best_before": "soon"}, "is not a date"),
        ({"way": "counted"}, "Say why it was counted"),
    ],
)
def test_nonsense_is_answered_in_words_and_moves_nothing(
    keeper: Client, given: dict[str, str], words: str
) -> None:
    assert words in move(keeper, **given)
    assert not StockMove.objects.exists()


def test_a_move_is_taken_back(keeper: Client) -> None:
    move(keeper)
    url = f"/stock/moves/{StockMove.objects.get().pk}/take-back"
    keeper.post(url, {"reason": "typed twice"})
    assert Stock.objects.get().on_hand == 0


def test_who_keeps_no_stock_sees_it_and_moves_nothing(
    people: Cast, keeper: Client, signed_in: SignedIn
) -> None:
    move(keeper)
    client = signed_in(people.mechanic)
    page = client.get("/stock").content.decode()
    assert "Gear oil" in page
    assert "Move stock" not in page
    assert client.post("/stock/moves", OIL).status_code == 403


def test_stock_of_another_depot_is_not_seen(
    people: Cast, keeper: Client, signed_in: SignedIn
) -> None:
    move(keeper)
    client = signed_in(people.outsider)
    table = client.get("/stock.csv").content.decode()
    assert "gear-oil" not in table
    pk = StockMove.objects.get().pk
    assert client.post(f"/stock/moves/{pk}/take-back", {"reason": "x"}).status_code == 404


def test_the_list_is_a_file_too(keeper: Client) -> None:
    move(keeper)
    assert "gear-oil,Gear oil,fluid,20000" in keeper.get("/stock.csv").content.decode()


@pytest.mark.parametrize(
    ("quantity", "unit", "words"),
    [(1500, "mL", "1.5\u00a0L"), (-946, "mL", "\u22120.946\u00a0L"), (12, "pieces", "12\u00a0pcs")],
)
def test_quantities_are_shown_with_their_unit(quantity: int, unit: str, words: str) -> None:
    assert amount(quantity, unit) == words


def test_a_count_that_finds_what_is_booked_has_no_sign() -> None:
    assert amount(0, "mL", signed=True) == "0\u00a0L"
    assert amount(1, "pieces", signed=True) == "+1\u00a0pc"
    assert (pieces_word(-1), pieces_word(0), pieces_word(1.5)) == ("pc", "pcs", "pcs")


def test_costs_are_shown_by_vehicle_service_and_depot(keeper: Client) -> None:
    for by in ("vehicle", "service", "depot", "nonsense"):
        assert "No work order was finished" in keeper.get(f"/costs?by={by}").content.decode()
    assert keeper.get("/costs.csv").content.decode().lstrip("\ufeff").startswith("By,Jobs")


def test_the_page_asks_with_nothing_lost_and_a_reason_lets_it_through(keeper: Client) -> None:
    move(keeper)
    given = {"way": "counted", "quantity": "20000", "reason": "monthly", "key": "one-form"}
    answer = keeper.post("/stock/moves", OIL | given)
    page = answer.content.decode()
    assert answer.status_code == 409
    assert "20,000 L of Gear oil: that is far more than was ever there" in page
    asking = next(form for form in forms_of(page) if "override_reason" in form.sent)
    assert ("quantity", "20") in asking.buttons
    assert asking.action == "/stock/moves"
    assert asking.sent["quantity"] == ["20000"]
    assert (
        "20\u00a0L counted"
        in keeper.post(
            "/stock/moves", asking.sent | {"quantity": "20"}, follow=True
        ).content.decode()
    )
    given = OIL | given | {"key": "another-form"}
    keeper.post("/stock/moves", given | {"override_reason": "a tank"})
    assert Stock.objects.get().on_hand == 20_000_000
    assert StockMove.objects.latest("pk").reason == "monthly; it stands: a tank"


@pytest.mark.parametrize(
    ("given", "button"),  # by hand: litres, pieces, the price of 20 L, the day of the batch
    [
        ({"quantity": "20000"}, ("quantity", "20")),
        ({"item": "washer", "way": "counted", "quantity": "400"}, ("quantity", "40")),
        ({"price": "240000"}, ("price", "240.00")),
        ({"batch": "B", "best_before": "2032-01-31"}, ("best_before", "2031-01-31")),
    ],
)
def test_what_a_question_offers_is_taken_by_one_tap(
    keeper: Client, given: dict[str, str], button: tuple[str, str]
) -> None:
    move(keeper, price="240", batch="B", best_before="2031-01-31")
    move(keeper, item="washer", quantity="40")
    answer = keeper.post("/stock/moves", OIL | {"reason": "monthly", "key": "one"} | given)
    asking = next(
        form for form in forms_of(answer.content.decode()) if "override_reason" in form.sent
    )
    assert button in asking.buttons
    before = StockMove.objects.count()
    keeper.post(asking.action, asking.sent | dict([button]))
    assert StockMove.objects.count() == before + 1
    row = StockMove.objects.latest("pk")
    assert "it stands" not in row.reason


@pytest.mark.parametrize(
    ("given", "field"),
    [({"price": "240000"}, 'name="price"'), ({"best_before": "2020-01-01"}, 'type="date"')],
)
def test_a_price_or_a_date_is_corrected_at_the_question(
    keeper: Client, given: dict[str, str], field: str
) -> None:
    move(keeper, price="240")
    page = keeper.post("/stock/moves", OIL | given).content.decode()
    panel = page[page.index("asked panel") : page.index("Leave it")]
    assert field in panel
    assert StockMove.objects.count() == 1


def test_a_price_beyond_all_measure_is_refused_in_words(keeper: Client) -> None:
    assert "an amount from 0 up" in move(keeper, price="99999999999999")
    assert not StockMove.objects.exists()


def test_the_makers_number_and_the_shelf_stand_on_the_list_and_in_its_file(keeper: Client) -> None:
    move(keeper)
    Item.objects.filter(slug="gear-oil").update(part_number="MADE-UP 4711")
    Stock.objects.update(shelf_place="B 3")
    page = keeper.get("/stock").content.decode()
    assert "part MADE-UP 4711" in page
    assert "shelf B 3" in page
    assert ",MADE-UP 4711,B 3" in keeper.get("/stock.csv").content.decode()


def test_the_form_of_an_order_that_came_is_filled_and_closes_it(keeper: Client) -> None:
    row = shelf.arrival(Item.objects.get(slug="gear-oil"), Depot.objects.get(slug="plain"))
    page = keeper.get(f"/stock?arrival={row.pk}").content.decode()
    assert '<details class="field-wide" open>' in page
    assert "1\u00a0L of Gear oil for" in page
    (form,) = [one for one in forms_of(page) if one.action == "/stock/moves"]
    chosen = {one.name: one.sent for one in form.selects}
    wanted = {"way": "received", "depot": "plain", "item": "gear-oil", "arrival": str(row.pk)}
    assert wanted.items() <= chosen.items()
    assert form.sent["quantity"] == ["1"]
    keeper.post(form.action, {**form.sent, **chosen})
    assert Stock.objects.get().on_hand == 1000
    assert Arrival.objects.get().received_on is not None


def test_a_receipt_without_its_order_is_asked_about_and_taken_as_it_by_one_tap(
    keeper: Client,
) -> None:
    row = shelf.arrival(Item.objects.get(slug="gear-oil"), Depot.objects.get(slug="plain"))
    answer = keeper.post("/stock/moves", {**OIL, "quantity": "1", "arrival": "", "key": "one"})
    assert answer.status_code == 409
    asking, reasons = [
        form for form in forms_of(answer.content.decode()) if form.sent.get("key") == ["one"]
    ]
    assert ("arrival", str(row.pk)) in asking.buttons
    keeper.post(reasons.action, reasons.sent | {"override_reason": ""})
    assert not StockMove.objects.exists()
    keeper.post(asking.action, asking.sent | {"arrival": str(row.pk)})
    assert Stock.objects.get().on_hand == 1000
    assert Arrival.objects.get().received_on is not None


def test_a_receipt_beside_an_order_goes_through_with_a_reason(keeper: Client) -> None:
    shelf.arrival(Item.objects.get(slug="gear-oil"), Depot.objects.get(slug="plain"))
    page = keeper.post("/stock/moves", {**OIL, "arrival": "", "key": "one"}).content.decode()
    form = next(one for one in forms_of(page) if "override_reason" in one.sent)
    keeper.post(form.action, form.sent | {"override_reason": "found in the loft"})
    assert StockMove.objects.get().reason == "it stands: found in the loft"
    assert Arrival.objects.get().received_on is None


def test_each_doubt_is_asked_about_in_turn_and_keeps_its_own_reason(keeper: Client) -> None:
    move(keeper, price="240")
    given = {"quantity": "20000", "best_before": "2020-01-01", "key": "one"}
    reasons = {"quantity": "a tank", "best_before": "for flushing"}
    page = keeper.post("/stock/moves", OIL | given).content.decode()
    for about, reason in reasons.items():
        form = next(one for one in forms_of(page) if "override_reason" in one.sent)
        assert form.sent["override_about"] == [about]
        assert StockMove.objects.count() == 1
        page = keeper.post(
            form.action, form.sent | {"override_reason": reason}, follow=True
        ).content.decode()
    assert StockMove.objects.latest("pk").reason == "it stands: a tank; for flushing"


def test_a_receipt_taken_back_is_on_order_again(keeper: Client) -> None:
    row = shelf.arrival(Item.objects.get(slug="gear-oil"), Depot.objects.get(slug="plain"))
    move(keeper, quantity="1", arrival=str(row.pk))
    (form,) = backs(keeper)
    page = keeper.post(form.action, {**form.sent, "reason": "wrong pallet"}, follow=True)
    assert "Its order is on the way again." in page.content.decode()
    assert f"arrival={row.pk}#move" in keeper.get("/consumables").content.decode()


def test_what_was_taken_back_is_offered_no_more_and_refused_in_words(keeper: Client) -> None:
    move(keeper, quantity="6")
    (form,) = backs(keeper)
    page = keeper.post(form.action, {**form.sent, "reason": "typed twice"}, follow=True)
    assert "+6\u00a0L received is taken back." in page.content.decode()
    assert not backs(keeper)
    page = keeper.post(form.action, {**form.sent, "reason": "again"}, follow=True)
    assert "It was taken back already" in page.content.decode()
    assert StockMove.objects.count() == 2


def backs(client: Client) -> list[Form]:
    page = client.get("/stock").content.decode()
    return [one for one in forms_of(page) if one.action.endswith("/take-back")]


def test_a_count_without_a_reason_is_pointed_out_at_the_reason(keeper: Client) -> None:
    (form,) = [
        one
        for one in forms_of(keeper.get("/stock").content.decode())
        if one.action == "/stock/moves"
    ]
    given = {**form.sent, **OIL, "way": "counted", "reason": ""}
    page = keeper.post(form.action, given).content.decode()
    field = page[page.index('<input id="reason"') :].split(">")[0]
    assert "autofocus" in field
    assert 'aria-invalid="true"' in field


def test_moves_are_listed_by_the_moment_they_show_the_newest_first(keeper: Client) -> None:
    item, now = Item.objects.get(slug="gear-oil"), timezone.now()
    for litres, days in ((1, 5), (2, 20), (3, 1)):  # entered in another order than they were made
        StockMove.objects.create(
            **{"depot": Depot.objects.get(slug="plain"), "item": item, "kind": "received"},
            **{"quantity": 1000 * litres, "at": now - timedelta(days=days), "channel": "test"},
        )
    shown = keeper.get("/stock").content.decode().split('id="moves-head"', 1)[1]
    assert re.findall(r">\+?(\d)\u00a0L ?<", shown) == ["3", "1", "2"]


def test_stock_leads_to_what_is_to_order(keeper: Client) -> None:
    assert 'href="/consumables#order-head"' in keeper.get("/stock").content.decode()
    assert 'id="order-head"' in keeper.get("/consumables").content.decode()


def test_depots_of_an_item_stand_together_the_one_with_trouble_first(keeper: Client) -> None:
    shelf.item("brake-fluid")
    for depot in ("hill", "plain"):
        for item in ("brake-fluid", "gear-oil"):
            move(keeper, depot=depot, item=item)
    used = {"way": "used", "quantity": "25", "reason": "on the road", "override_reason": "it was"}
    move(keeper, depot="plain", item="gear-oil", **used)
    page = keeper.get("/stock").content.decode()
    assert re.findall(r"<td>(Plain|Hill)", page.split('id="move"')[0]) == [
        *("Plain", "Hill"),  # of the gear oil, below zero at Plain
        *("Hill", "Plain"),  # in the fold, as they came: by depot
    ]
    assert page.index('id="move"') > page.index("below zero")
