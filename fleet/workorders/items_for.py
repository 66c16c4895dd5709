"""Which item of the stores serves a material of a procedure, and how much of it a job takes.

The material's own item comes first. Else a fluid is served by an item whose product the
compartment accepts, and anything else by the item of the same name. For one vehicle the fluid is
that of ``fluid_for``.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from fleet.reads import Ids, Read, Rows, prepared, prepared_copied, reader
from fleet.stores.models import AcceptedFluid, Item, ProductClaim
from fleet.workorders.fluid_for import KEPT_HERE, FluidFor
from fleet.workorders.models import Material


@dataclass(frozen=True)
class Served:
    """The item that serves a material."""

    item_id: int
    quantity: int  # per job [mL or pieces, as the item's unit says]


@dataclass(frozen=True)
class _Fluid:
    item_id: int
    grade: str
    specification_ids: frozenset[int]


@dataclass(frozen=True)
class _Shelf:
    units: dict[int, str]
    by_name: dict[tuple[str, str], int]  # name and unit
    fluids: list[_Fluid]
    accepted: dict[int, list[tuple[int, str]]]  # compartment: specifications and grades


@reader
def items_by_slug() -> Read[list[Item]]:
    """Every item, with its product."""
    rows = _every_item()
    yield [rows]
    return list(rows)


@prepared_copied
def _every_item() -> Rows:
    return Item.objects.select_related("product").order_by("slug")


@reader
def items_of(
    procedure_ids: Collection[int], items: Sequence[Item] | None = None
) -> Read[dict[tuple[int, int], Served]]:
    """Item and quantity per job for each (procedure, material); what nobody keeps is left out.

    ``items`` are those of ``items_by_slug``, where they have been read already.
    """
    materials, accepted = _materials(procedure_ids), _accepted_on(procedure_ids)
    claimed, every = _every_claim(), _every_item()
    yield [materials, claimed, accepted, *([every] if items is None else [])]
    shelf = _shelf(claimed, accepted, every if items is None else items)
    found = {(row.procedure_id, row.pk): _served(row, shelf) for row in materials}
    return {key: served for key, served in found.items() if served is not None}


@prepared_copied
def _materials(procedure_ids: Ids) -> Rows:
    return Material.objects.filter(procedure__in=procedure_ids).select_related("procedure__service")


@prepared_copied
def _accepted_on(procedure_ids: Ids) -> Rows:
    rows = Material.objects.filter(procedure__in=procedure_ids).order_by()
    return AcceptedFluid.objects.filter(
        compartment__in=rows.values("procedure__service__compartment")
    )


@prepared
def _every_claim() -> Rows:
    return ProductClaim.objects.values_list("product_id", "specification_id")


def _shelf(
    claimed: Iterable[tuple[int, int]], rows: Iterable[AcceptedFluid], items: Sequence[Item]
) -> _Shelf:
    claims: dict[int, set[int]] = defaultdict(set)
    for product_id, specification_id in claimed:
        claims[product_id].add(specification_id)
    accepted: dict[int, list[tuple[int, str]]] = defaultdict(list)
    for row in rows:
        accepted[row.compartment_id].append((row.specification_id, row.grade))
    return _Shelf(
        units={item.pk: item.unit for item in items},
        by_name={(plain(item.name), item.unit): item.pk for item in reversed(items)},
        fluids=[
            _Fluid(item.pk, item.product.grade, frozenset(claims[item.product.pk]))
            for item in items
            if item.product is not None
        ],
        accepted=accepted,
    )


def items_of_products(
    stocked: Collection[int] = (), items: Sequence[Item] | None = None
) -> dict[int, list[int]]:
    """Items by product, those that are stocked first; of ``items_by_slug`` or of ``items``."""
    found: dict[int, list[int]] = defaultdict(list)
    rows = items_by_slug() if items is None else items
    for item in sorted(rows, key=lambda row: row.pk not in stocked):
        if item.product_id is not None:
            found[item.product_id].append(item.pk)
    return found


def serve(
    row: Material, usual: Served | None, fluid: FluidFor | None, items: Mapping[int, Sequence[int]]
) -> Served | None:
    """The item for one vehicle: of the product that it is to get, where that differs.

    Parameters
    ----------
    usual
        Which item serves the material for any vehicle.
    """
    if fluid is None or not fluid.product_id or not row.quantity_ml or not fluid.fits(row):
        return usual
    if row.item_id is not None and fluid.rule == KEPT_HERE:
        return usual
    own = items.get(fluid.product_id, [])
    if usual is not None and usual.item_id in own:
        return usual
    return Served(own[0], row.quantity_ml) if own else None


def plain(name: str) -> str:
    """A name without what people write differently: case and blanks."""
    return " ".join(name.casefold().split())


def _served(row: Material, shelf: _Shelf) -> Served | None:
    pieces = row.quantity_ml is None
    unit = Item.Unit.PIECES if pieces else Item.Unit.ML
    quantity = row.pieces if pieces else row.quantity_ml
    item_id = row.item_id
    if item_id is None and row.kind == Material.Kind.FLUID:
        item_id = _accepted(row, shelf)
    if item_id is None:
        item_id = shelf.by_name.get((plain(row.name), unit))
    if item_id is None or not quantity or shelf.units.get(item_id) != unit:
        return None
    return Served(item_id, quantity)


def _accepted(row: Material, shelf: _Shelf) -> int | None:
    wanted = shelf.accepted.get(row.procedure.service.compartment_id, [])
    for fluid in shelf.fluids:
        if row.specification_id not in (None, *fluid.specification_ids):
            continue
        if any(
            specification in fluid.specification_ids and grade in ("", fluid.grade)
            for specification, grade in wanted
        ):
            return fluid.item_id
    return None
