"""Today's orders: what a mechanic does today, and the script that keeps it at hand offline."""

from pathlib import Path

from django.contrib.auth.decorators import login_not_required
from django.contrib.staticfiles import finders
from django.http import HttpResponse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.orders.lines import (
    day_key,
    finished_lines,
    order_lines,
    read_order_after,
)
from fleet.moment import one_moment
from fleet.people.models import Role
from fleet.people.roles import depots_of
from fleet.today import oldest_day, today_at
from fleet.visits.also import beside_orders
from fleet.workorders.elsewhere import Here
from fleet.workorders.listing import a_day, after, finished_in_a_day

EVERYBODY = "everybody"
PAGE_ROWS = 50  # more than a mechanic has in a day, and than most workshops; our choice


@require_GET
@one_moment()
def todays_orders(request: SignedIn) -> HttpResponse:
    """A mechanic's own orders and nobody's; everybody's for the others, or when asked."""
    scope, now = scope_of(request), timezone.now()
    default = "" if request.user.role == Role.MECHANIC else EVERYBODY
    whose = request.GET.get("whose", default)
    person = None if whose == EVERYBODY else request.user
    zones = {depot.pk: depot.zone for depot in scope.chosen}
    days = {pk: today_at(zone, now) for pk, zone in zones.items()}
    orders, today = a_day(zones, now, person), oldest_day(list(zones.values()), now)
    if behind := read_order_after(request.GET.get("after", "")):
        orders = after(orders, *behind)
    lines = order_lines(orders[: PAGE_ROWS + 1], days)
    here = [Here(one.pk, one.vehicle_id, one.state, one.zone) for one in lines[:PAGE_ROWS]]
    context = {
        "lines": lines[:PAGE_ROWS],
        "more": day_key(lines[PAGE_ROWS - 1]) if len(lines) > PAGE_ROWS else "",
        "whose": whose,
        "also": beside_orders(here, today, depots_of(request.user)),
        "finished": finished_lines(finished_in_a_day(zones, now, person)),
        "everybody": person is None,
        "today": today,
    }
    return show(request, "todays-orders", scope, context)


@login_not_required
@never_cache
@require_GET
def service_worker(request: SignedIn) -> HttpResponse:
    """The script that answers without a network; it stands at the root to reach every page."""
    script = Path(str(finders.find("dashboard/service-worker.js"))).read_text(encoding="utf-8")
    return HttpResponse(script, content_type="text/javascript; charset=utf-8")
