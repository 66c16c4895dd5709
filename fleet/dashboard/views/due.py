"""Due: what is due, how sure that is, and by when to bring it in."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.db.models import BigIntegerField, F, Value
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet import bulk
from fleet.dashboard.downloads import table_file
from fleet.dashboard.filters import (
    DAYS_AHEAD,
    DueFilters,
    months_from,
    read_after,
    read_filters,
    read_skip,
)
from fleet.dashboard.frame import Scope, SignedIn, scope_of, show
from fleet.dashboard.orders.marks import marks_of
from fleet.dashboard.strip import page_scale
from fleet.dashboard.words import MOST_COUNTED, MOST_PRESSING, STATE_WORDS, day
from fleet.due.explain import limit_reached
from fleet.due.listing import (
    PRESSING,
    DueFilter,
    DueRow,
    Folded,
    counts_up_to,
    due_rows,
    folded,
    group_counts,
    services_at,
)
from fleet.due.ordering import monday_of, week_of
from fleet.moment import one_moment
from fleet.people.models import SavedView
from fleet.tables import Cell
from fleet.today import today_at
from fleet.vehicles.own_unit import in_own

PAGE_ROWS = 40
PAPER_ROWS = 2_000  # on one page, to print
FILE_ROWS = 100_000  # the rest is for the API
NO_WEEK = week_of(date.max)
# each column by its name in the address, with its heading and the class that gives it its width
COLUMNS = (
    ("state", "State", ""),
    ("vehicle", "Vehicle", ""),
    ("service", "Service", ""),
    ("due", "Falls due", "when"),
    ("bring_in", "Bring in by", ""),
    ("limit", "Limit reached first", ""),
    ("life", "Life used", "number"),
)
SORT_WORDS = (
    ("", "soonest first"),
    ("-life", "most of its life used"),
    ("state", "most pressing state"),
    ("vehicle", "vehicle"),
    ("service", "service"),
    ("bring_in", "bring in by"),
    ("limit", "limit reached first"),
)
GROUP_WORDS = (
    ("", "not at all"),
    ("vehicle", "by vehicle"),
    ("service", "by service"),
    ("depot", "by depot"),
    ("week", "by week"),
)


@dataclass(frozen=True)
class StateChoice:
    """One state as a filter with its count."""

    state: str
    count: int
    chosen: bool
    query: str  # of the address that toggles it


@dataclass(frozen=True)
class Heading:
    """A column that the list can be sorted by."""

    name: str
    words: str
    kind: str
    sorted: str  # ascending, descending, or nothing
    query: str  # of the address that sorts by it


@dataclass(frozen=True)
class Line:
    """A row; where a group begins, with its name and how many rows it has."""

    row: DueRow
    group: str = ""
    count: int = 0


@dataclass(frozen=True)
class Rounds:
    """The rounds of one service at one depot, folded, and where they are listed."""

    row: Folded
    query: str


def _rounds(whole: DueFilter, filters: DueFilters, now: datetime) -> list[Rounds]:
    """What is folded: in the states chosen, else what presses this month."""
    states = filters.states or PRESSING[: PRESSING.index("later")]
    return [
        Rounds(one, replace(filters, depot=one.depot, service=one.service, states=states).query)
        for one in folded(replace(whole, states=states), now)
    ]


@require_GET
@one_moment()
def due(request: SignedIn) -> HttpResponse:
    scope, filters, now = scope_of(request), read_filters(request.GET), timezone.now()
    today = _today(scope, now)
    after, skip = read_after(request.GET.get("after", "")), read_skip(request.GET.get("skip", ""))
    size = PAPER_ROWS if request.GET.get("rows") == "all" else PAGE_ROWS
    goes_by_key = after is not None and filters.order.is_soonest_first
    before = 1 if skip and not goes_by_key else 0  # the row before tells which group goes on
    days = {depot.pk: today_at(depot.zone, now) for depot in scope.chosen}
    whole = filters.wanted(days, today)
    wanted = replace(whole, rounds=not filters.folds)
    found = due_rows(
        wanted,
        order=filters.order,
        after=after if goes_by_key else None,
        skip=0 if goes_by_key else skip - before,
        limit=before + size + 1,
        now=now,
    )
    shown = found[before : before + size]
    choices = _choices(request, scope, (whole, wanted), filters, now)
    context = {
        "lines": list(_lines(wanted, filters.order.group, found[:before], shown, now)),
        "marks": marks_of([row.vehicle_id for row in shown], request.user, today, joining=False),
        "more": _key(shown[-1]) if len(found) > before + size else "",
        "skip": skip + len(shown),
        "left": choices["listed"] and choices["listed"] - skip - len(shown),
        "filters": filters,
        "rounds": _rounds(whole, filters, now) if filters.folds else [],
        "each_round": replace(filters, all_rounds=not filters.all_rounds).query,
        "headings": _headings(filters),
        "sorts": SORT_WORDS,
        "groups": GROUP_WORDS,
        "days_ahead": DAYS_AHEAD,
        "months": list(months_from(today)),
        "scale": page_scale(today, filters.days(today)[1]),
        "today": today,
        **choices,
    }
    return show(request, "due", scope, context)


def _choices(
    request: SignedIn,
    scope: Scope,
    wanted: tuple[DueFilter, DueFilter],
    filters: DueFilters,
    now: datetime,
) -> dict[str, Any]:
    """What the list can be narrowed to; ``wanted`` is the whole of it, and what has lines."""
    whole, lined = wanted
    filtered = [whole, lined]
    if whole.since:
        filtered.append(replace(whole, since=None, until=whole.since))
    counts, in_lines, *earlier = counts_up_to(MOST_COUNTED, filtered, now)
    listed = [in_lines[state] for state in filters.states or in_lines]
    services, views = _named(request, scope)
    return {
        "states": [
            StateChoice(state, counts[state], state in filters.states, filters.toggled(state).query)
            for state in MOST_PRESSING
        ],
        "listed": None if max(listed) > MOST_COUNTED else sum(listed),
        "first": whole.since,
        "earlier": sum(one["overdue"] + one["probably_overdue"] for one in earlier),
        "unknown": counts["history_unknown"],
        "services": services,
        "saved_views": views,
    }


def _headings(filters: DueFilters) -> list[Heading]:
    order = filters.order
    way = "descending" if order.descending else "ascending"
    return [
        Heading(name, words, kind, way * (order.sort == name), filters.sorted_by(name).query)
        for name, words, kind in COLUMNS
    ]


def _lines(
    wanted: DueFilter, by: str, before: list[DueRow], rows: list[DueRow], now: datetime
) -> Iterator[Line]:
    if not by:
        yield from map(Line, rows)
        return
    counts = group_counts(
        by,
        {row.group(by) for row in rows},
        wanted,
        now,
    )
    last = before[0].group(by) if before else None
    for row in rows:
        group = row.group(by)
        begins, last = group != last, group
        yield Line(row, _group_words(group), counts.get(group, 0)) if begins else Line(row)


def _group_words(group: str | int) -> str:
    if isinstance(group, str):
        return group
    return "No date" if group == NO_WEEK else f"Week from {day(monday_of(group))}"


def _named(request: SignedIn, scope: Scope) -> tuple[list[tuple[str, str]], list[SavedView]]:
    """Slug and name of every service that vehicles of these depots have, one name a slug; and the
    person's saved lists. One query."""
    none = Value(0, BigIntegerField())
    services = (
        services_at(scope.chosen)
        .order_by("name")
        .values(told_pk=none, told_name=F("name"), told_more=F("slug"))
    )
    own = SavedView.objects.filter(person=request.user, page="due").order_by("name")
    views = own.values(told_pk=F("pk"), told_name=F("name"), told_more=F("query"))
    found = bulk.stacked([services, views])
    named = {slug: name for pk, name, slug in found if not pk}
    kept = [SavedView(pk=pk, name=name, query=query) for pk, name, query in found if pk]
    return sorted(named.items(), key=lambda pair: pair[1]), kept


def _today(scope: Scope, now: datetime) -> date:
    zones = [depot.zone for depot in scope.depots if depot.slug in scope.slugs]
    return today_at(zones[0] if zones else "UTC", now)


def _key(row: DueRow) -> str:
    return f"{row.sort_on}.{row.vehicle_id}.{row.service_id}"


@require_GET
def due_file(request: SignedIn, ending: str) -> HttpResponse:
    """The list as filtered and sorted, to keep."""
    scope, filters, now = scope_of(request), read_filters(request.GET), timezone.now()
    today = _today(scope, now)
    rows = due_rows(
        filters.wanted(scope.slugs, today),
        order=filters.order,
        limit=FILE_ROWS,
        now=now,
    )
    return table_file(f"due-{today}", ending, HEADINGS, map(_cells, rows))


HEADINGS = (
    "Vehicle", "Registration", "Depot", "Compartment", "Service", "State", "Out of tolerance",
    "Earliest likely", "Expected", "Latest likely", "Bring in by", "Take a reading first",
    "Limit reached first", "Probability", "Life used", "Remaining [km]", "Remaining [h]",
    "Remaining as shown", "Odometer unit", "Duty class", "Provisional", "Vehicle status",
    "Days late",
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
        row.take_a_reading_first, limit_reached(row.binding_limit, called=row.called),
        row.binding_probability, row.life_used, row.remaining_km, row.remaining_h,
        _as_shown(row), row.odometer_unit, row.duty_class, row.provisional, row.vehicle_status,
        row.days_late,
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
