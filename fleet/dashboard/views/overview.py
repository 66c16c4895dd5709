"""Overview: what is due, what needs somebody, what happened since."""

from datetime import timedelta

from django.http import HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_GET

from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.overview_lines import (
    DEPOTS_OPEN,
    MOST_NEEDS,
    MOST_SENTENCES,
    depot_lines,
    figures,
    happened,
    local_day,
    need_lines,
)
from fleet.due.periods import Falling, Horizons, falling_due, late
from fleet.overview.needs import needs
from fleet.overview.seen import look
from fleet.overview.since import events
from fleet.people.roles import Right, may
from fleet.today import newest_day, today_at

MOST_OVERDUE = 5
AT_FIRST = timedelta(days=7)  # what somebody is told who never looked before; our choice


@require_GET
def overview(request: SignedIn) -> HttpResponse:
    scope, now = scope_of(request), timezone.now()
    days = {depot.pk: today_at(depot.zone, now) for depot in scope.chosen}
    horizons = Horizons(newest_day([depot.zone for depot in scope.chosen], now))
    by_depot = falling_due(days, horizons)
    falling = sum(by_depot.values(), Falling())
    waiting, read = needs(scope.chosen, request.user, now, horizons.today, falling.unknown)
    seen_at = look(request.user, now)
    told = happened(events(days, scope.chosen, seen_at or now - AT_FIRST), scope)
    depots = depot_lines(scope, by_depot, horizons)
    enters = may(request.user, Right.ENTER_HISTORY)
    lines = need_lines(waiting, scope, enters_history=enters)
    context = {
        "today": horizons.today,
        "horizons": horizons,
        "falling": falling,
        "in_all": figures(falling, horizons, scope.depot),
        "depot_lines": depots[:DEPOTS_OPEN],
        "more_depots": depots[DEPOTS_OPEN:],
        "read": read,
        "needs": lines[:MOST_NEEDS],
        "also": lines[MOST_NEEDS:],
        "worst": late(days, MOST_OVERDUE, certain=True),
        "seen_on": local_day(seen_at, scope),
        "told": told[:MOST_SENTENCES],
        "untold": len(told[MOST_SENTENCES:]),
    }
    return show(request, "overview", scope, context)
