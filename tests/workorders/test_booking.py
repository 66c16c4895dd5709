"""Stock follows what an order used: at the finish, when records come late, at a correction."""

from dataclasses import dataclass, replace
from datetime import timedelta

from fleet.people.actor import Actor
from fleet.stores import ledger
from fleet.stores.ledger import Receipt
from fleet.stores.models import Item, Product, Specification, Stock, StockMove
from fleet.workorders import booking, ending, fluids, outside, progress, recording, withdraw
from fleet.workorders.ending import AtFinish
from fleet.workorders.fluids import Pouring
from fleet.workorders.models import Job, Procedure, WorkOrder
from fleet.workorders.outside import InvoicedWork
from tests import scene
from tests.kept import kept
from tests.scene import NOW
from tests.stores import shelf
from tests.workorders.conftest import Bay

INVENTED = "invented for the tests"


@dataclass(frozen=True)
class Shop:
    """A gearbox procedure whose materials stores keep, and a started order for it."""

    bay: Bay
    oil: Item
    washer: Item
    clip: Item
    order: WorkOrder
    job: Job
    mechanic: Actor

    def finish(self, state: str = "done", reason: str = "") -> None:
        if self.job.order.jobs.get().state == Job.State.OPEN:
            progress.end_job(self.mechanic, self.job.pk, state=state, reason=reason)
        ending.finish(self.mechanic, self.order.pk, AtFinish(odometer=23_350, fit_for_use="yes"))

    def pour(self, litres: float, key: str = "poured-1", **given: object) -> None:
        fields = {"way": "filled", "product": self.oil.product}
        fluids.fluid(
            self.mechanic, self.job.pk, Pouring(litres=litres, client_key=key, **(fields | given))
        )

    def moved(self) -> dict[tuple[str, str], int]:
        """Sum of moves by item and kind."""
        found: dict[tuple[str, str], int] = {}
        for move in StockMove.objects.select_related("item"):
            key = (move.item.slug, move.kind)
            found[key] = found.get(key, 0) + move.quantity
        return {key: quantity for key, quantity in found.items() if quantity}


def fitting(bay: Bay, slug: str) -> Product:
    """A product that the gearbox accepts."""
    product = shelf.product(slug)
    wanted, _ = Specification.objects.get_or_create(slug="gl-4", name="GL-4", source=INVENTED)
    product.claims.create(specification=wanted, source=INVENTED)
    accepted = bay.oil.compartment.accepted_fluids
    accepted.get_or_create(specification=wanted, grade="", source=INVENTED)
    return product


@kept
def shop(bay: Bay) -> Shop:
    procedure = Procedure.objects.create(
        service=bay.oil, family="level plug", edition="1", source=INVENTED, minutes=40
    )
    oil = shelf.item(product=fitting(bay, "gear-75w90"))
    washer = shelf.item("washer", kind="seal", unit="pieces", packs=(10,))
    clip = shelf.item("clip", kind="one-time fixing", unit="pieces", packs=(20,))
    given = {"source": INVENTED}
    procedure.materials.create(kind="fluid", name="Oil", quantity_ml=1500, item=oil, **given)
    # common practice, no source: a new sealing washer on each of the two plugs
    for plug in ("drain-plug", "fill-plug"):
        procedure.materials.create(kind="seal", name="Washer", pieces=1, fastener=plug, **given)
    procedure.materials.create(kind="one-time fixing", name="Clip", pieces=2, **given)
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    mechanic = Actor(person=bay.mechanic, channel="test", now=NOW + timedelta(hours=12))
    progress.start(mechanic, order.pk)
    return Shop(bay, oil, washer, clip, order, order.jobs.get(), mechanic)


def test_the_finish_books_what_was_recorded_and_the_seals_of_the_book(shop: Shop) -> None:
    shop.pour(1.45, batch="B-7")
    recording.material(shop.mechanic, shop.job.pk, name="clip", pieces=3, client_key="clips-001")
    shop.finish()
    assert shop.moved() == {
        ("gear-oil", "used"): -1450,
        ("washer", "used"): -2,
        ("clip", "used"): -3,
    }
    assert StockMove.objects.get(item=shop.oil).batch == "B-7"
    assert {move.order_number for move in StockMove.objects.all()} == {shop.order.number}


def test_a_job_without_records_uses_what_the_book_says_but_no_spares(shop: Shop) -> None:
    shop.finish()
    assert shop.moved() == {("gear-oil", "used"): -1500, ("washer", "used"): -2}
    assert "by the procedure" in StockMove.objects.get(item=shop.oil).reason


def test_recorded_washers_take_the_place_of_those_of_the_book(shop: Shop) -> None:
    recording.material(shop.mechanic, shop.job.pk, name="Washer", pieces=3, client_key="washers-1")
    shop.finish()
    assert shop.moved()["washer", "used"] == -3


def test_a_job_not_done_books_only_what_was_recorded(shop: Shop) -> None:
    shop.pour(0.2, override_reason="the plug would not come out")
    shop.finish("not done", "plug seized")
    assert shop.moved() == {("gear-oil", "used"): -200}


def test_booking_again_moves_nothing(shop: Shop) -> None:
    shop.pour(1.5)
    shop.finish()
    before = StockMove.objects.count()
    assert booking.book(shop.mechanic, shop.order.pk).moves == ()
    ending.sign_off(shop.bay.actor(), shop.order.pk)
    assert StockMove.objects.count() == before


def test_a_correction_puts_everything_back_and_the_next_finish_books_again(shop: Shop) -> None:
    ledger.receive(
        Actor(None, "test", NOW),
        Receipt(depot=scene.depot(), item=shop.oil, quantity=5000, price_minor=999),
    )
    shop.pour(1.5)
    shop.finish()
    ending.correct(shop.bay.actor(), shop.order.pk, reason="wrong odometer")
    assert shop.moved() == {("gear-oil", "received"): 5000}
    assert sum(move.price_minor or 0 for move in StockMove.objects.all()) == 999
    again = replace(shop, job=shop.order.jobs.get())
    again.finish()
    assert shop.moved()["gear-oil", "used"] == -1500
    assert Stock.objects.get(item=shop.oil).on_hand == 3500


def test_what_is_undone_is_put_back_at_what_it_was_booked_for(shop: Shop) -> None:
    program, place = Actor(None, "test", NOW), {"depot": scene.depot(), "item": shop.oil}
    ledger.receive(program, Receipt(**place, quantity=5000, price_minor=5_000))
    shop.pour(1.5)
    shop.finish()
    ledger.receive(program, Receipt(**place, quantity=1000, price_minor=3_000))  # dearer by now
    of_order = StockMove.objects.filter(order_number=shop.order.number, item=shop.oil)
    assert [row.price_minor for row in of_order] == [-1_500]
    ending.correct(shop.bay.actor(), shop.order.pk, reason="wrong odometer")
    worth = [row.price_minor for row in of_order.order_by("pk")]
    assert worth == [-1_500, 1_500]


def test_a_record_that_comes_after_the_finish_is_booked(shop: Shop) -> None:
    shop.finish()
    shop.pour(1.4)
    assert shop.moved()["gear-oil", "used"] == -1400
    recording.material(shop.mechanic, shop.job.pk, name="Clip", pieces=1, client_key="late-clip")
    assert shop.moved()["clip", "used"] == -1


def test_a_record_taken_back_after_the_finish_is_put_back(shop: Shop) -> None:
    used = recording.material(
        shop.mechanic, shop.job.pk, name="Clip", pieces=4, client_key="clips-001"
    )
    shop.finish()
    withdraw.withdraw(shop.mechanic, shop.order.pk, used, reason="counted wrong")
    assert ("clip", "used") not in shop.moved()
    assert Stock.objects.get(item=shop.clip).on_hand == 0


def test_a_sealed_pack_for_each_job_writes_off_the_rest(shop: Shop) -> None:
    # common practice, no source: brake fluid and other hygroscopic fluids from a sealed pack
    shop.oil.draw, shop.oil.hygroscopic = Item.Draw.WHOLE_PACKS, True
    shop.oil.save()
    shop.pour(1.45, batch="B-7")
    shop.finish()
    # by hand: 1.45 L from packs of 1 L opens two; .55 L is thrown away
    assert shop.moved()["gear-oil", "used"] == -1450
    assert shop.moved()["gear-oil", "written off"] == -550
    assert Stock.objects.get(item=shop.oil).on_hand == -2000


def test_what_came_out_is_not_booked(shop: Shop) -> None:
    shop.pour(1.4, key="drained-1", way="drained", product=None)
    shop.pour(1.5)
    shop.finish()
    assert shop.moved()["gear-oil", "used"] == -1500


def test_a_product_that_stores_do_not_keep_is_named_and_not_booked(shop: Shop) -> None:
    shop.pour(1.5, product=fitting(shop.bay, "brought-along"))
    shop.finish()
    assert booking.book(shop.mechanic, shop.order.pk).not_kept == ("brought-along",)
    assert ("gear-oil", "used") not in shop.moved()


def test_outside_work_books_nothing(shop: Shop) -> None:
    order = outside.record(
        shop.bay.actor(),
        InvoicedWork(
            vehicle=shop.bay.van,
            services=[shop.bay.oil],
            done_on=NOW.date(),
            odometer_km=23_300,
            workshop_name="An invented workshop",
            invoice_number="I-1",
        ),
    )
    booking.book(shop.mechanic, order.pk)
    assert not StockMove.objects.exists()


def test_a_phone_whose_clock_runs_ahead_still_finishes(shop: Shop) -> None:
    ahead = replace(shop.mechanic, performed_at=shop.mechanic.now + timedelta(hours=1))
    replace(shop, mechanic=ahead).finish()
    assert StockMove.objects.exists()


def test_what_is_used_only_at_need_is_booked_only_when_recorded(shop: Shop) -> None:
    sealant = shelf.item("sealant", kind="consumable", unit="pieces", packs=(1,))
    shop.job.service.procedure.materials.create(
        kind="consumable", name="Sealant", pieces=1, only_when_recorded=True, source=INVENTED
    )
    shop.finish()
    assert (sealant.slug, "used") not in shop.moved()
    recording.material(shop.mechanic, shop.job.pk, name="Sealant", pieces=1, client_key="sealant-1")
    assert shop.moved()[sealant.slug, "used"] == -1
