"""Which item and product stand on a card, and how much of it; rows that no database holds."""

from dataclasses import replace
from typing import Any

import pytest

from fleet.due.models import Service
from fleet.stores.models import Item, Product
from fleet.vehicles.models import Vehicle
from fleet.workorders.cardfluids import CardProduct, Supplies
from fleet.workorders.fluid_for import FluidFor
from fleet.workorders.items_for import Served
from fleet.workorders.models import FluidRecord, Job, Material, MaterialUsed, WorkOrder
from fleet.workorders.used import Line, Used, _add_job, _add_the_rest, _item_of_part, _Shelf
from tests.scene import INVENTED

DEPOT, COMPARTMENT = 3, 5
OIL = Item(pk=11, slug="oil", name="Oil", unit="mL", product_id=21, part_number="P-7")
WASHER = Item(pk=12, slug="washer", name="Washer", unit="pieces")
USUAL, OTHER = (
    Product(pk=pk, slug=slug, name=name, grade="75W")
    for pk, slug, name in ((21, "usual", "B usual"), (22, "other", "A other"))
)
ORDER = WorkOrder(pk=1, depot_id=DEPOT, vehicle=Vehicle(pk=1, depot_id=DEPOT + 1))
SERVICE = Service(pk=2, compartment_id=COMPARTMENT)
JOB = Job(pk=7, service=SERVICE)
KEPT = FluidFor(21, "kept here", "", frozenset({21}), frozenset())


def material(**given: object) -> Material:
    fields = {"pk": 31, "procedure_id": 4, "kind": "fluid", "name": "Oil", "source": INVENTED}
    return Material(**(fields | given))


def supplies(**given: Any) -> Supplies:
    fields = {
        "fluids": {7: KEPT},
        "products": {21: USUAL, 22: OTHER},
        "lists": {COMPARTMENT: ["GL-4 75W"]},
        "substitutes": {},
        "served": {(4, 31): Served(11, 1_500), (4, 32): Served(12, 2)},
        "items": {11: OIL, 12: WASHER},
        "by_product": {21: [11, 13]},
        "stock": {(DEPOT, 11): 2_500, (DEPOT, 13): 700, (DEPOT, 12): 9, (DEPOT + 1, 11): 99_000},
        "places": {(DEPOT, 11): "A 3", (DEPOT + 1, 12): "Z 9"},
        "coldest_c": {},
    }
    return Supplies(**(fields | given))


# --- a material --------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("ml", "container_ml", "litres", "containers", "container_l"),
    [
        (1_500, 1_000, 1.5, 2, 1.0),
        (1_500, 946, 1.5, 2, 0.946),  # a US quart is 946 mL (NIST Handbook 44)
        (2_000, 1_000, 2.0, 2, 1.0),
        (2_001, 1_000, 2.001, 3, 1.0),
        (1_500, None, 1.5, None, None),
    ],
)
def test_a_fluid_is_fetched_in_whole_containers(
    ml: int,
    container_ml: int | None,
    litres: float,
    containers: int | None,
    container_l: float | None,
) -> None:
    row = material(quantity_ml=ml, container_ml=container_ml)
    (found,) = supplies().materials(ORDER, JOB, (row,))
    assert (found.litres, found.containers, found.container_l) == (litres, containers, container_l)


def test_a_fluid_is_told_in_litres_with_its_place_and_part_number() -> None:
    (found,) = supplies().materials(ORDER, JOB, (material(quantity_ml=1_500),))
    assert (found.item, found.product, found.product_name) == ("oil", "usual", "B usual")
    assert (found.on_hand_l, found.on_hand_pieces, found.pieces) == (2.5, None, None)
    assert (found.part_number, found.shelf_place, found.specification) == ("P-7", "A 3", "")


def test_a_part_is_told_in_pieces_and_has_no_product() -> None:
    row = material(pk=32, kind="seal", name="Washer", pieces=2)
    (found,) = supplies().materials(ORDER, JOB, (row,))
    assert (found.item, found.product, found.pieces, found.litres) == ("washer", "", 2, None)
    assert (found.on_hand_l, found.on_hand_pieces, found.shelf_place) == (None, 9, "")


def test_what_stores_do_not_keep_has_no_item_and_no_stock() -> None:
    row = material(pk=39, kind="seal", name="Unheard of", pieces=2)
    (found,) = supplies().materials(ORDER, JOB, (row,))
    assert (found.item, found.part_number, found.shelf_place) == ("", "", "")
    assert (found.on_hand_l, found.on_hand_pieces) == (None, None)
    empty = supplies(stock={(DEPOT, 11): 0})
    (kept,) = empty.materials(ORDER, JOB, (material(quantity_ml=1_500),))
    assert kept.on_hand_l == 0


def test_jobs_that_differ_in_depot_fluid_or_procedure_take_what_is_their_own() -> None:
    stores = supplies(fluids={7: KEPT, 8: replace(KEPT, product_id=22)}, by_product={21: [11]})
    other, away = Job(pk=8, service=SERVICE), WorkOrder(depot_id=DEPOT + 1)
    oil, seal = material(quantity_ml=1_500), material(pk=32, kind="seal", name="W", pieces=2)
    told = [
        [(one.item, one.product, one.on_hand_l) for one in stores.materials(order, job, rows)]
        for order, job, rows in [
            (ORDER, JOB, (oil,)),
            (away, JOB, (oil,)),
            (ORDER, other, (oil,)),
            (ORDER, JOB, (seal, oil)),
        ]
    ]
    assert told == [
        [("oil", "usual", 2.5)],
        [("oil", "usual", 99.0)],
        [("", "other", None)],  # which no item of the stores is
        [("washer", "", None), ("oil", "usual", 2.5)],
    ]
    fluids = [stores.fluid(ORDER, JOB), stores.fluid(away, JOB), stores.fluid(ORDER, other)]
    assert [(one.product, one.on_hand_l) for one in fluids if one] == [
        ("usual", 2.5),
        ("usual", 99.0),
        ("other", None),
    ]


# --- the fluid of a job ------------------------------------------------------------------------
def test_the_fluid_of_a_job_counts_every_item_of_its_product_at_the_depot() -> None:
    found = supplies().fluid(ORDER, JOB)
    assert found is not None
    assert (found.product, found.rule, found.on_hand_l) == ("usual", "kept here", 3.2)
    assert found.accepts == ("GL-4 75W",)
    assert found.accepted == (CardProduct("usual", "B usual", "75W"),)
    assert found.not_accepted == (CardProduct("other", "A other", "75W"),)
    none = supplies(stock={(DEPOT + 1, 11): 99_000}).fluid(ORDER, JOB)
    assert none is not None
    assert none.on_hand_l is None  # kept elsewhere only


def test_a_substitute_of_the_job_is_accepted_too_by_name() -> None:
    found = supplies(substitutes={7: frozenset({22}), 8: frozenset({21})}).fluid(ORDER, JOB)
    assert found is not None
    assert [one.slug for one in found.accepted] == ["other", "usual"]
    assert found.not_accepted == ()


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, True),
        ({"lists": {}}, True),  # products are accepted
        ({"lists": {}, "fluids": {7: FluidFor(None, "", "", frozenset(), frozenset())}}, False),
        ({"lists": {}, "fluids": {7: FluidFor(21, "", "", frozenset(), frozenset())}}, True),
        ({"fluids": {7: FluidFor(None, "", "", frozenset(), frozenset())}}, True),
        ({"fluids": {}}, False),
    ],
)
def test_a_job_has_a_fluid_where_anything_is_listed_or_chosen(
    given: dict[str, Any], told: bool
) -> None:
    assert (supplies(**given).fluid(ORDER, JOB) is not None) is told
    assert supplies(**given).fluid(ORDER, Job(pk=7)) is None  # in words


def test_a_service_of_no_compartment_is_told_no_list_of_another() -> None:
    bare = Job(pk=7, service=Service(pk=6))
    found = supplies(lists={1: ["GL-4 75W"], COMPARTMENT: ["GL-4 75W"]}).fluid(ORDER, bare)
    assert found is not None
    assert found.accepts == ()
    assert supplies().measured(ORDER, Job(pk=7)) == ()


# --- what a job used ---------------------------------------------------------------------------
def rest(*foreseen: Any, named: set[str] | None = None, filled: bool = False) -> Used:
    used = Used([Line(7, 12, 1, "", recorded=True), Line(8, 11, 1, "", recorded=True)])
    _add_the_rest(used, JOB, foreseen, named or set(), filled)
    return used


def told(used: Used) -> list[tuple[int, int, bool]]:
    return [(line.item_id, line.quantity, line.recorded) for line in used.lines[2:]]


@pytest.mark.parametrize("kind", ["fluid", "filter", "seal", "consumable"])
def test_the_book_speaks_of_what_no_record_names(kind: str) -> None:
    served = (material(kind=kind, quantity_ml=1_500), Served(11, 1_500))
    assert told(rest(served)) == [(11, 1_500, False)]  # recorded on another job only
    assert told(rest(served, named={"oil"})) == []
    assert told(rest(served, filled=True)) == ([] if kind == "fluid" else [(11, 1_500, False)])
    assert told(rest((material(kind=kind), Served(12, 2)))) == []  # recorded on this job
    needed = material(kind=kind, only_when_recorded=True)
    assert told(rest((needed, Served(11, 1_500)))) == []


def test_the_book_says_nothing_of_what_may_break_and_names_what_nobody_keeps() -> None:
    assert told(rest((material(kind="one-time fixing"), Served(11, 3)))) == []
    found = rest((material(kind="seal", name="Ring"), None))
    assert (told(found), found.not_kept) == ([], ["Ring"])


def test_a_part_is_the_item_of_the_book_or_the_one_of_its_name_and_unit() -> None:
    shelf = _Shelf({}, {("clip", "pieces"): 51, ("clip", "mL"): 52})
    book = [(material(name="Clip"), None), (material(name="CLIP"), Served(61, 1))]
    pieces, wet = MaterialUsed(name=" clip", pieces=1), MaterialUsed(name="Clip", quantity_ml=5)
    assert [_item_of_part(one, book, shelf) for one in (pieces, wet)] == [61, 61]
    assert [_item_of_part(one, book[:1], shelf) for one in (pieces, wet)] == [51, 52]
    assert _item_of_part(MaterialUsed(name="Rag", pieces=1), book, shelf) is None


class _Rows(list[Any]):
    def all(self) -> "_Rows":
        return self


@pytest.mark.parametrize(
    ("state", "fluids", "lines"),
    [
        ("done", [("filled", 1_400, "")], [(11, 1_400, True), (12, 2, False)]),
        ("done", [("topped up", 300, "")], [(11, 300, True), (12, 2, False)]),
        ("done", [("drained", 1_400, "")], [(11, 1_500, False), (12, 2, False)]),
        ("done", [("filled", 1_400, "typed twice")], [(11, 1_500, False), (12, 2, False)]),
        ("part done", [("filled", 1_400, "")], [(11, 1_400, True)]),
        ("done", [("filled", 0, "")], [(12, 2, False)]),  # nothing, and the book is not meant
    ],
)
def test_what_went_in_counts_and_the_book_fills_the_gaps_of_what_is_done(
    state: str, fluids: list[tuple[str, int, str]], lines: list[tuple[int, int, bool]]
) -> None:
    rows = [
        FluidRecord(way=way, quantity_ml=ml, withdrawn_reason=why, product_id=None)
        for way, ml, why in fluids
    ]

    class Worked:
        pk, fluids, materials_used = 7, _Rows(rows), _Rows()

    Worked.state = state  # type: ignore[attr-defined]
    seal = material(kind="seal", name="Washer", pieces=2)
    book = [(material(quantity_ml=1_500), Served(11, 1_500)), (seal, Served(12, 2))]
    used = Used()
    _add_job(used, Worked(), book, _Shelf({}, {}))  # type: ignore[arg-type]
    assert [(one.item_id, one.quantity, one.recorded) for one in used.lines] == lines
