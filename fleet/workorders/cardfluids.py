"""The fluids and parts of a job card: the very product for this vehicle, and what is on hand."""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property

from fleet.due.frost import as_at, coldest
from fleet.due.models import CheckFigure, Service
from fleet.reads import Ids, Read, Rows, prepared, prepared_copied, reader, side_by_side
from fleet.stores.lots import past_on
from fleet.stores.models import AcceptedFluid, Item, Product, Stock
from fleet.today import today_at
from fleet.workorders.fluid_for import FluidFor, fluids_of
from fleet.workorders.fluids_in import standing_substitutes
from fleet.workorders.items_for import (
    Served,
    items_by_slug,
    items_of,
    items_of_products,
    serve,
)
from fleet.workorders.models import Job, Material, WorkOrder


@dataclass(frozen=True)
class CardProduct:
    slug: str
    name: str
    grade: str

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True)
class CardFluid:
    """What goes into the compartment of a job."""

    product: str  # slug; empty: any that the compartment accepts
    product_name: str
    rule: str  # which chose it, of fluid_for.RULES
    because: str  # of what was chosen for the vehicle
    accepts: tuple[str, ...]  # specifications and grades, as the compartment lists them
    accepted: tuple[CardProduct, ...]  # also the one named above
    not_accepted: tuple[CardProduct, ...]
    on_hand_l: float | None  # of the product at the order's depot; None: not kept there


@dataclass(frozen=True)
class CardMaterial:
    kind: str
    name: str
    product: str  # slug, of the fluid of the compartment
    product_name: str
    item: str  # slug of the item that serves it; empty: stores keep none
    specification: str
    litres: float | None
    containers: int | None  # to fetch, where the fluid is sold in containers
    container_l: float | None
    pieces: int | None
    on_hand_l: float | None  # at the order's depot; None: not kept there
    on_hand_pieces: int | None
    part_number: str  # the maker's, of the item
    shelf_place: str  # at the order's depot
    only_when_recorded: bool  # used only where a step finds it needed
    source: str


@dataclass(frozen=True)
class CardFigure:
    """A figure that a check measures; a limit that is None is open on that side."""

    slug: str
    name: str
    unit: str
    test_method: str
    pass_from: float | None
    pass_to: float | None
    watch_from: float | None
    watch_to: float | None
    source: str


@dataclass(frozen=True)
class Supplies:
    """What the jobs of some orders take, gathered at once; jobs that are alike share it."""

    fluids: Mapping[int, FluidFor]  # by job id
    products: Mapping[int, Product]
    lists: Mapping[int, Sequence[str]]  # what a compartment accepts, in words
    substitutes: Mapping[int, frozenset[int]]  # products allowed for one job
    served: Mapping[tuple[int, int], Served]
    items: Mapping[int, Item]
    by_product: Mapping[int, Sequence[int]]
    stock: Mapping[tuple[int, int], int]  # depot and item: on hand [mL or pieces]
    places: Mapping[tuple[int, int], str]  # where it stands, likewise
    coldest_c: Mapping[int, float]  # mean daily minimum of the coldest month, by depot

    @cached_property
    def figures(self) -> Callable[[Service, float | None], tuple[CardFigure, ...]]:
        return cache(_figures)

    @cached_property
    def fluid_alike(self) -> Callable[..., CardFluid | None]:
        return cache(self._fluid)

    @cached_property
    def split(self) -> Callable[[frozenset[int]], tuple[tuple[CardProduct, ...], ...]]:
        return cache(self._split)

    @cached_property
    def materials_alike(self) -> Callable[..., tuple[CardMaterial, ...]]:
        return cache(self._materials)

    def fluid(self, order: WorkOrder, job: Job) -> CardFluid | None:
        """The fluid of a job; None where nothing is listed for its compartment."""
        found = self.fluids.get(job.pk)
        if found is None or job.service is None:
            return None
        fit = found.accepted | self.substitutes.get(job.pk, frozenset())
        return self.fluid_alike(found, fit, job.service.compartment_id, order.depot_id)

    def _fluid(
        self, found: FluidFor, fit: frozenset[int], compartment_id: int | None, depot_id: int
    ) -> CardFluid | None:
        accepts = tuple(self.lists.get(compartment_id or 0, ()))
        if not accepts and not fit and found.product_id is None:
            return None
        named = self.products.get(found.product_id or 0)
        accepted, not_accepted = self.split(fit)
        return CardFluid(
            product=named.slug if named else "",
            product_name=str(named or ""),
            rule=found.rule,
            because=found.because,
            accepts=accepts,
            accepted=accepted,
            not_accepted=not_accepted,
            on_hand_l=self._litres(depot_id, found.product_id),
        )

    def _split(self, fit: frozenset[int]) -> tuple[tuple[CardProduct, ...], ...]:
        """Products that are accepted, and those that are not."""
        every = sorted(self.products.values(), key=lambda row: (row.name, row.pk))
        return (
            tuple(_product(row) for row in every if row.pk in fit),
            tuple(_product(row) for row in every if row.pk not in fit),
        )

    def measured(self, order: WorkOrder, job: Job) -> tuple[CardFigure, ...]:
        """What a job measures, with the limits of the depot that the vehicle is based at."""
        if job.service is None:
            return ()
        return self.figures(job.service, self.coldest_c.get(order.vehicle.depot_id))

    def _litres(self, depot_id: int, product_id: int | None) -> float | None:
        own = [(depot_id, item_id) for item_id in self.by_product.get(product_id or 0, ())]
        kept = [self.stock[key] for key in own if key in self.stock]
        return sum(kept) / 1000 if kept else None

    def materials(
        self, order: WorkOrder, job: Job, rows: tuple[Material, ...]
    ) -> tuple[CardMaterial, ...]:
        """What a job takes of the materials of its procedure."""
        return self.materials_alike(order.depot_id, self.fluids.get(job.pk), rows)

    def _materials(
        self, depot_id: int, fluid: FluidFor | None, rows: tuple[Material, ...]
    ) -> tuple[CardMaterial, ...]:
        return tuple(self._material(depot_id, fluid, row) for row in rows)

    def _material(self, depot_id: int, fluid: FluidFor | None, row: Material) -> CardMaterial:
        served = serve(row, self.served.get((row.procedure_id, row.pk)), fluid, self.by_product)
        item = self.items.get(served.item_id) if served else None
        product = self._named(row, fluid, item)
        on_hand = self.stock.get((depot_id, item.pk)) if item else None
        wet = row.quantity_ml is not None
        containers = None
        if row.quantity_ml is not None and row.container_ml:
            containers = -(-row.quantity_ml // row.container_ml)  # whole ones, in integers
        return CardMaterial(
            kind=row.kind,
            name=row.name,
            product=product.slug if product else "",
            product_name=str(product or ""),
            item=item.slug if item else "",
            specification=str(row.specification or ""),
            litres=None if row.quantity_ml is None else row.quantity_ml / 1000,
            containers=containers,
            container_l=None if row.container_ml is None else row.container_ml / 1000,
            pieces=row.pieces,
            on_hand_l=on_hand / 1000 if wet and on_hand is not None else None,
            on_hand_pieces=None if wet else on_hand,
            part_number=item.part_number if item else "",
            shelf_place=self.places.get((depot_id, item.pk), "") if item else "",
            only_when_recorded=row.only_when_recorded,
            source=row.source,
        )

    def _named(self, row: Material, fluid: FluidFor | None, item: Item | None) -> Product | None:
        if item is not None and item.product_id is not None:
            return self.products.get(item.product_id)
        if fluid is None or not fluid.fits(row):
            return None
        return self.products.get(fluid.product_id or 0)


def _product(row: Product) -> CardProduct:
    return CardProduct(row.slug, str(row), row.grade)


def _figures(service: Service, coldest_c: float | None) -> tuple[CardFigure, ...]:
    return tuple(_figure(as_at(row, coldest_c)) for row in service.figures.all())


NOTHING = Supplies({}, {}, {}, {}, {}, {}, {}, {}, {}, {})


@reader
def supplies(worked: Sequence[tuple[WorkOrder, Job]]) -> Read[Supplies]:
    """Gather what some jobs take, with the same few queries whatever their number; other work,
    in words, takes nothing that is listed."""
    worked = [(order, job) for order, job in worked if job.service is not None]
    if not worked:
        return NOTHING
    procedures = {
        job.service.procedure.pk
        for _, job in worked
        if job.service is not None and hasattr(job.service, "procedure")
    }
    depots = {order.depot_id for order, _ in worked}
    items, kept, fluids, products, lists, substitutes, served, coldest_c = yield from side_by_side(
        items_by_slug.steps(),
        _on_hand(depots),
        fluids_of.steps(worked),
        _every_product(),
        _lists({job.service.compartment_id for _, job in worked if job.service}),
        _substitutes([job.pk for _, job in worked]),
        items_of.steps(procedures),
        coldest.steps(order.vehicle.depot_id for order, _ in worked),
    )
    by_stock = {(depot_id, item_id): on_hand for depot_id, item_id, on_hand, _ in kept}
    today = {order.depot_id: today_at(order.depot.zone) for order, _ in worked}
    past_use = yield from past_on.steps(by_stock, today)
    for shelf, past in past_use.items():
        by_stock[shelf] -= past  # it stands there and must not be poured in
    return Supplies(
        fluids=fluids,
        products={row.pk: row for row in products},
        lists=lists,
        substitutes=substitutes,
        served=served,
        items={item.pk: item for item in items},
        by_product=items_of_products({item_id for _, item_id in by_stock}, items),
        stock=by_stock,
        places={(depot_id, item_id): place for depot_id, item_id, _, place in kept},
        coldest_c=coldest_c,
    )


@prepared_copied
def _every_product() -> Rows:
    return Product.objects.all()


@prepared
def _on_hand(depot_ids: Ids) -> Rows:
    stock = Stock.objects.filter(depot__in=depot_ids).order_by()
    return stock.values_list("depot", "item", "on_hand", "shelf_place")


@prepared_copied
def _listed(compartments: Ids) -> Rows:
    listed = AcceptedFluid.objects.filter(compartment__in=compartments)
    return listed.select_related("specification").order_by("pk")


def _lists(compartments: Ids) -> Read[dict[int, list[str]]]:
    rows = _listed(compartments)
    yield [rows]
    found: dict[int, list[str]] = defaultdict(list)
    for row in rows:
        found[row.compartment_id].append(str(row))
    return found


@prepared
def _substitutes_for(job_ids: Ids) -> Rows:
    return standing_substitutes().filter(job__in=job_ids).values_list("job_id", "product_id")


def _substitutes(job_ids: Ids) -> Read[dict[int, frozenset[int]]]:
    rows = _substitutes_for(job_ids)
    yield [rows]
    found: dict[int, set[int]] = defaultdict(set)
    for job_id, product_id in rows:
        found[job_id].add(product_id)
    return {job_id: frozenset(products) for job_id, products in found.items()}


def _figure(row: CheckFigure) -> CardFigure:
    return CardFigure(**{name: getattr(row, name) for name in CardFigure.__dataclass_fields__})
