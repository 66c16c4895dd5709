"""Method: what the three dates mean, and how often such dates came true on this fleet."""

from datetime import date
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from fleet import jobs
from fleet.dashboard import calibration_charts, score_lines
from fleet.dashboard.assumptions import CHAPTERS
from fleet.dashboard.frame import Scope, SignedIn, scope_of, show
from fleet.dashboard.plotly_bundle import MAP_STYLE_ID
from fleet.due import widening
from fleet.due.listing import DueFilter, DueRow, due_rows
from fleet.due.models import BacktestResult
from fleet.duty.models import Criterion
from fleet.hindcast import backtest
from fleet.people.roles import Right, may
from fleet.vehicles.models import VehicleType

EXAMPLES_LOOKED_AT = 60


@require_GET
def method(request: SignedIn) -> HttpResponse:
    stored, scope = backtest.newest(), scope_of(request)
    context = {
        "stored": stored,
        "widening": widening.newest(),
        "look_back": score_lines.look_back(),
        "chapters": CHAPTERS,
        "criteria": Criterion.objects.order_by("name"),
        "may_start": may(request.user, Right.RUN_NIGHT),
        "map_style_id": MAP_STYLE_ID,
        "example": _example(scope.slugs),
        **(_scores(stored, scope) if stored else {}),
    }
    return show(request, "method", scope, context)


def _example(depots: list[str]) -> DueRow | None:
    """A service of one of the reader's own vehicles that has three different dates, the soonest."""
    rows = due_rows(
        DueFilter(depots=depots, states=["due_this_month", "later"]), limit=EXAMPLES_LOOKED_AT
    )
    return next((row for row in rows if row.p10 and row.p10 != row.p90), None)


def _scores(stored: BacktestResult, scope: Scope) -> dict[str, Any]:
    depots = {depot.slug: depot.name for depot in scope.chosen}
    types = dict(VehicleType.objects.values_list("slug", "name"))
    return {
        "lines": score_lines.by_distance(stored),
        "classes": score_lines.by_class(stored, depots, types),
        "readings": score_lines.by_readings(stored),
        "twentieths": score_lines.twentieths(stored),
        "distance_km": int(score_lines.middle_distance(stored)),
        "few": score_lines.FEW,
        "first": date.fromisoformat(stored.result["first_month_end"]),
        "last": date.fromisoformat(stored.result["last_month_end"]),
    }


@require_GET
def method_chart(request: SignedIn, chart: str) -> HttpResponse:
    stored = backtest.newest()
    if stored is None:
        raise Http404
    if chart == "pit":
        figure = calibration_charts.pit(score_lines.twentieths(stored))
    else:
        draw = {"coverage": calibration_charts.coverage, "skill": calibration_charts.skill}[chart]
        figure = draw(score_lines.by_distance(stored))
    return HttpResponse(figure.to_json(), content_type="application/json")


@require_POST
def start_backtest(request: SignedIn) -> HttpResponse:
    """Score the fleet's own past in the background; *Runs* shows how far it is."""
    if not may(request.user, Right.RUN_NIGHT):
        raise PermissionDenied("Only a supervisor starts a backtest.")
    jobs.send(jobs.score)
    messages.success(request, "The backtest was asked for; it shows below as soon as it starts.")
    return redirect(f"{reverse('runs')}?asked=1")
