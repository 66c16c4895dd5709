"""Overview: what is due, what needs somebody, what happened since."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.http import Http404, HttpResponse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_GET

from fleet.dashboard import overview_charts as charts
from fleet.dashboard.downloads import table_file
from fleet.dashboard.filters import typed_day
from fleet.dashboard.frame import Scope, SignedIn, scope_of, show
from fleet.dashboard.overview_lines import (
    DEPOTS_OPEN,
    MOST_NEEDS,
    MOST_SENTENCES,
    depot_lines,
    figures,
    happened,
    in_words,
    local_day,
    need_lines,
    since_words,
)
from fleet.dashboard.plotly_bundle import MAP_STYLE_ID
from fleet.dashboard.views.overview_need import answered_here
from fleet.due.periods import Falling, Horizons, Late, falling_due, has_any, late
from fleet.moment import one_moment
from fleet.overview import weeks_shown
from fleet.overview.needs import Kind as NeedKind
from fleet.overview.needs import needs
from fleet.overview.seen import look
from fleet.overview.since import Kind as SinceKind
from fleet.overview.since import events, events_of
from fleet.overview.steps import steps
from fleet.people.roles import Right, may
from fleet.today import newest_day, today_at

MOST_OVERDUE = 5
MOST_DRAWN = 1_000  # late services in one chart
AT_FIRST = timedelta(days=7)  # what somebody is told who never looked before; our choice


@require_GET
def overview(request: SignedIn) -> HttpResponse:
    scope, now = scope_of(request), timezone.now()
    return _overview(request, scope, now, look(request.user, now))


@one_moment()
def _overview(
    request: SignedIn, scope: Scope, now: datetime, seen_at: datetime | None
) -> HttpResponse:
    days = _days(scope, now)
    horizons = Horizons(newest_day([depot.zone for depot in scope.chosen], now))
    by_depot = falling_due(days, horizons)
    falling = sum(by_depot.values(), Falling())
    waiting, read = needs(scope.chosen, request.user, now, horizons.today)
    from_at = seen_at or now - AT_FIRST
    told = happened(events(days, scope.chosen, from_at), scope, from_at)
    depots = depot_lines(scope, by_depot, horizons)
    lines = need_lines(
        waiting,
        scope,
        enters_history=may(request.user, Right.ENTER_HISTORY),
        here=answered_here(request.user),
    )
    found = late(days, MOST_DRAWN)
    unfit = any(one.kind == NeedKind.UNFIT for one in waiting)
    is_empty = not (any(falling.figures) or waiting or has_any(scope.chosen))
    context = {
        "today": horizons.today,
        "horizons": horizons,
        "falling": falling,
        "is_empty": is_empty,
        "steps": steps(scope.chosen) if is_empty else None,
        "in_all": figures(falling, horizons, scope.depot),
        "depot_lines": depots[:DEPOTS_OPEN],
        "more_depots": depots[DEPOTS_OPEN:],
        "read": read,
        "needs": lines[:MOST_NEEDS],
        "also": lines[MOST_NEEDS:],
        "worst": [one for one in found if one.certain][:MOST_OVERDUE],
        "seen_on": local_day(seen_at, scope),
        "told": told[:MOST_SENTENCES],
        "untold": len(told[MOST_SENTENCES:]),
        **_charts(scope, found, by_services=_by_services(request), unfit=unfit),
    }
    return show(request, "overview", scope, context)


@require_GET
def happened_since(request: SignedIn) -> HttpResponse:
    """Everything of one kind that happened on a day, since an instant: the rows behind a sentence
    of the overview."""
    scope, now = scope_of(request), timezone.now()
    given, kind = request.GET, request.GET.get("kind", "")
    on, from_at = typed_day(given.get("on", "")), _read_instant(given.get("since", ""))
    if kind not in set(SinceKind) or on is None or from_at is None:
        raise Http404
    rows = events_of(SinceKind(kind), _days(scope, now), scope.chosen, from_at)
    own = [one for one in in_words(rows, scope) if local_day(one.at, scope) == on]
    context = {"rows": own, "on": on, "words": since_words(SinceKind(kind), len(own))}
    return show(request, "happened-since", scope, context)


def _read_instant(text: str) -> datetime | None:
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if timezone.is_aware(found) else None


def _days(scope: Scope, now: datetime) -> dict[int, date]:
    return {depot.pk: today_at(depot.zone, now) for depot in scope.chosen}


def _by_services(request: SignedIn) -> bool:
    return request.GET.get("by") == "services"


def _charts(
    scope: Scope, found: Sequence[Late], *, by_services: bool, unfit: bool
) -> dict[str, Any]:
    """What stands around the charts; they are drawn from addresses of their own."""
    rows = weeks_shown.rows_of(scope.chosen)
    load = weeks_shown.load(rows, services=by_services)
    query = {"depot": scope.depot, "by": "services" if by_services else "hours"}
    context: dict[str, Any] = {
        "charts": bool(load or found),
        "map_style_id": MAP_STYLE_ID,
        "chart_query": urlencode({name: value for name, value in query.items() if value}),
        "by_services": by_services,
        "load": load,
        "short": weeks_shown.first_short(rows),
    }
    if load:
        context["weeks_finding"] = charts.weeks_finding(
            load, context["short"], services=by_services, unfit=unfit
        )
        context["hours_above"] = charts.hours_above(load)
        context["weeks_words"] = charts.weeks_in_words(load, services=by_services)
        context["weeks_rows"] = charts.weeks_cells(load, services=by_services)
    if found:
        context["late_finding"] = charts.late_finding(found)
        context["late_words"] = charts.late_in_words(found)
        context["late_rows"] = charts.late_cells(found)
    return context | {"on_paper": (charts.WEEKS_HEADINGS, charts.LATE_HEADINGS)}


@require_GET
def overview_chart(request: SignedIn, drawing: str) -> HttpResponse:
    scope, services = scope_of(request), _by_services(request)
    if drawing == "late":
        figure = charts.late_by_service(late(_days(scope, timezone.now()), MOST_DRAWN))
    else:
        figure = charts.weeks(_load(scope, services), services=services)
    return HttpResponse(figure.to_json(), content_type="application/json")


@require_GET
def overview_file(request: SignedIn, drawing: str, ending: str) -> HttpResponse:
    """The figures of a chart, to keep."""
    scope, services = scope_of(request), _by_services(request)
    if drawing == "late":
        rows = charts.late_cells(late(_days(scope, timezone.now()), MOST_DRAWN))
        return table_file("late", ending, charts.LATE_HEADINGS, rows)
    rows = charts.weeks_cells(_load(scope, services), services=services)
    return table_file("weeks", ending, charts.WEEKS_HEADINGS, rows)


def _load(scope: Scope, services: bool) -> weeks_shown.Load:
    load = weeks_shown.load(weeks_shown.rows_of(scope.chosen), services=services)
    if load is None:
        raise Http404
    return load
