"""Due: what is due, how sure that is, and by when to bring it in."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.dashboard.downloads import table_file
from fleet.dashboard.filters import DueFilters, read_after, read_filters
from fleet.dashboard.frame import Scope, SignedIn, scope_of, show
from fleet.dashboard.orders.marks import marks_of
from fleet.dashboard.strip import page_scale
from fleet.dashboard.words import LIMIT_WORDS, MOST_PRESSING, STATE_WORDS
from fleet.due.listing import DueRow, due_counts, due_rows
from fleet.due.models import Service
from fleet.people.models import SavedView
from fleet.tables import Cell
from fleet.today import today_at
from fleet.vehicles.own_unit import in_own

PAGE_ROWS = 40
FILE_ROWS = 100_000  # the rest is for the API


@dataclass(frozen=True)
class StateChoice:
    """One state as a filter with its count."""

    state: str
    count: int
    chosen: bool
    query: str  # of the address that toggles it


@require_GET
def due(request: SignedIn) -> HttpResponse:
    scope, filters, now = scope_of(request), read_filters(request.GET), timezone.now()
    after = read_after(request.GET.get("after", ""))
    rows = due_rows(
        depots=scope.slugs, after=after, limit=PAGE_ROWS + 1, now=now, **filters.for_listing()
    )
    shown, today = rows[:PAGE_ROWS], _today(scope, now)
    context = {
        "rows": shown,
        "marks": marks_of([row.vehicle_id for row in shown], request.user, today),
        "more": _key(shown[-1]) if len(rows) > PAGE_ROWS else "",
        "filters": filters,
        "scale": page_scale(today, filters.until),
        "today": today,
        **_choices(request, scope, filters, now),
    }
    return show(request, "due", scope, context)


def _choices(request: SignedIn, scope: Scope, filters: DueFilters, now: datetime) -> dict[str, Any]:
    counts = dict.fromkeys(MOST_PRESSING, 0)
    for (_, state), number in due_counts(scope.slugs, now).items():
        counts[state] += number
    return {
        "states": [
            StateChoice(state, count, state in filters.states, filters.toggled(state).query)
            for state, count in counts.items()
        ],
        "total": sum(counts.values()),
        "unknown": counts["history_unknown"],
        "services": _services(scope),
        "saved_views": SavedView.objects.filter(person=request.user, page="due").order_by("name"),
    }


def _services(scope: Scope) -> list[tuple[str, str]]:
    """Slug and name of every service that vehicles of these depots have; one name a slug."""
    found = Service.objects.filter(vehicle_type__vehicles__depot__slug__in=scope.slugs)
    named = dict(found.order_by("name").values_list("slug", "name").distinct())
    return sorted(named.items(), key=lambda pair: pair[1])


def _today(scope: Scope, now: datetime) -> date:
    zones = [depot.zone for depot in scope.depots if depot.slug in scope.slugs]
    return today_at(zones[0] if zones else "UTC", now)


def _key(row: DueRow) -> str:
    return f"{row.sort_on}.{row.vehicle_id}.{row.service_id}"


@require_GET
def due_file(request: SignedIn, ending: str) -> HttpResponse:
    """The list as filtered, to keep."""
    scope, filters, now = scope_of(request), read_filters(request.GET), timezone.now()
    rows = due_rows(depots=scope.slugs, limit=FILE_ROWS, now=now, **filters.for_listing())
    return table_file(f"due-{_today(scope, now)}", ending, HEADINGS, map(_cells, rows))


HEADINGS = (
    "Vehicle", "Registration", "Depot", "Compartment", "Service", "State", "Out of tolerance",
    "Earliest likely", "Expected", "Latest likely", "Bring in by", "Take a reading first",
    "Limit reached first", "Probability", "Life used", "Remaining [km]", "Remaining [h]",
    "Remaining as shown", "Odometer unit", "Duty class", "Provisional", "Vehicle status",
)  # fmt: skip


def _as_shown(row: DueRow) -> float | None:
    """What remains to a distance limit, by the vehicle's own odometer."""
    if row.remaining_km is None:
        return None
    return round(in_own(row.remaining_km, row.odometer_unit), 1)


def _cells(row: DueRow) -> list[Cell]:
    return [
        row.vehicle, row.registration, row.depot_name, row.compartment_name, row.service_name,
        STATE_WORDS[row.state], row.out_of_tolerance, row.p10, row.p50, row.p90, row.bring_in_by,
        row.take_a_reading_first, LIMIT_WORDS[row.binding_limit], row.binding_probability,
        row.life_used, row.remaining_km, row.remaining_h, _as_shown(row), row.odometer_unit,
        row.duty_class, row.provisional, row.vehicle_status,
    ]  # fmt: skip


@require_POST
def save_view(request: SignedIn) -> HttpResponse:
    """Keep the filters under a name; the same name again replaces them."""
    query, name = request.POST.get("query", "")[:500], request.POST.get("name", "").strip()[:80]
    if name:
        SavedView.objects.update_or_create(
            person=request.user, page="due", name=name, defaults={"query": query}
        )
        messages.success(request, f"Saved this list as “{name}”.")
    else:
        messages.error(request, "Give the list a name, then save it.")
    return redirect(f"{reverse('due')}?{query}")


@require_POST
def forget_view(request: SignedIn, view_id: int) -> HttpResponse:
    view = get_object_or_404(SavedView, pk=view_id, person=request.user, page="due")
    view.delete()
    messages.success(request, f"Forgot the list “{view.name}”.")
    return redirect("due")
