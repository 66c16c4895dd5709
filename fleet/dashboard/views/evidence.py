"""Evidence: every service of a vehicle held against its schedule, to read, print and keep."""

from django.http import HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_GET

from fleet.dashboard.downloads import table_file
from fleet.dashboard.frame import SignedIn, scope_of, show, vehicle_seen_by
from fleet.tables import Cell
from fleet.trials.blind import vehicle_shown
from fleet.vehicles.models import Vehicle
from fleet.vehicles.own_unit import odometer_unit
from fleet.workorders.evidence import PackLine, pack
from fleet.workorders.findings import in_force
from fleet.workorders.restrictions import texts

HEADINGS = (
    *("Service", "Done on", "At [km]", "Due on", "Deviation", "Evidence", "Source", "Limit"),
    *("Limit's source", "Duty class", "Procedure", "Edition", "Product", "Batch", "Litres in"),
    *("Done by", "Torques", "Fluids", "Measured", "Confirmed", "Materials", "Findings"),
    "Not recorded",
)


@require_GET
def evidence(request: SignedIn, fleet_number: str) -> HttpResponse:
    seen = _shown(request, fleet_number)
    lines = pack(seen.pk)[::-1]
    late = [line for line in lines if "after its limit" in line.deviation]
    judged = [line for line in lines if line.judged]
    only = request.GET.get("only", "")
    context = {
        "vehicle": seen,
        "odometer_unit": odometer_unit(seen.pk),
        "lines": lines,
        "shown": {"late": late, "judged": judged}.get(only, lines),
        "only": only if only in {"late", "judged"} else "",
        "late": len(late),
        "judged": len(judged),
        "do_not_use": in_force([seen.pk]).get(seen.pk, ""),
        "restrictions": texts([seen.pk]).get(seen.pk, []),
    }
    return show(request, "evidence", scope_of(request), context)


@require_GET
def evidence_file(request: SignedIn, fleet_number: str, ending: str) -> HttpResponse:
    """The pack as a table to keep."""
    seen = _shown(request, fleet_number)
    return table_file(f"evidence-{seen.fleet_number}", ending, HEADINGS, map(_cells, pack(seen.pk)))


def _shown(request: SignedIn, fleet_number: str) -> Vehicle:
    """The vehicle; who sees what was poured into it no longer rates it blind."""
    seen = vehicle_seen_by(request.user, fleet_number)
    vehicle_shown(request.user, seen.pk, "the evidence", timezone.now())
    return seen


def _cells(line: PackLine) -> list[Cell]:
    facts = line.facts
    poured = [fluid for fluid in facts.get("fluids", []) if fluid["way"] != "drained"]
    gaps = [f"{gap['words']}, because {gap['because']}" for gap in facts.get("gaps", [])]
    return [
        *(line.service, line.done_on, line.total_km, line.due_on, line.deviation, line.evidence),
        *(line.source, facts.get("limit"), facts.get("limit_source"), facts.get("duty_class")),
        *(facts.get("procedure_source"), facts.get("procedure_edition")),
        "; ".join(str(fluid["product"]) for fluid in poured),
        "; ".join(str(fluid["batch"]) for fluid in poured),
        round(sum(fluid["litres"] for fluid in poured), 3) or None,
        facts.get("done_by"),
        *("; ".join(line.words[kind]) for kind in ("torques", "fluids", "checks", "levels")),
        *("; ".join(line.words[kind]) for kind in ("materials", "findings")),
        "; ".join(gaps),
    ]
