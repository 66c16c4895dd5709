"""Findings: what looked wrong and is not put right yet, and vehicles that must not be used."""

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.dashboard.finding_lines import follow_up, marks_in_force, open_findings
from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.faults import Fault, Forbidden
from fleet.people.roles import Right, depots_of, may
from fleet.workorders import findings as rules
from fleet.workorders.actor import Actor
from fleet.workorders.models import Finding

PAGE_ROWS = 40


@require_GET
def findings(request: SignedIn) -> HttpResponse:
    scope = scope_of(request)
    rows = open_findings(scope.slugs)
    before = request.GET.get("before", "")
    if before.isdecimal():
        rows = rows.filter(pk__lt=int(before[:18]))
    found = list(rows[: PAGE_ROWS + 1])
    context = {
        "found": found[:PAGE_ROWS],
        "more": found[PAGE_ROWS - 1].pk if len(found) > PAGE_ROWS else "",
        "marks": marks_in_force(scope.slugs),
        "may_close": may(request.user, Right.RECORD_WORK),
        "may_release": may(request.user, Right.RELEASE),
        "may_clear": may(request.user, Right.CLEAR_DO_NOT_USE),
        "re_check_days": rules.RE_CHECK_DAYS,
    }
    return show(request, "findings", scope, context)


@require_POST
def change_finding(request: SignedIn, finding_id: int) -> HttpResponse:
    """Close a finding, or draft the order that puts it right."""
    seen = Finding.objects.filter(vehicle__depot__in=depots_of(request.user))
    finding = get_object_or_404(seen, pk=finding_id)
    actor = Actor(request.user, "page", timezone.now())
    try:
        if request.POST.get("change") == "follow up":
            order = follow_up(actor, finding, request.POST)
            messages.success(request, f"{order} is drafted.")
            return redirect("work-order", order.number)
        rules.close(actor, finding.pk, reason=request.POST.get("reason", ""))
        messages.success(request, f"Closed: {finding}.")
    except Forbidden as fault:
        raise PermissionDenied(str(fault)) from fault
    except Fault as fault:
        messages.error(request, str(fault))
    return redirect("findings")
