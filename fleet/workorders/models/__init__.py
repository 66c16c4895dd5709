"""Rows of work: what the book says (procedures), what is to be done (orders), what was done."""

from fleet.workorders.models.orders import DoNotUse, Escalation, Job, OrderEvent, WorkOrder
from fleet.workorders.models.procedures import (
    Caution,
    Fastener,
    Material,
    Procedure,
    Raising,
    Step,
    Substitute,
    Tool,
)
from fleet.workorders.models.rates import LabourRate
from fleet.workorders.models.records import (
    Evidence,
    Finding,
    FluidRecord,
    MaterialUsed,
    Note,
    Photo,
    TorqueRecord,
    Wrench,
)

__all__ = [
    "Caution",
    "DoNotUse",
    "Escalation",
    "Evidence",
    "Fastener",
    "Finding",
    "FluidRecord",
    "Job",
    "LabourRate",
    "Material",
    "MaterialUsed",
    "Note",
    "OrderEvent",
    "Photo",
    "Procedure",
    "Raising",
    "Step",
    "Substitute",
    "Tool",
    "TorqueRecord",
    "WorkOrder",
    "Wrench",
]
