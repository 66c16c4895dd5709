"""Whether what an order takes is on the shelf of its depot."""

from collections import defaultdict
from dataclasses import dataclass

from fleet.workorders.cardfluids import CardMaterial, supplies
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


def needed(order: WorkOrder) -> list[Needed]:
    """What the open jobs take, what is short first; the same few queries whatever their number.

    What is used only where a step finds it needed is left out.
    """
    rows = order.jobs.filter(state=Job.State.OPEN, service__procedure__isnull=False)
    rows = rows.select_related("service__compartment", "service__procedure", "order__vehicle")
    jobs = list(rows.prefetch_related("service__procedure__materials__specification"))
    stores = supplies([(order, job) for job in jobs])
    together: dict[tuple[str, str], list[CardMaterial]] = defaultdict(list)
    for job in jobs:
        for row in job.service.procedure.materials.all() if job.service else ():
            found = stores.material(order, job, row)
            if not found.only_when_recorded:
                together[found.item or found.name, _unit(found)].append(found)
    lines = [_line(unit, same) for (_, unit), same in together.items()]
    return sorted(lines, key=lambda line: (not line.short, line.name))


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
