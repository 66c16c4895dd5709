"""What waits for somebody, opened on the overview: its first rows, and a form that answers them."""

from collections.abc import Callable
from typing import Any

from django.db.models import QuerySet
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from fleet.consumables.listing import to_order_by
from fleet.dashboard.frame import Scope, SignedIn, scope_of
from fleet.dashboard.orders.decisions import decisions
from fleet.dashboard.readings.lines import reading_lines, with_lines
from fleet.dashboard.stock.proposals import proposal_lines
from fleet.overview.needs import Kind, ending, unread
from fleet.people.models import Person
from fleet.people.roles import Right, may, mechanics_of
from fleet.readings import listing
from fleet.today import oldest_day, today_at
from fleet.workorders import failed, findings
from fleet.workorders.glance import LATE_RECORDS, QUESTIONS, RETURNED, TO_AGREE
from fleet.workorders.listing import released_without_day
from fleet.workorders.models import Finding

MOST_ROWS = 40  # more are answered on the page of their own


def _decide(request: SignedIn, scope: Scope) -> dict[str, Any]:
    every = dict.fromkeys((QUESTIONS, RETURNED, LATE_RECORDS, TO_AGREE), 1)
    releases = may(request.user, Right.RELEASE)
    return {**decisions(scope, request.user, every), "may_release": releases}


def _held(request: SignedIn, scope: Scope) -> dict[str, Any]:
    rows = with_lines(listing.held(scope.chosen))
    return {"lines": reading_lines(rows[: MOST_ROWS + 1], request.user)}


def _no_day(request: SignedIn, scope: Scope) -> dict[str, Any]:
    rows = released_without_day(scope.chosen).select_related("vehicle", "depot", "assigned_to")
    return {
        "lines": list(rows.order_by("released_at", "pk")[: MOST_ROWS + 1]),
        "mechanics": mechanics_of([depot.pk for depot in scope.chosen]),
        "today": oldest_day([depot.zone for depot in scope.chosen], timezone.now()),
    }


def _short(request: SignedIn, scope: Scope) -> dict[str, Any]:
    today = scope.today
    rows = to_order_by(scope.slugs, today)
    return {"lines": proposal_lines(list(rows[: MOST_ROWS + 1]), today)}


def _failed(request: SignedIn, scope: Scope) -> dict[str, Any]:
    return {"lines": list(failed.unanswered(scope.chosen)[: MOST_ROWS + 1])}


def _do_not_use(request: SignedIn, scope: Scope) -> dict[str, Any]:
    marks = findings.marks_in_force().filter(vehicle__depot__in=scope.chosen)
    return {"lines": list(marks.order_by("set_at", "pk")[: MOST_ROWS + 1])}


def _before_use(request: SignedIn, scope: Scope) -> dict[str, Any]:
    return _findings(findings.before_use(), scope)


def _soon(request: SignedIn, scope: Scope) -> dict[str, Any]:
    return _findings(findings.to_follow_up_soon(), scope)


def _findings(rows: QuerySet[Finding], scope: Scope) -> dict[str, Any]:
    found = list(rows.filter(vehicle__depot__in=scope.chosen)[: MOST_ROWS + 1])
    return {"lines": found, "leaking": findings.LEAKING, "re_check_days": findings.RE_CHECK_DAYS}


def _deferral(request: SignedIn, scope: Scope) -> dict[str, Any]:
    today = scope.today
    rows = list(ending(scope.chosen, today)[: MOST_ROWS + 1])
    return {"lines": rows, "today": today, "may_release": may(request.user, Right.RELEASE)}


def _unread(request: SignedIn, scope: Scope) -> dict[str, Any]:
    rows = unread(scope.chosen, timezone.now())[: MOST_ROWS + 1]
    return {"lines": [(row, today_at(row.vehicle.depot.zone)) for row in rows]}


# what is answered here, and who may
IN_PLACE: dict[Kind, tuple[Right, Callable[[SignedIn, Scope], dict[str, Any]]]] = {
    Kind.DO_NOT_USE: (Right.CLEAR_DO_NOT_USE, _do_not_use),
    Kind.BEFORE_USE: (Right.RELEASE, _before_use),
    Kind.FAILED: (Right.RELEASE, _failed),
    Kind.SOON: (Right.RELEASE, _soon),
    Kind.DECIDE: (Right.DEFER, _decide),
    Kind.SHORT: (Right.KEEP_STOCK, _short),
    Kind.HELD: (Right.SETTLE_READINGS, _held),
    Kind.NO_DAY: (Right.RELEASE, _no_day),
    Kind.DEFERRAL: (Right.DEFER, _deferral),
    Kind.UNREAD: (Right.ADD_READINGS, _unread),
}


def answered_here(person: Person) -> set[Kind]:
    return {kind for kind, (right, _) in IN_PLACE.items() if may(person, right)}


@require_GET
def overview_need(request: SignedIn, kind: str) -> HttpResponse:
    """The form of one kind, for its place in the list."""
    scope, named = scope_of(request), kind.replace("-", " ")
    if named not in IN_PLACE:
        raise Http404
    right, read = IN_PLACE[Kind(named)]
    if not may(request.user, right):
        raise Http404
    context = read(request, scope)
    lines = context.get("lines", [])
    given = {"more": len(lines) > MOST_ROWS, "lines": lines[:MOST_ROWS], "depot": scope.depot}
    page = f"dashboard/_need_{named.replace(' ', '_')}.html"
    back = f"overview?depot={scope.depot}" if scope.depot else "overview"
    return render(request, page, {"may_answer": True, **context, **given, "back": back})
