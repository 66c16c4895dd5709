"""Whether what an order takes is on the shelf of its depot."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from fleet.reads import Read, Rows, prepared, reader, referring, side_by_side
from fleet.workorders.cardfluids import CardMaterial, supplies
from fleet.workorders.jobcard import Card
from fleet.workorders.models import Job, WorkOrder


@dataclass(frozen=True)
class Needed:
    """One thing that the open jobs of an order take together."""

    name: str
    unit: str  # L or pieces
    needed: float
    on_hand: float | None  # usable at the order's depot; None: not kept there
    shelf_place: str

    @property
    def short(self) -> bool:
        return self.on_hand is None or self.on_hand < self.needed

    @property
    def too_little(self) -> bool:
        """Whether the depot keeps it, and too little of it: work can wait for that."""
        return self.short and self.on_hand is not None

    @property
    def words(self) -> str:
        """How much of what: '2 × Lint-free cloth', '2.1 L Gear oil'."""
        return f"{self.needed:g} {'L' if self.unit == 'L' else '×'} {self.name}"


@reader
def needed(order: WorkOrder) -> Read[list[Needed]]:
    """What the open jobs take, what is short first; the same few queries whatever their number.

    What is used only where a step finds it needed is left out.
    """
    jobs = _with_procedures(order.pk)
    yield [jobs]
    books = [job.service.procedure for job in jobs if job.service is not None]
    _, stores = yield from side_by_side(
        referring(books, materials=["specification", "item"]),
        supplies.steps([(order, job) for job in jobs]),
    )
    return _together(
        row
        for job in jobs
        if job.service is not None
        for row in stores.materials(order, job, tuple(job.service.procedure.materials.all()))
    )


@prepared
def _with_procedures(order_id: int) -> Rows:
    open_jobs = Job.objects.filter(order=order_id, state=Job.State.OPEN)
    rows = open_jobs.filter(service__procedure__isnull=False)
    return rows.select_related("service__compartment", "service__procedure", "order__vehicle")


def of_card(card: Card) -> list[Needed]:
    """The same, of a card that is put together already."""
    jobs = (job for job in card.jobs if job.state == Job.State.OPEN)
    return _together(row for job in jobs for row in job.materials)


def _together(materials: Iterable[CardMaterial]) -> list[Needed]:
    together: dict[tuple[str, str], list[CardMaterial]] = defaultdict(list)
    for found in materials:
        if not found.only_when_recorded:
            together[found.item or found.name, _unit(found)].append(found)
    lines = [_line(unit, same) for (_, unit), same in together.items()]
    return sorted(lines, key=lambda line: (not line.short, line.name))


def waits_for(order: WorkOrder) -> str:
    """The first thing that its depot has too little of, in words; empty: there is none."""
    return next((one.words for one in needed(order) if one.too_little), "")


def _unit(row: CardMaterial) -> str:
    return "pieces" if row.litres is None else "L"


def _line(unit: str, same: list[CardMaterial]) -> Needed:
    one = same[0]
    wet = unit == "L"
    return Needed(
        name=one.product_name or one.name,
        unit=unit,
        needed=sum((row.litres if wet else row.pieces) or 0 for row in same),
        on_hand=one.on_hand_l if wet else one.on_hand_pieces,
        shelf_place=one.shelf_place,
    )
