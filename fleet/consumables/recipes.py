"""What a service takes from stores each time, item by item."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from fleet.calc.packs import drawn
from fleet.stores.models import Item, Pack
from fleet.workorders.fluid_for import FluidFor
from fleet.workorders.items_for import Served, items_of, serve
from fleet.workorders.models import Material, Procedure

FLUID_STEP_ML = 50  # quantities of fluids are rounded to this; our choice


@dataclass(frozen=True)
class Recipes:
    """Items and quantities by service; pieces that may break are listed apart."""

    taken: dict[int, dict[int, int]]  # service id -> item id -> quantity [mL or pieces]
    disturbed: dict[int, dict[int, int]]  # service id -> item id -> pieces that may break
    items: dict[int, Item]
    packs: dict[int, list[Pack]] = field(default_factory=dict)  # item id -> smallest first
    materials: dict[int, list[Material]] = field(default_factory=dict)  # service id -> its book
    served: dict[tuple[int, int], Served] = field(default_factory=dict)  # for any vehicle

    def usual(self, row: Material) -> Served | None:
        """The item of a material for any vehicle."""
        return self.served.get((row.procedure_id, row.pk))

    def varied(
        self, number: int, service_id: int, fluid: FluidFor, items: Mapping[int, Sequence[int]]
    ) -> tuple["Recipes", bool]:
        """With a service as it is for vehicles that get a fluid; and whether that differs."""
        rows = self.materials[service_id]
        own = [(row, serve(row, self.usual(row), fluid, items)) for row in rows]
        if all(served == self.usual(row) for row, served in own):
            return self, False
        taken, disturbed = _recipe(own, self.items, self.packs)
        return replace(
            self,
            taken={**self.taken, number: taken},
            disturbed={**self.disturbed, number: disturbed},
        ), True


def gather_recipes() -> Recipes:
    """Read the materials of all procedures; there are few whatever the size of the fleet."""
    items = {item.pk: item for item in Item.objects.select_related("product")}
    packs: dict[int, list[Pack]] = defaultdict(list)
    for pack in Pack.objects.order_by("quantity"):
        packs[pack.item_id].append(pack)
    service_of = dict(Procedure.objects.values_list("pk", "service_id"))
    materials: dict[int, list[Material]] = defaultdict(list)
    for row in Material.objects.select_related("item"):
        materials[service_of[row.procedure_id]].append(row)
    made = Recipes({}, {}, items, dict(packs), dict(materials), items_of(list(service_of)))
    for service_id, rows in materials.items():
        taken, disturbed = _recipe([(row, made.usual(row)) for row in rows], items, packs)
        made.taken.update({service_id: taken} if taken else {})
        made.disturbed.update({service_id: disturbed} if disturbed else {})
    return made


def _recipe(
    foreseen: Iterable[tuple[Material, Served | None]],
    items: Mapping[int, Item],
    packs: Mapping[int, list[Pack]],
) -> tuple[dict[int, int], dict[int, int]]:
    """What a job takes, and the pieces that may break, by item."""
    taken: dict[int, int] = defaultdict(int)
    disturbed: dict[int, int] = defaultdict(int)
    for row, served in foreseen:
        if served is not None and not row.only_when_recorded:
            rows = disturbed if row.kind == Material.Kind.ONE_TIME_FIXING else taken
            rows[served.item_id] += served.quantity
    shelved = {pk: _off_the_shelf(items[pk], q, packs.get(pk, [])) for pk, q in taken.items()}
    return shelved, dict(disturbed)


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
