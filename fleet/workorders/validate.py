"""Procedures as they stand in the database, held against the rules of their family."""

from collections.abc import Sequence

from fleet.due.models import Service
from fleet.workorders.families import faults
from fleet.workorders.fit import misfits
from fleet.workorders.models import Caution, Fastener, Material, Procedure, Step


def stored_faults(procedure: Procedure, cautions: Sequence[Caution] | None = None) -> list[str]:
    """What is wrong with a stored procedure, with other cautions than the stored if given."""
    unfit = misfits(procedure, *_rows(procedure), list(procedure.tools.all()))
    known = list(Caution.objects.all()) if cautions is None else cautions
    return [*unsound(procedure, known), *(wrong.text for wrong in unfit)]


def unsound(procedure: Procedure, cautions: Sequence[Caution]) -> list[str]:
    """What a stored procedure lacks to be safe, whatever its tools."""
    service = procedure.service
    on = (service.vehicle_type.powertrain, service.compartment.kind)
    return faults(procedure, *_rows(procedure), cautions, *on)


def _rows(procedure: Procedure) -> tuple[list[Step], list[Fastener], list[Material]]:
    return (
        list(procedure.steps.all()),
        list(procedure.fasteners.all()),
        list(procedure.materials.all()),
    )


def all_faults(cautions: Sequence[Caution] | None = None) -> dict[str, list[str]]:
    """What is wrong with every stored procedure, by vehicle type and service; sound ones are left
    out."""
    known = list(Caution.objects.all()) if cautions is None else cautions
    around = Procedure.objects.select_related("service__vehicle_type", "service__compartment")
    rows = around.prefetch_related("steps", "fasteners", "materials", "tools")
    found = {_name(row.service): stored_faults(row, known) for row in rows}
    return {name: wrong for name, wrong in sorted(found.items()) if wrong}


def services_without() -> list[str]:
    """Services with a limit, whose job card would be empty: those without a procedure."""
    rows = Service.objects.filter(procedure=None).exclude(limits=None).distinct()
    return sorted(_name(row) for row in rows.select_related("vehicle_type"))


def _name(service: Service) -> str:
    return f"{service.vehicle_type.slug} {service.slug}"
