"""What a service takes from stores each time, item by item."""

from collections import defaultdict
from dataclasses import dataclass, field

from fleet.calc.packs import drawn
from fleet.stores.models import Item, Pack
from fleet.workorders.items_for import items_of
from fleet.workorders.models import Material, Procedure

FLUID_STEP_ML = 50  # quantities of fluids are rounded to this


@dataclass(frozen=True)
class Recipes:
    """Items and quantities by service; pieces that may break are listed apart."""

    taken: dict[int, dict[int, int]]  # service id -> item id -> quantity [mL or pieces]
    disturbed: dict[int, dict[int, int]]  # service id -> item id -> pieces that may break
    items: dict[int, Item]
    packs: dict[int, list[Pack]] = field(default_factory=dict)  # item id -> smallest first

    def pack_of(self, item_id: int) -> Pack | None:
        """The pack to order: the preferred one, else the largest."""
        packs = self.packs.get(item_id, [])
        return next((pack for pack in packs if pack.preferred), packs[-1] if packs else None)


def gather_recipes() -> Recipes:
    """Read the materials of all procedures; there are few whatever the size of the fleet."""
    items = {item.pk: item for item in Item.objects.select_related("product")}
    packs: dict[int, list[Pack]] = defaultdict(list)
    for pack in Pack.objects.order_by("quantity"):
        packs[pack.item_id].append(pack)
    service_of = dict(Procedure.objects.values_list("pk", "service_id"))
    kind_of = dict(Material.objects.values_list("pk", "kind"))
    taken: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    disturbed: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for (procedure_id, material_id), served in items_of(list(service_of)).items():
        spare = kind_of[material_id] == Material.Kind.SPARE
        rows = disturbed if spare else taken
        rows[service_of[procedure_id]][served.item_id] += served.quantity
    for by_item in taken.values():
        for item_id, quantity in by_item.items():
            by_item[item_id] = _off_the_shelf(items[item_id], quantity, packs.get(item_id, []))
    return Recipes(_plain(taken), _plain(disturbed), items, dict(packs))


def _plain(rows: dict[int, dict[int, int]]) -> dict[int, dict[int, int]]:
    return {service_id: dict(by_item) for service_id, by_item in rows.items()}


def _off_the_shelf(item: Item, quantity: int, packs: list[Pack]) -> int:
    """What a job takes: what it needs, and with whole packs per job the rest of the last one."""
    whole = item.draw == Item.Draw.WHOLE_PACKS and bool(packs)
    if whole:
        job = drawn(quantity, [pack.quantity for pack in packs], whole_packs=True)
        return job.used + job.discarded
    return rounded(quantity) if item.unit == Item.Unit.ML else quantity


def rounded(quantity_ml: int) -> int:
    """Millilitres to the nearest 50, and never to nothing."""
    steps = (quantity_ml + FLUID_STEP_ML // 2) // FLUID_STEP_ML
    return max(steps, 1) * FLUID_STEP_ML
