from datetime import date, timedelta

import pytest

from fleet.faults import Fault, Forbidden, Refused
from fleet.stores import used_fluid as collecting
from fleet.stores.models import UsedFluidCollected
from fleet.workorders.models import Procedure
from fleet.workorders.used_fluid import NO_CLASS, used_fluid
from tests import scene
from tests.scene import NOW
from tests.workorders.test_booking import Shop, shop

__all__ = ["shop"]


def note(**given: object) -> collecting.Note:
    fields = {"waste_class": "used oil", "quantity_ml": 1_000, "carrier": "An invented collector"}
    own = {"depot": scene.depot(), "note_number": "N-1", "collected_on": NOW.date()}
    return collecting.Note(**(fields | own | given))


def left() -> dict[str, int]:
    return {row.waste_class: row.left_ml for row in used_fluid([scene.depot().pk])}


def test_what_is_drained_adds_up_until_a_collector_takes_it(shop: Shop) -> None:
    shop.pour(1.4, key="drained-1", way="drained", product=None)
    assert left() == {NO_CLASS: 1_400}
    Procedure.objects.update(used_fluid_class="used oil")
    actor = shop.bay.actor()
    for _ in range(2):  # once per key
        row = collecting.collect(actor, note(), key="note-one")
    assert left() == {"used oil": 400}
    for _ in range(2):
        collecting.take_back(actor, row, reason="another depot's")
    assert left() == {"used oil": 1_400}
    assert UsedFluidCollected.objects.count() == 2


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"quantity_ml": 0}, "above 0"),
        ({"carrier": " "}, "waste collector is missing"),
        ({"note_number": ""}, "number of the consignment note is missing"),
        ({"collected_on": date(2026, 6, 15) + timedelta(days=3)}, "lies ahead"),
    ],
)
def test_a_note_that_lacks_something_is_refused(
    shop: Shop, given: dict[str, object], words: str
) -> None:
    with pytest.raises(Fault, match=words):
        collecting.collect(shop.bay.actor(), note(**given))
    assert left() == {}


def test_only_who_keeps_stock_records_a_collection(shop: Shop) -> None:
    with pytest.raises(Forbidden):
        collecting.collect(shop.mechanic, note())


def test_a_taking_back_is_not_taken_back(shop: Shop) -> None:
    actor = shop.bay.actor()
    back = collecting.take_back(actor, collecting.collect(actor, note()), reason="wrong")
    with pytest.raises(Refused):
        collecting.take_back(actor, back, reason="again")
