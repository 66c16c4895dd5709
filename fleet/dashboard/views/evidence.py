"""Evidence: every service of a vehicle held against its schedule, to read, print and keep."""

from django.http import HttpResponse
from django.views.decorators.http import require_GET

from fleet.dashboard.downloads import Cell, table_file
from fleet.dashboard.frame import SignedIn, scope_of, show, vehicle_seen_by
from fleet.workorders.evidence import PackLine, pack
from fleet.workorders.findings import in_force

HEADINGS = (
    *("Service", "Done on", "At [km]", "Due on", "Deviation", "Evidence", "Source", "Limit"),
    *("Limit's source", "Duty class", "Procedure", "Edition", "Product", "Batch", "Litres in"),
    *("Done by", "Torques"),
)


@require_GET
def evidence(request: SignedIn, fleet_number: str) -> HttpResponse:
    seen = vehicle_seen_by(request.user, fleet_number)
    lines = pack(seen.pk)
    late = sum(1 for line in lines if "after its limit" in line.deviation)
    stopped = in_force([seen.pk]).get(seen.pk, "")
    context = {"vehicle": seen, "lines": lines, "late": late, "do_not_use": stopped}
    return show(request, "evidence", scope_of(request), context)


@require_GET
def evidence_file(request: SignedIn, fleet_number: str, ending: str) -> HttpResponse:
    """The pack as a table to keep."""
    seen = vehicle_seen_by(request.user, fleet_number)
    return table_file(f"evidence-{seen.fleet_number}", ending, HEADINGS, map(_cells, pack(seen.pk)))


def _cells(line: PackLine) -> list[Cell]:
    facts = line.facts
    poured = [fluid for fluid in facts.get("fluids", []) if fluid["way"] != "drained"]
    torques = [f"{one['fastener']} {one['torque_nm']:g} N·m" for one in facts.get("torques", [])]
    return [
        *(line.service, line.done_on, line.total_km, line.due_on, line.deviation, line.evidence),
        *(line.source, facts.get("limit"), facts.get("limit_source"), facts.get("duty_class")),
        *(facts.get("procedure_source"), facts.get("procedure_edition")),
        "; ".join(str(fluid["product"]) for fluid in poured),
        "; ".join(str(fluid["batch"]) for fluid in poured),
        sum(fluid["litres"] for fluid in poured) or None,
        *(facts.get("done_by"), "; ".join(torques)),
    ]
