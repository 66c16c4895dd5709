import pytest
from django.db import IntegrityError
from django.utils import timezone

from fleet.faults import Refused
from fleet.stores.models import StockMove, UsedFluidCollected
from fleet.stores.models.ledger import Kept
from tests import scene
from tests.forms_of_models import may_stay_empty, must_be_migrated
from tests.stores import shelf

pytestmark = pytest.mark.django_db


def move(**given: object) -> StockMove:
    fields = {"kind": "received", "quantity": 1000, "at": timezone.now(), "channel": "test"}
    return StockMove.objects.create(depot=scene.depot(), item=shelf.item(), **(fields | given))


def collected() -> UsedFluidCollected:
    return UsedFluidCollected.objects.create(
        depot=scene.depot(),
        waste_class="used oil",
        quantity_ml=200_000,
        carrier="invented for the tests",
        note_number="N-1",
        collected_on=timezone.now().date(),
        channel="test",
    )


def test_every_kept_row_is_looked_at_here() -> None:
    assert set(Kept.__subclasses__()) == {StockMove, UsedFluidCollected}


@pytest.mark.parametrize("add", [move, collected])
def test_a_kept_row_is_neither_changed_nor_taken_away(add: object) -> None:
    row = add()  # type: ignore[operator]
    rows = type(row).objects.filter(pk=row.pk)
    for act in (row.save, row.delete, rows.delete, lambda: rows.update(channel="page")):
        with pytest.raises(Refused, match="stays as it is"):
            act()
    assert rows.get().channel == "test"


def test_the_key_of_a_move_is_taken_once() -> None:
    move(key="phone-1")
    with pytest.raises(IntegrityError):
        StockMove.objects.create(
            depot=scene.depot(),
            item=shelf.item("other"),
            kind="used",
            quantity=-1,
            at=timezone.now(),
            channel="test",
            key="phone-1",
        )


def test_a_move_of_nothing_is_refused_but_a_count_may_find_nothing_amiss() -> None:
    move(kind="counted", quantity=0)
    with pytest.raises(IntegrityError):
        StockMove.objects.create(
            depot=scene.depot(),
            item=shelf.item("other"),
            kind="used",
            quantity=0,
            at=timezone.now(),
            channel="test",
        )


def test_a_hygroscopic_fluid_is_drawn_in_whole_packs() -> None:
    # brake fluid takes up water from air: common practice, no source
    shelf.item("brake-fluid", hygroscopic=True, draw="whole packs per job")
    with pytest.raises(IntegrityError):
        shelf.item("brake-fluid-2", hygroscopic=True, draw="opened packs kept")


def test_only_a_fluid_has_a_product() -> None:
    with pytest.raises(IntegrityError):
        shelf.item("filter", kind="filter", unit="pieces", product=shelf.product())


def test_one_stock_per_depot_and_item() -> None:
    kept = shelf.item()
    shelf.stock(kept)
    with pytest.raises(IntegrityError):
        shelf.stock(kept)


def test_items_and_packs_keep_the_history_of_every_change() -> None:
    kept = shelf.item()
    pack = kept.packs.get()
    pack.price_minor, pack.price_source = 1_250, "invented for the tests"
    pack.save()
    assert [row.price_minor for row in pack.history.order_by("pk")] == [None, 1_250]


def test_nobody_is_asked_for_what_a_store_may_not_know() -> None:
    # by hand: a label names no viscosity, a shelf has no sign, a drum no date, a move no order,
    # what is still to come no receipt, an order as proposed no reason
    assert may_stay_empty("stores") == {
        "Product": {"grade", "kv40_mm2_s", "kv100_mm2_s", "ccs_mpa_s", "hths_mpa_s", "data_sheet"},
        "AcceptedFluid": {"grade"},
        "GradeLimit": {"least", "most", "beside"},
        "Item": {"product", "shelf_life_d", "after_opening_life_d", "part_number", "waste_class"},
        "Pack": {"price_minor", "price_source", "why_it_stands"},
        "Stock": {"supplier", "shelf_place"},
        "Arrival": {"received_on", "received_by", "reason"},
        "StockMove": {
            *("key", "reason", "price_minor", "batch", "best_before", "order_number"),
            "other_depot",
        },
        "UsedFluidCollected": {"key", "tank", "reason"},
    }


def test_the_database_is_as_the_models_say() -> None:
    must_be_migrated("stores")


@pytest.mark.parametrize("share", [0.49, 1.0])
def test_a_service_level_lies_between_a_half_and_one(share: float) -> None:
    with pytest.raises(IntegrityError):
        shelf.stock(shelf.item(), service_level=share)
