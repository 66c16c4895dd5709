"""The kinds of record that an order keeps, by their words, and finding one of them."""

from dataclasses import dataclass

from fleet.due.models import CheckResult
from fleet.workorders import measured
from fleet.workorders.models import (
    ConfirmRecord,
    Finding,
    FluidRecord,
    MaterialUsed,
    Note,
    Photo,
    TorqueRecord,
    WorkOrder,
)
from fleet.workorders.models.records import Record

OF_JOB, OF_ORDER = "job__order", "order"


@dataclass(frozen=True)
class RecordKind:
    """A kind of record, and the way from its rows to their order."""

    one: str
    many: str
    model: type[Record]
    to_order: str


KINDS = (
    RecordKind("torque", "torques", TorqueRecord, OF_JOB),
    RecordKind("fluid", "fluids", FluidRecord, OF_JOB),
    RecordKind("material", "materials", MaterialUsed, OF_JOB),
    RecordKind("confirm", "confirms", ConfirmRecord, OF_JOB),
    RecordKind("note", "notes", Note, OF_ORDER),
    RecordKind("photo", "photos", Photo, OF_ORDER),
    RecordKind("finding", "findings", Finding, OF_ORDER),
)
CHECK, CHECKS = "check", "checks"  # measured values belong to the vehicle
ONE = {kind.model: kind.one for kind in KINDS}
MANY = (*(kind.many for kind in KINDS), CHECKS)


def record_of(order: WorkOrder, kind: str, pk: int) -> Record | CheckResult | None:
    """A record of an order, by the word for one or for many of its kind."""
    if kind in (CHECK, CHECKS):
        return measured.of_order(order).filter(pk=pk).first()
    for one in KINDS:
        if kind in (one.one, one.many):
            rows = one.model._default_manager.filter(**{one.to_order: order}, pk=pk)
            found: Record | None = rows.first()
            return found
    return None
