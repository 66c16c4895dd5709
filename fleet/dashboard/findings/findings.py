"""Findings: what looked wrong and is not put right yet, and vehicles that must not be used."""

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_GET

from fleet import chain, reads
from fleet.dashboard.acts import act, back, to_overview
from fleet.dashboard.findings.lines import follow_up, offered, what_followed
from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.typed import shown_again
from fleet.dashboard.whole_numbers import whole_number
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.prepared import Fixed
from fleet.workorders import findings as rules
from fleet.workorders.failed import first_unanswered
from fleet.workorders.findings_listed import (
    PRESSING,
    after_pressing,
    most_pressing,
    narrowed,
    severity_counts,
)
from fleet.workorders.models import Finding
from fleet.workorders.photos import of_findings
from fleet.workorders.withdraw import withdraw_finding

PAGE_ROWS = 40


@require_GET
def findings(request: SignedIn) -> HttpResponse:
    return _page(request)


def _page(request: SignedIn) -> HttpResponse:
    scope, given = scope_of(request), request.GET
    severity, search = given.get("severity", ""), given.get("search", "").strip()
    severity = severity if severity in PRESSING else ""
    here = rules.open_findings().filter(vehicle__depot__in=scope.chosen)
    rows = most_pressing(narrowed(here, severity, search))
    rank, _, pk = given.get("after", "").partition(".")
    if rank.isdecimal() and pk.isdecimal():
        rows = after_pressing(rows, int(rank[:2]), whole_number(pk))
    # of all that failed, nothing while the list is narrowed
    depot_ids = [one.pk for one in scope.chosen]
    found, counts, failed, marks = reads.together(
        rows[: PAGE_ROWS + 1],
        severity_counts.steps(narrowed(here, search=search)),
        first_unanswered([] if severity or search else depot_ids, Fixed(PAGE_ROWS)),
        rules.marks_at(depot_ids),
    )
    shown = list(found[:PAGE_ROWS])
    pks = [one.pk for one in shown]
    offers, photos, followed = reads.together(
        offered.steps(shown), of_findings.steps(pks), what_followed.steps(pks)
    )
    kept = {"depot": scope.depot, "severity": severity, "search": search}
    context = {
        "found": offers,
        "more": _key(found[PAGE_ROWS - 1]) if len(found) > PAGE_ROWS else "",
        "severities": [
            (name, count, _query({**kept, "severity": "" if name == severity else name}))
            for name, count in counts.items()
        ],
        "severity": severity,
        "search": search,
        "query": _query(kept),
        "marks": marks,
        "failed": failed,
        "photos_of": photos,
        "followed": followed,
        "may_close": may(request.user, Right.RECORD_WORK),
        "may_release": may(request.user, Right.RELEASE),
        "may_clear": may(request.user, Right.CLEAR_DO_NOT_USE),
        "re_check_days": rules.RE_CHECK_DAYS,
    }
    return show(request, "findings", scope, context)


def _query(kept: dict[str, str]) -> str:
    return urlencode({name: value for name, value in kept.items() if value})


def _key(row: Any) -> str:
    return f"{row.rank}.{row.pk}"


def _refused(request: SignedIn, fault: Fault, **_: int) -> HttpResponse:
    return shown_again(request, _page(request), fault, redirect("findings"))


def _back(request: SignedIn, **_: int) -> HttpResponse:
    return back(request, "findings")


@act(_back, refused=_refused)
def change_finding(request: SignedIn, actor: Actor, finding_id: int) -> str | HttpResponse:
    """Close a finding, take it back, or draft the order that puts it right."""
    seen = Finding.objects.filter(vehicle__depot__in=depots_of(request.user))
    finding = get_object_or_404(seen, pk=finding_id)
    change, reason = request.POST.get("change"), request.POST.get("reason", "")
    if change == "follow up":
        order = follow_up(actor, finding, request.POST)
        messages.success(request, f"{order} is drafted for {finding.vehicle}: {finding}.")
        return to_overview(request) or redirect("work-order", order.number)
    if change == "take back":
        withdraw_finding(actor, finding, reason=reason, also=request.POST.getlist("also"))
        chain.refresh([finding.vehicle_id], actor.now)
        return f"Taken back: {finding}."
    rules.close(actor, finding.pk, reason=reason)
    return f"Closed: {finding}."
