"""Stock: what each depot has, what needs a look, what moved, and the form that moves it."""

import uuid
from collections.abc import Callable

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.dashboard.downloads import Cell, table_file
from fleet.dashboard.frame import Scope, SignedIn, scope_of, show
from fleet.dashboard.stock_lines import WAYS, amount, enter_move, lines, newest_moves
from fleet.faults import Fault, Forbidden
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.stores import ledger
from fleet.stores.levels import Level, levels
from fleet.stores.models import Arrival, Item, StockMove
from fleet.stores.money import words

Act = Callable[[Actor], str]
MOVES_SHOWN = 25
HEADINGS = (
    *("Depot", "Item", "Name", "Kind", "On hand", "On order", "Unit", "Arrives on"),
    *("Last counted", "Best before", "Too old", "Look", "Supplier"),
)


@require_GET
def stock(request: SignedIn) -> HttpResponse:
    scope = scope_of(request)
    found = lines(_levels(scope))
    context = {
        "lines": found,
        "looks": sum(1 for line in found if line.level.look),
        "moves": [
            {
                **{"row": move, "what": amount(move.quantity, move.item.unit, signed=True)},
                "worth": words(move.price_minor),
            }
            for move in newest_moves(scope.slugs)[:MOVES_SHOWN]
        ],
        "ways": WAYS,
        "items": Item.objects.all(),
        "arrivals": Arrival.objects.filter(
            depot__slug__in=scope.slugs, received_on=None
        ).select_related("item", "depot"),
        "may_keep": may(request.user, Right.KEEP_STOCK),
        "chosen_item": request.GET.get("item", ""),
        "chosen_at": request.GET.get("at", scope.depot),
        "key": uuid.uuid4().hex,
    }
    return show(request, "stock", scope, context)


@require_GET
def stock_file(request: SignedIn, ending: str) -> HttpResponse:
    """The list as a file to keep."""
    rows = [_cells(level) for level in _levels(scope_of(request))]
    return table_file("stock", ending, HEADINGS, rows)


def _levels(scope: Scope) -> list[Level]:
    ids = [depot.pk for depot in scope.depots if depot.slug in scope.slugs]
    return levels(ids, timezone.now().date())


def _cells(level: Level) -> list[Cell]:
    counted_on = level.counted_at.date() if level.counted_at else None
    return [
        *(level.depot, level.item, level.name, level.kind, level.on_hand, level.on_order),
        *(level.unit, level.arrives_on, counted_on, level.best_before, level.too_old),
        *("; ".join(level.look), level.supplier),
    ]


@require_POST
def move_stock(request: SignedIn) -> HttpResponse:
    """Receive, count, use, write off or transfer."""
    return _entered(request, lambda actor: enter_move(actor, request.POST, request.user))


@require_POST
def take_move_back(request: SignedIn, move_id: int) -> HttpResponse:
    """Undo a move by its opposite."""
    seen = StockMove.objects.filter(depot__in=depots_of(request.user))
    move = get_object_or_404(seen.select_related("depot", "item"), pk=move_id)
    reason = request.POST.get("reason", "")
    return _entered(request, lambda actor: f"{ledger.take_back(actor, move, reason=reason)}.")


def _entered(request: SignedIn, act: Act) -> HttpResponse:
    try:
        messages.success(request, act(Actor(request.user, "page", timezone.now())))
    except Forbidden as fault:
        raise PermissionDenied(str(fault)) from fault
    except Fault as fault:
        messages.error(request, str(fault))
    return redirect("stock")
