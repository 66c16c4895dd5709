"""The administration asks about packs, and keeps the unit of what has moved."""

from collections.abc import Mapping

import pytest
from django.test import Client

from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.stores import ledger
from fleet.stores.ledger import Receipt
from fleet.stores.models import Item, Pack
from tests import scene
from tests.stores import shelf

pytestmark = pytest.mark.django_db


@pytest.fixture
def client() -> Client:
    found = Client()
    found.force_login(Person.objects.create_superuser("chief"))
    return found


@pytest.fixture
def oil() -> Item:
    return shelf.item("oil", packs=(1000,))


def saved(client: Client, oil: Item, *packs: Mapping[str, object], **changes: object) -> str:
    """Send the form of an item with the pack that is there, changed, and with others; give the
    page, which is empty when it was saved."""
    fields = {"slug": "oil", "name": "Oil", "kind": "fluid", "unit": "mL", "source": "invented"}
    known = Pack.objects.filter(item=oil).values_list("pk", flat=True)
    sent: dict[str, object] = fields | {"draw": "bulk"} | changes
    sent |= {"packs-TOTAL_FORMS": len(packs), "packs-INITIAL_FORMS": len(known)}
    for at, pack in enumerate(packs):
        ids = {"id": known[at] if at < len(known) else "", "item": oil.pk}
        sent |= {
            f"packs-{at}-{name}": value for name, value in ({"quantity": 1000} | pack | ids).items()
        }
    answer = client.post(f"/admin/stores/item/{oil.pk}/change/", sent)
    return "" if answer.status_code == 302 else answer.content.decode()


def test_a_pack_of_twenty_millilitres_is_asked_about_and_stands_with_a_reason(
    client: Client, oil: Item
) -> None:
    assert "were 20 L meant" in saved(client, oil, {}, {"quantity": 20})
    assert Pack.objects.count() == 1
    assert saved(client, oil, {}, {"quantity": 20, "why_it_stands": "tubes"}) == ""
    assert Pack.objects.get(quantity=20).why_it_stands == "tubes"


def test_a_price_a_thousand_times_the_last_is_asked_about(client: Client, oil: Item) -> None:
    price = {"price_minor": 900, "price_source": "list"}
    assert saved(client, oil, price) == ""
    assert "is it right" in saved(client, oil, price | {"price_minor": 900_000})
    assert saved(client, oil, price | {"price_minor": 1_000}) == ""
    assert Pack.objects.get().price_minor == 1_000


def test_a_new_pack_is_held_against_what_the_others_cost(client: Client, oil: Item) -> None:
    price = {"price_minor": 900, "price_source": "list"}
    assert saved(client, oil, price) == ""
    # by hand: 9.00 a litre; five litres in one pack for 45.00, and not for 4,500.00
    five = {"quantity": 5000, "price_source": "list"}
    assert "1,000 cost" in saved(client, oil, price, five | {"price_minor": 450_000})
    assert saved(client, oil, price, five | {"price_minor": 4_500}) == ""


def test_one_pack_is_preferred(client: Client, oil: Item) -> None:
    both = ({"preferred": "on"}, {"preferred": "on", "quantity": 5000})
    assert "Two packs are preferred" in saved(client, oil, *both)
    assert saved(client, oil, {"preferred": "on"}, {"quantity": 5000}) == ""


def test_a_pack_that_goes_is_held_against_no_other(client: Client, oil: Item) -> None:
    gone = {"preferred": "on", "DELETE": "on"}
    assert saved(client, oil, gone, {"preferred": "on", "quantity": 5000}) == ""
    assert Pack.objects.get().quantity == 5000


def test_the_unit_changes_only_before_the_first_move(client: Client, oil: Item) -> None:
    pieces = {"unit": "pieces", "kind": "seal"}
    assert saved(client, oil, {}, **pieces) == ""
    assert saved(client, oil, {}) == ""
    program = Actor(None, "test", scene.NOW)
    ledger.receive(program, Receipt(depot=scene.depot(), item=oil, quantity=1000))
    assert "Stock has moved in mL" in saved(client, oil, {}, **pieces)
    assert Item.objects.get().unit == "mL"
