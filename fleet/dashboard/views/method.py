"""Method: what the three dates mean, and how often such dates came true on this fleet."""

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet import jobs
from fleet.dashboard import calibration_charts
from fleet.dashboard.frame import SignedIn, scope_of, show, vehicle_seen_by
from fleet.dashboard.method_facts import assumptions, by_distance, by_group, middle_distance
from fleet.dashboard.plotly_bundle import MAP_STYLE_ID
from fleet.due import backtest
from fleet.due.models import GuardFactor, Service
from fleet.due.then import forecasts_then
from fleet.people.roles import Right, may


@require_GET
def method(request: SignedIn) -> HttpResponse:
    stored = backtest.newest()
    scope = scope_of(request)
    context = {
        "stored": stored,
        "lines": by_distance(stored) if stored else [],
        "classes": by_group(stored, "by_class", scope.slugs) if stored else [],
        "readings": by_group(stored, "by_readings") if stored else [],
        "distance": middle_distance(stored) if stored else "",
        "guard": GuardFactor.objects.order_by("month_end_on").last(),
        "assumptions": assumptions(),
        "may_start": may(request.user, Right.RUN_NIGHT),
        "map_style_id": MAP_STYLE_ID,
    }
    return show(request, "method", scope, context)


@require_GET
def method_chart(request: SignedIn, chart: str) -> HttpResponse:
    stored = backtest.newest()
    if stored is None:
        raise Http404
    if chart == "pit":
        figure = calibration_charts.pit(stored.result["pit"]["distance"][middle_distance(stored)])
    else:
        draw = {"coverage": calibration_charts.coverage, "skill": calibration_charts.skill}[chart]
        figure = draw(by_distance(stored))
    return HttpResponse(figure.to_json(), content_type="application/json")


@require_POST
def start_backtest(request: SignedIn) -> HttpResponse:
    """Score the fleet's own past in the background; *Runs* shows how far it is."""
    if not may(request.user, Right.RUN_NIGHT):
        raise PermissionDenied
    transaction.on_commit(jobs.score.delay)
    messages.info(request, "The fleet's past is being scored; Runs shows how far it is.")
    return redirect("method")


@require_GET
def vehicle_then(request: SignedIn, fleet_number: str) -> HttpResponse:
    """What was forecast 3, 6 and 12 months ago for each service, and what happened."""
    seen = vehicle_seen_by(request.user, fleet_number)
    now = timezone.now()
    services = Service.objects.filter(vehicle_type=seen.vehicle_type_id).order_by("slug")
    lines = [(service, forecasts_then(seen, service, now)) for service in services]
    shown = [(service, asked) for service, asked in lines if asked]
    return render(request, "dashboard/_then.html", {"lines": shown})
