"""What an order used: as recorded, and where nothing was recorded, by the procedure's book."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from fleet.stores.models import Item, Stock
from fleet.workorders.fluid_for import FluidFor, fluids_of
from fleet.workorders.items_for import Served, items_by_slug, items_of, plain, serve
from fleet.workorders.models import FluidRecord, Job, Material, MaterialUsed, Procedure, WorkOrder

ENDED = (Job.State.DONE, Job.State.PART_DONE, Job.State.NOT_DONE)
# a mechanic types what broke, hardly ever each washer; a job that is done used them
BY_THE_BOOK = (
    *(Material.Kind.FLUID, Material.Kind.FILTER),
    *(Material.Kind.SEAL, Material.Kind.CONSUMABLE),
)


@dataclass(frozen=True)
class Line:
    """So much of an item on one job."""

    job_id: int
    item_id: int
    quantity: int  # [mL or pieces]
    batch: str
    recorded: bool  # else by the book


@dataclass
class Used:
    """What an order used, and what of it stores do not keep."""

    lines: list[Line] = field(default_factory=list)
    not_kept: list[str] = field(default_factory=list)  # names


@dataclass(frozen=True)
class _Shelf:
    by_product: dict[int, list[Item]]  # those stocked at the depot first
    by_name: dict[tuple[str, str], int]  # name and unit


def used_by(order: WorkOrder) -> Used:
    """Gather what the ended jobs of an order used."""
    jobs = list(
        order.jobs.filter(state__in=ENDED)
        .select_related("service__procedure")
        .prefetch_related(
            "fluids__product", "materials_used", "service__procedure__materials__item"
        )
    )
    used = Used()
    if not any(job.fluids.all() or job.materials_used.all() or _materials(job) for job in jobs):
        return used
    procedures = [foreseen.pk for job in jobs if (foreseen := _procedure(job)) is not None]
    items = items_by_slug()
    served, shelf = items_of(procedures, items), _shelf(order.depot_id, items)
    wet = [job for job in jobs if any(row.quantity_ml for row in _materials(job))]
    fluids = fluids_of([(order, job) for job in wet])
    for job in jobs:
        _add_job(used, job, _foreseen(job, served, fluids.get(job.pk), shelf), shelf)
    return used


def _procedure(job: Job) -> Procedure | None:
    return getattr(job.service, "procedure", None)


def _materials(job: Job) -> list[Material]:
    procedure = _procedure(job)
    return [] if procedure is None else list(procedure.materials.all())


def _shelf(depot_id: int, every: Sequence[Item]) -> _Shelf:
    stocked = set(Stock.objects.filter(depot=depot_id).order_by().values_list("item", flat=True))
    items = sorted(every, key=lambda item: (item.pk not in stocked, item.slug))
    by_product: dict[int, list[Item]] = defaultdict(list)
    for item in items:
        if item.product_id is not None:
            by_product[item.product_id].append(item)
    by_name = {(plain(item.name), item.unit): item.pk for item in reversed(items)}
    return _Shelf(by_product, by_name)


def _add_job(
    used: Used, job: Job, foreseen: list[tuple[Material, Served | None]], shelf: _Shelf
) -> None:
    poured = [row for row in job.fluids.all() if _counts(row)]
    for fluid in poured:
        _add(used, job, _item_of_fluid(fluid, foreseen, shelf), fluid.quantity_ml, fluid)
    parts = [row for row in job.materials_used.all() if not row.withdrawn_reason]
    for part in parts:
        quantity = part.pieces if part.quantity_ml is None else part.quantity_ml
        _add(used, job, _item_of_part(part, foreseen, shelf), quantity or 0, part)
    if job.state == Job.State.DONE:
        filled = any(row.way == FluidRecord.Way.IN for row in poured)
        _add_the_rest(used, job, foreseen, {plain(part.name) for part in parts}, filled)


def _counts(row: FluidRecord) -> bool:
    return row.way != FluidRecord.Way.OUT and not row.withdrawn_reason


def _foreseen(
    job: Job, served: dict[tuple[int, int], Served], fluid: FluidFor | None, shelf: _Shelf
) -> list[tuple[Material, Served | None]]:
    procedure = _procedure(job)
    if procedure is None:
        return []
    items = {pk: [item.pk for item in rows] for pk, rows in shelf.by_product.items()}
    return [
        (row, serve(row, served.get((procedure.pk, row.pk)), fluid, items))
        for row in procedure.materials.all()
    ]


def _item_of_fluid(
    record: FluidRecord, foreseen: Iterable[tuple[Material, Served | None]], shelf: _Shelf
) -> int | None:
    """The item of the product poured in; without a product, the one the book foresees."""
    planned = [s.item_id for row, s in foreseen if s and row.kind == Material.Kind.FLUID]
    if record.product_id is None:
        return planned[0] if planned else None
    items = [item.pk for item in shelf.by_product.get(record.product_id, [])]
    return next((pk for pk in planned if pk in items), items[0] if items else None)


def _item_of_part(
    part: MaterialUsed, foreseen: Iterable[tuple[Material, Served | None]], shelf: _Shelf
) -> int | None:
    name = plain(part.name)
    for row, served in foreseen:
        if served is not None and plain(row.name) == name:
            return served.item_id
    unit = Item.Unit.PIECES if part.quantity_ml is None else Item.Unit.ML
    return shelf.by_name.get((name, unit))


def _add(
    used: Used, job: Job, item_id: int | None, quantity: int, record: FluidRecord | MaterialUsed
) -> None:
    if item_id is None:
        used.not_kept.append(_name_of(record))
    elif quantity > 0:
        batch = getattr(record, "batch", "")
        used.lines.append(Line(job.pk, item_id, quantity, batch, recorded=True))


def _name_of(record: FluidRecord | MaterialUsed) -> str:
    if isinstance(record, MaterialUsed):
        return record.name
    return str(record.product or f"fluid of {record.compartment}")


def _add_the_rest(
    used: Used,
    job: Job,
    foreseen: Iterable[tuple[Material, Served | None]],
    named: set[str],
    filled: bool,
) -> None:
    """What the book foresees and no record speaks of."""
    recorded = {line.item_id for line in used.lines if line.job_id == job.pk}
    for row, served in foreseen:
        planned_use = row.kind in BY_THE_BOOK and not row.only_when_recorded
        if not planned_use or plain(row.name) in named:
            continue
        if filled and row.kind == Material.Kind.FLUID:
            continue
        if served is None:
            used.not_kept.append(row.name)
        elif served.item_id not in recorded:
            used.lines.append(Line(job.pk, served.item_id, served.quantity, "", recorded=False))
