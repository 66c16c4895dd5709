"""Climate: how warm and cold the months are at each depot, and taking in a weather file."""

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET, require_POST

from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.duty.climate import MOST_BYTES, take_in_bytes
from fleet.faults import Fault
from fleet.people.roles import Right, depots_of, may
from fleet.vehicles.models import ClimateMonth, Depot

MONTHS_SHOWN = 36  # of a depot, newest year first
REFUSED_STATUS = 422


@dataclass(frozen=True)
class OfDepot:
    """The months of one depot."""

    depot: Depot
    months: list[ClimateMonth]
    more: int  # months that are not shown


@require_GET
def climate(request: SignedIn) -> HttpResponse:
    return _page(request, {})


def _page(request: SignedIn, context: dict[str, Any], status: int = 200) -> HttpResponse:
    scope = scope_of(request)
    depots = scope.chosen
    rows = ClimateMonth.objects.filter(depot__in=depots).order_by("-year", "month")
    of_depot: dict[int, list[ClimateMonth]] = {depot.pk: [] for depot in depots}
    for row in rows:
        of_depot[row.depot_id].append(row)
    facts = {
        "depots_shown": [
            OfDepot(depot, found[:MONTHS_SHOWN], max(0, len(found) - MONTHS_SHOWN))
            for depot, found in ((depot, of_depot[depot.pk]) for depot in depots)
        ],
        "to_fill": [depot for depot in scope.depots if may(request.user, Right.SET_UP, depot)],
    }
    return show(request, "climate", scope, {**facts, **context}, status)


@require_POST
def take_in_climate(request: SignedIn) -> HttpResponse:
    """Take in a file of daily extremes for one depot."""
    seen = depots_of(request.user)
    depot = get_object_or_404(seen, slug=request.POST.get("into", ""))
    if not may(request.user, Right.SET_UP, depot):
        raise PermissionDenied("Your role does not enter the climate of a depot.")
    sheet = request.FILES.get("file")
    try:
        if sheet is None:
            raise Fault("Choose a file first.")
        taken = take_in_bytes(sheet.read(MOST_BYTES + 1), depot, sheet.name or "")
    except Fault as fault:
        return _page(request, {"fault": str(fault), "into": depot.slug}, REFUSED_STATUS)
    kept = sum(month.outcome != "refused" for month in taken.months)
    messages.success(
        request, f"{depot}: {kept} months kept; duty classes follow with the next night."
    )
    return _page(request, {"taken": taken, "into": depot.slug})
