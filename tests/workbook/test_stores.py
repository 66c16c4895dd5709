"""What a workbook says of items and packs is held against the stock and against other packs."""

import pytest

from fleet.people.actor import Actor
from fleet.stores import ledger
from fleet.stores.ledger import Receipt
from fleet.stores.models import Item, Pack
from fleet.vehicles.models import Depot
from tests.workbook.small import NOW, Sheets, faults_of, load_small, small_workbook

pytestmark = pytest.mark.django_db


def with_packs(*packs: dict[str, object]) -> Sheets:
    sheets = small_workbook()
    sheets["Packs"] = [sheets["Packs"][0] | pack for pack in packs]
    return sheets


HOLDS = "Holds [mL or pieces]"


def test_a_pack_of_twenty_millilitres_is_asked_about_and_stands_with_a_reason() -> None:
    (fault,) = faults_of(with_packs({HOLDS: 20, "Price": ""}))
    assert fault.startswith("Packs, row 2, column 'Holds [mL or pieces]': a pack of 20 mL")
    assert "were 20 L meant, that is 20,000" in fault
    assert "say why it stands" in fault
    load_small(with_packs({HOLDS: 20, "Price": "", "Why it stands": "tubes"}))
    assert Pack.objects.get().why_it_stands == "tubes"


def test_a_price_a_thousand_times_the_last_is_asked_about() -> None:
    load_small(with_packs({"Price": 12.5}))
    (fault,) = faults_of(with_packs({"Price": 12_500}))
    assert "where 1,000 cost" in fault or "cost" in fault
    assert faults_of(with_packs({"Price": 14})) == []


def test_two_preferred_packs_are_a_fault_at_each_of_them() -> None:
    packs = ({HOLDS: 1_000, "Preferred": "yes"}, {HOLDS: 5_000, "Preferred": "yes", "Price": ""})
    found = faults_of(with_packs(*packs))
    assert [fault.partition(":")[0] for fault in found] == [
        "Packs, row 2, column 'Preferred'",
        "Packs, row 3, column 'Preferred'",
    ]
    assert "another pack of the item is preferred too" in found[0]
    packs[1]["Preferred"] = "no"
    load_small(with_packs(*packs))
    # the other way about, in one book
    packs[0]["Preferred"], packs[1]["Preferred"] = "no", "yes"
    load_small(with_packs(*packs))
    assert Pack.objects.get(preferred=True).quantity == 5_000


def test_the_unit_of_an_item_stays_once_its_stock_moved() -> None:
    load_small(small_workbook())
    sheets = small_workbook()
    sheets["Items"][0] |= {"Unit": "pieces", "Kind": "seal", "Product": ""}
    sheets["Items"][0] |= {"Draw": "", "Hygroscopic": ""}
    load_small(sheets)  # as long as none moved
    item = Item.objects.get()
    assert item.unit == "pieces"
    ledger.receive(
        Actor(None, "test", NOW), Receipt(depot=Depot.objects.get(), item=item, quantity=10)
    )
    (fault,) = faults_of(small_workbook())
    assert fault.startswith("Items, row 2, column 'Unit': stock has moved in pieces")
    load_small(sheets)
