"""Rows of work: what the book says (procedures), what is to be done (orders), what was done.

orders.py        WorkOrder, Job, OrderEvent, DoNotUse, Escalation; their states
procedures.py    Procedure, Step, Caution, Fastener, Material, Substitute; default tolerances
rates.py         LabourRate: what an hour costs
rechecks.py      ReCheckRule, ConfirmRecord
records.py       TorqueRecord, FluidRecord, Finding, Photo, Gap, Evidence and the like
restrictions.py  Restriction
tools.py         Tool
"""

from fleet.workorders.models.orders import DoNotUse, Escalation, Job, OrderEvent, WorkOrder
from fleet.workorders.models.procedures import (
    Caution,
    Fastener,
    Material,
    Procedure,
    Raising,
    Step,
    Substitute,
)
from fleet.workorders.models.rates import LabourRate
from fleet.workorders.models.rechecks import CalledBy, ConfirmRecord, ReCheckRule
from fleet.workorders.models.records import (
    Evidence,
    Finding,
    FluidRecord,
    Gap,
    MaterialUsed,
    Note,
    Photo,
    TorqueRecord,
    Wrench,
)
from fleet.workorders.models.restrictions import Restriction
from fleet.workorders.models.tools import Tool

__all__ = [
    "CalledBy",
    "Caution",
    "ConfirmRecord",
    "DoNotUse",
    "Escalation",
    "Evidence",
    "Fastener",
    "Finding",
    "FluidRecord",
    "Gap",
    "Job",
    "LabourRate",
    "Material",
    "MaterialUsed",
    "Note",
    "OrderEvent",
    "Photo",
    "Procedure",
    "Raising",
    "ReCheckRule",
    "Restriction",
    "Step",
    "Substitute",
    "Tool",
    "TorqueRecord",
    "WorkOrder",
    "Wrench",
]
