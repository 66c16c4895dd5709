"""Consumables: what to order, what stores will need month by month, and whether forecasts held."""

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.consumables import propose
from fleet.consumables.backtest import held
from fleet.consumables.listing import (
    KEYS,
    MONTHS,
    DemandRow,
    demand_rows,
    proposals,
    unknown_history,
    waste_by_month,
)
from fleet.consumables.models import OrderProposal
from fleet.dashboard.downloads import Cell, table_file
from fleet.dashboard.frame import Scope, SignedIn, scope_of, show
from fleet.dashboard.order_changes import read_number
from fleet.dashboard.stock_lines import amount
from fleet.faults import Fault, Forbidden
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.stores import ordering
from fleet.stores.models import Arrival, Stock
from fleet.stores.used_fluid import Note, collect
from fleet.workorders.used_fluid import used_fluid

WORTH_SHOWING = {"mL": 50, "pieces": 0.05}  # less is written 0; the file has it
HEADINGS = (*KEYS, "unit")


@dataclass(frozen=True)
class MonthCell:
    """One month of one item."""

    words: str  # heading of the column, for a phone
    mean: str
    enough: str  # suffices in 95 of 100 cases
    packs: int | None


@dataclass(frozen=True)
class ItemLine:
    name: str
    depot: str
    cells: list[MonthCell | None]


@dataclass(frozen=True)
class WasteLine:
    name: str
    litres: list[tuple[str, str]]  # month in words, figure


@require_GET
def consumables(request: SignedIn) -> HttpResponse:
    scope, today = scope_of(request), timezone.now().date()
    months = months_from(today, MONTHS)
    ids = [depot.pk for depot in scope.depots if depot.slug in scope.slugs]
    names = {depot.slug: depot.name for depot in scope.depots}
    wanted = list(proposals(scope.slugs))
    shelves = Stock.objects.filter(depot__in=ids).values_list("depot", "item", "lead_time_d")
    leads = {(depot_id, item_id): days for depot_id, item_id, days in shelves}
    context = {
        "proposals": [
            {
                "row": row,
                "quantity": amount(row.quantity, row.item.unit),
                "needed": amount(row.needed, row.item.unit),
                "there": amount(row.on_hand + row.on_order, row.item.unit),
                "pack": row.pack and amount(row.pack.quantity, row.item.unit),
                "due_on": today + timedelta(days=leads.get((row.depot_id, row.item_id), 0)),
            }
            for row in wanted
        ],
        "coming": [
            {"row": row, "quantity": amount(row.quantity, row.item.unit)}
            for row in Arrival.objects.filter(depot__in=ids, received_on=None).select_related(
                "item", "depot"
            )
        ],
        "months": months,
        "lines": item_lines(demand_rows(today, scope.slugs, MONTHS), months, scope),
        "waste": _waste(today, scope, months),
        "tanks": [
            {
                "row": row,
                "depot": names[row.depot],
                "drained": amount(row.drained_ml, "mL"),
                "collected": amount(row.collected_ml, "mL"),
                "left": amount(row.left_ml, "mL"),
            }
            for row in used_fluid(ids)
        ],
        "may_keep": may(request.user, Right.KEEP_STOCK),
        "key": uuid.uuid4().hex,
        "unknown": unknown_history(scope.slugs),
        "held": held(ids, today),
        "today": today,
    }
    return show(request, "consumables", scope, context)


@require_POST
def order_proposed(request: SignedIn, proposal_id: int) -> HttpResponse:
    """Note that what was proposed is on order now."""
    seen = OrderProposal.objects.filter(depot__in=depots_of(request.user))
    row = seen.select_related("depot", "item").filter(pk=proposal_id).first()

    def act(actor: Actor) -> str:
        if row is None:
            raise Fault("That proposal is gone: it was ordered, or is not needed any more.")
        coming = propose.order(actor, row, _day(request.POST.get("due_on", "")))
        return f"{amount(coming.quantity, row.item.unit)} {row.item} on order."

    return _done(request, act)


@require_POST
def give_up_order(request: SignedIn, arrival_id: int) -> HttpResponse:
    """Take an order off the list that will not come."""
    seen = Arrival.objects.filter(depot__in=depots_of(request.user))
    row = get_object_or_404(seen.select_related("depot", "item"), pk=arrival_id)

    def act(actor: Actor) -> str:
        ordering.give_up(actor, row)
        return f"{row.item} is not on order any more; the next night proposes anew."

    return _done(request, act)


@require_POST
def collect_used_fluid(request: SignedIn) -> HttpResponse:
    """Enter what a carrier took, from the note."""
    given = request.POST
    depot = depots_of(request.user).filter(slug=given.get("depot", "")).first()
    if depot is None:
        raise Http404

    def act(actor: Actor) -> str:
        note = Note(
            depot=depot,
            waste_class=given.get("waste_class", "")[:60],
            quantity_ml=round(1000 * read_number(given.get("litres", ""), "litres")),
            carrier=given.get("carrier", "")[:120],
            note_number=given.get("note_number", "")[:60],
            collected_on=_day(given.get("collected_on", "")),
            tank=given.get("tank", "")[:60],
        )
        key = f"page:{request.user.pk}:{given.get('key', '')[:60]}"
        row = collect(actor, note, key=key)
        return f"{amount(row.quantity_ml, 'mL')} {row.waste_class} collected."

    return _done(request, act)


def _done(request: SignedIn, act: Callable[[Actor], str]) -> HttpResponse:
    try:
        messages.success(request, act(Actor(request.user, "page", timezone.now())))
    except Forbidden as fault:
        raise PermissionDenied(str(fault)) from fault
    except Fault as fault:
        messages.error(request, str(fault))
    return redirect("consumables")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Fault("Give the day, as 2026-08-31.") from None


@require_GET
def consumables_file(request: SignedIn, ending: str) -> HttpResponse:
    """The forecast as a file to keep."""
    scope, today = scope_of(request), timezone.now().date()
    rows = [_cells(row) for row in demand_rows(today, scope.slugs, 12)]
    return table_file(f"demand-{today}", ending, HEADINGS, rows)


def _cells(row: DemandRow) -> list[Cell]:
    return [*(getattr(row, key) for key in KEYS), row.unit]


def months_from(today: date, count: int) -> list[date]:
    """First days of the present month and those after it."""
    index = today.year * 12 + today.month - 1
    return [date((index + at) // 12, (index + at) % 12 + 1, 1) for at in range(count)]


def item_lines(rows: list[DemandRow], months: list[date], scope: Scope) -> list[ItemLine]:
    """One line per item and depot, with a cell for each month; by name, then depot."""
    names = {depot.slug: depot.name for depot in scope.depots}
    place = {f"{month:%Y-%m}": at for at, month in enumerate(months)}
    found: dict[tuple[str, str], ItemLine] = {}
    for row in rows:
        if not row.p95 and row.mean < WORTH_SHOWING[row.unit]:
            continue
        line = found.setdefault(
            (row.name, row.depot), ItemLine(row.name, names[row.depot], [None] * len(months))
        )
        at = place[row.month]
        line.cells[at] = MonthCell(
            f"{months[at]:%b %Y}", _mean(row), amount(row.p95, row.unit), row.packs
        )
    return [found[key] for key in sorted(found)]


def _mean(row: DemandRow) -> str:
    if row.unit == "mL":
        return amount(round(row.mean / 10) * 10, row.unit)
    return f"{row.mean:.1f}"


def _waste(today: date, scope: Scope, months: list[date]) -> list[WasteLine]:
    found = waste_by_month(today, scope.slugs, len(months))
    return [
        WasteLine(name, [(f"{month:%b %Y}", _litres(by_month, month)) for month in months])
        for name, by_month in sorted(found.items())
    ]


def _litres(by_month: dict[str, float], month: date) -> str:
    return f"{by_month.get(f'{month:%Y-%m}', 0.0) / 1000:.1f}"
