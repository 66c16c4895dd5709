"""What a vehicle is to get is decided by one rule, which card, stock and demand follow."""

from dataclasses import dataclass
from datetime import date, timedelta

import pytest

from fleet.due.choose import Chosen, choose, end_choices
from fleet.due.models import ChosenFluid, Fill
from fleet.faults import Fault, Forbidden, Refused
from fleet.stores.models import Item, Product, Specification, Stock
from fleet.workorders import ending, fluid_for, progress
from fleet.workorders.cardjson import as_json
from fleet.workorders.ending import AtFinish
from fleet.workorders.fluid_for import ACCEPTED, AS_BEFORE, CHOSEN, KEPT_HERE, Place
from fleet.workorders.jobcard import Card, card
from fleet.workorders.models import Procedure, WorkOrder
from tests.kept import kept
from tests.scene import INVENTED, NOW
from tests.stores import shelf
from tests.workorders.conftest import Bay

TODAY = NOW.date()


@dataclass(frozen=True)
class Shelf:
    """Two oils that the gearbox accepts, of which the depot keeps one, and one that it does not."""

    bay: Bay
    kept: Product
    other: Product
    wrong: Product
    kept_item: Item
    other_item: Item

    def place(self, on: date = TODAY) -> Place:
        return Place(self.bay.van.pk, self.bay.oil.compartment_id, self.bay.van.depot_id, on)

    def found(self, on: date = TODAY) -> tuple[int | None, str]:
        found = fluid_for.fluids_for([self.place(on)])[self.place(on)]
        return found.product_id, found.rule

    def filled(self, product: Product, on: date) -> None:
        Fill.objects.create(
            vehicle=self.bay.van, compartment=self.bay.oil.compartment, filled_on=on,
            origin="product", product=product, source=INVENTED,
        )  # fmt: skip

    def chosen(self, product: Product, **days: date | None) -> Chosen:
        span = {"from_on": TODAY, "until_on": None} | days
        return Chosen(
            self.bay.van, self.bay.oil.compartment, product, "a trial", "its plan", **span
        )

    def card(self) -> Card:
        return card(self.bay.order().pk, [])


@kept
def shelves(bay: Bay) -> Shelf:
    wanted = Specification.objects.create(slug="gl-4", name="GL-4", source=INVENTED)
    bay.oil.compartment.accepted_fluids.create(specification=wanted, source=INVENTED)
    kept, other, wrong = (shelf.product(slug) for slug in ("kept", "other", "wrong"))
    for product in (kept, other):
        product.claims.create(specification=wanted, source=INVENTED)
    items = [shelf.item(f"{one.slug}-item", product=one) for one in (kept, other)]
    Stock.objects.create(item=items[0], depot=bay.van.depot, on_hand=24_500)
    sheet = Procedure.objects.create(
        service=bay.oil, family="level plug", edition="1", source=INVENTED, minutes=40
    )
    sheet.materials.create(kind="fluid", name="Gear oil", quantity_ml=1_500, source=INVENTED)
    return Shelf(bay, kept, other, wrong, *items)


def test_without_a_fill_it_is_what_the_depot_keeps(shelves: Shelf) -> None:
    assert shelves.found() == (shelves.kept.pk, KEPT_HERE)


def test_where_the_depot_keeps_none_it_is_whatever_is_accepted(shelves: Shelf) -> None:
    Stock.objects.all().delete()
    assert shelves.found() == (None, ACCEPTED)


def test_the_newest_fill_comes_before_the_shelf(shelves: Shelf) -> None:
    shelves.filled(shelves.kept, TODAY - timedelta(days=90))
    shelves.filled(shelves.other, TODAY - timedelta(days=30))
    assert shelves.found() == (shelves.other.pk, AS_BEFORE)
    assert shelves.found(TODAY - timedelta(days=60)) == (shelves.kept.pk, AS_BEFORE)


def test_a_fill_that_is_not_accepted_is_no_guide(shelves: Shelf) -> None:
    shelves.filled(shelves.wrong, TODAY)
    assert shelves.found() == (shelves.kept.pk, KEPT_HERE)


def test_a_choice_stands_from_its_first_to_its_last_day(shelves: Shelf) -> None:
    last = TODAY + timedelta(days=9)
    choose(shelves.bay.actor(), [shelves.chosen(shelves.other, until_on=last)])
    assert shelves.found() == shelves.found(last) == (shelves.other.pk, CHOSEN)
    for outside in (TODAY - timedelta(days=1), last + timedelta(days=1)):
        assert shelves.found(outside) == (shelves.kept.pk, KEPT_HERE)


def test_choices_from_a_day_on_are_those_that_have_not_ended_before(shelves: Shelf) -> None:
    last, vans = TODAY + timedelta(days=9), [shelves.bay.van.pk]
    after = last + timedelta(days=1)
    choose(shelves.bay.actor(), [shelves.chosen(shelves.other, until_on=last)])
    choose(shelves.bay.actor(), [shelves.chosen(shelves.kept, from_on=after)])  # without an end

    def products(on: date) -> set[Product]:
        return {one.product for one in fluid_for.standing_choices(vans, on)}

    assert products(last) == {shelves.other, shelves.kept}
    assert products(after) == {shelves.kept}


def test_a_second_choice_for_the_same_days_is_refused(shelves: Shelf) -> None:
    choose(shelves.bay.actor(), [shelves.chosen(shelves.other)])
    with pytest.raises(Refused, match="end that choice first"):
        choose(shelves.bay.actor(), [shelves.chosen(shelves.kept)])
    end_choices(shelves.bay.actor(), ChosenFluid.objects.all(), on=TODAY, reason="called off")
    assert shelves.found() == (shelves.kept.pk, KEPT_HERE)
    choose(shelves.bay.actor(), [shelves.chosen(shelves.kept)])
    assert shelves.found() == (shelves.kept.pk, CHOSEN)


@pytest.mark.parametrize("lacking", ["because", "source"])
def test_a_choice_without_a_reason_or_a_source_is_refused(shelves: Shelf, lacking: str) -> None:
    given = {"because": "quieter", "source": "our choice"} | {lacking: " "}
    with pytest.raises(Fault, match="Say why"):
        by_hand(shelves, shelves.other, **given)
    assert not ChosenFluid.objects.exists()


def by_hand(shelves: Shelf, product: Product, who: object = None, **given: str) -> ChosenFluid:
    words = {"because": "quieter", "source": "our choice"} | given
    return fluid_for.choose_by_hand(
        shelves.bay.actor(who),
        vehicle=shelves.bay.van,
        compartment=shelves.bay.oil.compartment,
        product=product,
        from_on=TODAY,
        **words,
    )


def test_by_hand_only_a_supervisor_chooses_and_only_what_is_accepted(shelves: Shelf) -> None:
    with pytest.raises(Forbidden):
        by_hand(shelves, shelves.other, shelves.bay.mechanic)
    with pytest.raises(Fault, match="substitute"):
        by_hand(shelves, shelves.wrong)
    row = by_hand(shelves, shelves.other)
    assert (shelves.found(), row.person) == ((shelves.other.pk, CHOSEN), shelves.bay.supervisor)
    ended = fluid_for.end_by_hand(shelves.bay.actor(), row, on=TODAY, reason="louder after all")
    assert shelves.found() == (shelves.kept.pk, KEPT_HERE)
    assert (ended.until_on, ended.ended_reason) == (TODAY - timedelta(days=1), "louder after all")


def test_the_card_names_the_product_the_compartment_and_what_is_on_hand(shelves: Shelf) -> None:
    (job,) = shelves.card().jobs
    assert (job.compartment, job.compartment_name) == ("gearbox", "Gearbox")
    fluid = job.fluid
    assert fluid is not None
    assert (fluid.product, fluid.rule, fluid.on_hand_l) == ("kept", KEPT_HERE, 24.5)
    assert [one.slug for one in fluid.accepted] == ["kept", "other"]
    assert [one.slug for one in fluid.not_accepted] == ["wrong"]
    assert fluid.accepts == ("GL-4",)
    (material,) = job.materials
    assert (material.product, material.item, material.on_hand_l) == ("kept", "kept-item", 24.5)


def test_the_card_of_a_vehicle_with_a_chosen_fluid_names_that(shelves: Shelf) -> None:
    choose(shelves.bay.actor(), [shelves.chosen(shelves.other)])
    (job,) = as_json(shelves.card())["jobs"]
    assert (job["fluid"]["product"], job["fluid"]["because"]) == ("other", "a trial")
    assert job["fluid"]["on_hand_l"] is None  # not kept at this depot
    assert (job["materials"][0]["product"], job["materials"][0]["item"]) == ("other", "other-item")


def test_stock_follows_the_chosen_fluid_where_nothing_was_typed(shelves: Shelf) -> None:
    choose(shelves.bay.actor(), [shelves.chosen(shelves.other)])
    order = finished(shelves)
    moved = dict(Stock.objects.values_list("item__slug", "on_hand"))
    # by hand: the book's 1.5 L of the other oil, none of the usual one
    assert moved == {"kept-item": 24_500, "other-item": -1_500}
    assert WorkOrder.objects.get(pk=order.pk).state == "finished"


def finished(shelves: Shelf) -> WorkOrder:
    order = shelves.bay.order()
    progress.release(shelves.bay.actor(), order.pk)
    mechanic = shelves.bay.actor(shelves.bay.mechanic)
    progress.start(mechanic, order.pk)
    progress.end_job(mechanic, order.jobs.get().pk, state="done", because="not tried here")
    ending.finish(mechanic, order.pk, AtFinish(odometer=23_350, fit_for_use="yes"))
    return order
