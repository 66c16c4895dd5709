"""Used fluid per depot and waste class: what was drained, what was collected, what is left."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from django.db.models import F, QuerySet, Sum

from fleet.reads import Read, reader
from fleet.stores.models import UsedFluidCollected
from fleet.workorders.models import FluidRecord, WorkOrder

NO_CLASS = "class not given"  # the procedure names none


@dataclass(frozen=True)
class UsedFluid:
    """What stands in the tanks of a depot by the records, as long as nothing else goes in."""

    depot: str
    waste_class: str
    drained_ml: int
    collected_ml: int

    @property
    def left_ml(self) -> int:
        """Drained less collected; below zero, more was collected than recorded [mL]."""
        return self.drained_ml - self.collected_ml


@reader
def used_fluid(depot_ids: Collection[int]) -> Read[list[UsedFluid]]:
    """By depot and waste class; one query."""
    taken = UsedFluidCollected.objects.filter(depot__in=depot_ids).order_by()
    taken_ml = taken.values_list("depot__slug", "waste_class").annotate(all=Sum("quantity_ml"))
    went_out = _went_out(depot_ids)
    yield [taken_ml, went_out]
    collected = {(depot, waste_class): ml for depot, waste_class, ml in taken_ml}
    drained: dict[tuple[str, str], int] = {}
    for row in went_out:  # a procedure without a class and none at all are one line
        key = (row["at"], row["waste_class"] or NO_CLASS)
        drained[key] = drained.get(key, 0) + row["all"]
    return [
        UsedFluid(*key, drained.get(key, 0), collected.get(key, 0))
        for key in sorted({*drained, *collected})
    ]


def _went_out(depot_ids: Collection[int]) -> QuerySet[Any, Any]:
    return (
        FluidRecord.objects.filter(
            way=FluidRecord.Way.OUT,
            withdrawn_reason="",
            job__order__depot__in=depot_ids,
            job__order__where=WorkOrder.Where.OWN,
        )
        .order_by()
        .values(
            at=F("job__order__depot__slug"),
            waste_class=F("job__service__procedure__used_fluid_class"),
        )
        .annotate(all=Sum("quantity_ml"))
    )
