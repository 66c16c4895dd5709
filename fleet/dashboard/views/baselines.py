"""Baselines: what documents say of services whose history nobody knows, many at once."""

from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet import chain
from fleet.dashboard.baseline_lines import Line, lines_of, read_lines, unknown
from fleet.dashboard.frame import Scope, SignedIn, scope_of, show
from fleet.dashboard.words import day
from fleet.due.baselines import Baseline, enter_baselines
from fleet.due.models import ServiceDone
from fleet.faults import Fault, Forbidden, Question
from fleet.people.actor import Actor
from fleet.people.roles import Right, may

ROWS = 25
TOLD = 5  # entries that the answer names; the rest are counted
REFUSED_STATUS, ASKED_STATUS = 422, 409


@require_GET
def baselines(request: SignedIn) -> HttpResponse:
    scope = scope_of(request)
    service, vehicle = (request.GET.get(name, "").strip() for name in ("service", "vehicle"))
    after = request.GET.get("after", "")
    rows = unknown(scope.slugs, service=service, vehicle=vehicle, after=after, limit=ROWS + 1)
    last = rows[ROWS - 1] if len(rows) > ROWS else None
    more = urlencode({"service": service, "after": last.key}) if last else ""
    return _page(request, scope, lines_of(rows[:ROWS]), {"more": more, "service": service})


def _page(
    request: SignedIn,
    scope: Scope,
    lines: Sequence[Line],
    context: dict[str, Any],
    status: int = 200,
) -> HttpResponse:
    about = {
        "lines": lines,
        "may_enter": may(request.user, Right.ENTER_HISTORY),
        "today": scope.today,
    }
    return show(request, "baselines", scope, {**about, **context}, status)


@require_POST
def enter_baseline_rows(request: SignedIn) -> HttpResponse:
    """Enter every row that was filled in; those with a fault stay as they were typed."""
    scope, actor = scope_of(request), Actor(request.user, "page", timezone.now())
    lines = read_lines(request.user, request.POST)
    filled = [line for line in lines if line.touched]
    entered = _enter(actor, filled)
    if entered:
        messages.success(request, _said(entered))
    wrong = [line for line in filled if line.fault]
    if not wrong:
        if not entered:
            messages.info(request, "Nothing was filled in, so nothing was entered.")
        service = request.POST.get("service", "")
        query = f"?{urlencode({'service': service})}" if service else ""
        return redirect(reverse("baselines") + query)
    left = [line for line in lines if line.fault or not line.touched]
    context = {
        "wrong": len(wrong),
        "common_source": request.POST.get("source", "")[:300],
        "service": request.POST.get("service", ""),
    }
    only_asked = all(line.asked for line in wrong)
    status = ASKED_STATUS if only_asked else REFUSED_STATUS
    return _page(request, scope, left, context, status)


def _enter(actor: Actor, filled: Sequence[Line]) -> list[ServiceDone]:
    """Enter what could be read; the outcome of each stands on its line."""
    read = [(line, line.baseline) for line in filled if line.baseline is not None]
    given: list[Baseline] = [baseline for _, baseline in read]
    try:
        outcomes = enter_baselines(actor, given)
    except Forbidden as fault:
        raise PermissionDenied(str(fault)) from fault
    entered = []
    for (line, _), outcome in zip(read, outcomes, strict=True):
        if isinstance(outcome, Fault):
            line.fault, line.about = str(outcome), outcome.about
            line.asked = isinstance(outcome, Question)
            line.candidates = outcome.candidates if isinstance(outcome, Question) else ()
        else:
            entered.append(outcome)
    if entered:
        chain.refresh([row.vehicle_id for row in entered], actor.now)
    return entered


def _said(entered: Sequence[ServiceDone]) -> str:
    """What was taken, as it was understood."""
    named = [
        f"{row.vehicle} {row.service.name} on {day(row.done_on)}"
        + ("" if row.total_km is None else f" at {row.total_km:,.0f} km")
        for row in entered[:TOLD]
    ]
    more = f" and {len(entered) - TOLD} more" if len(entered) > TOLD else ""
    plural = "s" * (len(entered) != 1)
    return f"Entered {len(entered)} baseline{plural}; due dates follow: {'; '.join(named)}{more}."
