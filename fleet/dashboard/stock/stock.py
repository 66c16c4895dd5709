"""Stock: what each depot has, what needs a look, what moved, and the form that moves it."""

import uuid
from collections.abc import Callable, Mapping
from http import HTTPStatus
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_GET

from fleet.consumables.listing import run_out_days
from fleet.dashboard.acts import act
from fleet.dashboard.downloads import table_file
from fleet.dashboard.frame import Scope, SignedIn, asked_about, needs, scope_of, show
from fleet.dashboard.stock.lines import (
    WAYS,
    amount,
    enter_move,
    lines,
    meant,
    newest_moves,
    order_words,
    to_type,
)
from fleet.dashboard.typed import shown_again
from fleet.dashboard.words import day
from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.stores import ledger
from fleet.stores.doubt import on_their_way
from fleet.stores.levels import Level, levels
from fleet.stores.models import Arrival, Item, StockMove
from fleet.stores.money import words
from fleet.stores.ordering import coming
from fleet.tables import Cell
from fleet.vehicles.models import Depot

Act = Callable[[Actor], str]
MOVES_SHOWN = 25
SAME = "as booked"  # a count that found what the record says
HEADINGS = (
    *("Depot", "Item", "Name", "Kind", "On hand", "Usable", "On order", "Unit", "Arrives on"),
    *("Last counted", "Best before", "Too old", "Look", "Supplier", "Part number", "Shelf place"),
)


@require_GET
def stock(request: SignedIn) -> HttpResponse:
    return _page(request)


def _page(
    request: SignedIn, more: Mapping[str, object] | None = None, status: int = HTTPStatus.OK
) -> HttpResponse:
    scope = scope_of(request)
    found = lines(_levels(scope), run_out_days(scope.today, scope.slugs))
    troubled = {line.level.item for line in found if line.level.look or line.runs_out}
    context = {
        "lines": [line for line in found if line.level.item in troubled],
        "calm": [line for line in found if line.level.item not in troubled],
        "today": scope.today,
        "looks": sum(1 for line in found if line.level.look),
        "moves": _moves(list(newest_moves(scope.slugs)[:MOVES_SHOWN])),
        "ways": WAYS,
        "items": Item.objects.all(),
        "may_keep": may(request.user, Right.KEEP_STOCK),
        **_preset(request, scope),
        "key": uuid.uuid4().hex,
    }
    return show(request, "stock", scope, {**context, **(more or {})}, status)


def _moves(rows: list[StockMove]) -> list[dict[str, object]]:
    may_go_back, gone_back = ledger.to_take_back(rows)
    return [
        {
            "row": move,
            "what": amount(move.quantity, move.item.unit, signed=True) if move.quantity else SAME,
            "worth": words(move.price_minor) if move.quantity else "",
            "may_go_back": move.pk in may_go_back,
            "gone_back": move.pk in gone_back,
            "undoes": ledger.undoes(move),
            "by_clock_of": move.depot if _has_two_clocks(move) else None,
        }
        for move in rows
    ]


def _has_two_clocks(move: StockMove) -> bool:
    """Whether the two ends of a transfer tell its instant by clocks that differ."""
    if move.other_depot is None:
        return False
    here, there = (move.at.astimezone(ZoneInfo(one.zone)) for one in (move.depot, move.other_depot))
    return here.utcoffset() != there.utcoffset()


def _preset(request: SignedIn, scope: Scope) -> dict[str, object]:
    """What the way here chose already: an item at a depot, or an order that has come."""
    rows = list(coming(scope.depots))
    named = request.GET.get("arrival", "")
    came = next((row for row in rows if str(row.pk) == named), None)
    return {
        "arrivals": [{"row": row, "words": order_words(row)} for row in rows],
        "came": came,
        "came_quantity": to_type(came.quantity, came.item.unit) if came else "",
        "chosen_way": "received" if came else request.GET.get("way", ""),
        "chosen_item": came.item.slug if came else request.GET.get("item", ""),
        "chosen_at": came.depot.slug if came else request.GET.get("at", scope.depot),
    }


@require_GET
def stock_file(request: SignedIn, ending: str) -> HttpResponse:
    """The list as a file to keep."""
    rows = [_cells(level) for level in _levels(scope_of(request))]
    return table_file("stock", ending, HEADINGS, rows)


def _levels(scope: Scope) -> list[Level]:
    ids = [depot.pk for depot in scope.chosen]
    return levels(ids, timezone.now())


def _cells(level: Level) -> list[Cell]:
    counted_on = level.counted_at.date() if level.counted_at else None
    return [
        *(level.depot, level.item, level.name, level.kind, level.on_hand),
        *(level.usable, level.on_order),
        *(level.unit, level.arrives_on, counted_on, level.best_before, level.too_old),
        *("; ".join(level.look), level.supplier, level.part_number, level.shelf_place),
    ]


def _asked(request: SignedIn, question: Question, **_: int) -> HttpResponse:
    item = Item.objects.filter(slug=request.POST.get("item", "")).first()
    asked = asked_about(request, question)
    asked["meant"] = meant(question, item.unit) if item else ()
    if question.about == "arrival":
        asked |= {"choices": _which_order(request), "candidates": (), "typed_name": ""}
    more = {"asked": asked, "address": request.path}
    return _page(request, more, HTTPStatus.CONFLICT)


def _which_order(request: SignedIn) -> list[tuple[int, str]]:
    """The orders that what came may be of, each one tap."""
    depot = depots_of(request.user).filter(slug=request.POST.get("depot", "")).first()
    item = Item.objects.filter(slug=request.POST.get("item", "")).first()
    if not isinstance(depot, Depot) or item is None:
        return []
    return [(row.pk, _yes(row)) for row in on_their_way(depot, item)]


def _yes(row: Arrival) -> str:
    return f"Yes: {amount(row.quantity, row.item.unit)}, due {day(row.due_on)}"


def _refused(request: SignedIn, fault: Fault, **_: int) -> HttpResponse:
    return shown_again(request, _page(request), fault, redirect("stock"))


@needs(Right.KEEP_STOCK)
@act("stock", refused=_refused, asked=_asked)
def move_stock(request: SignedIn, actor: Actor) -> str:
    """Receive, count, use, write off or transfer."""
    return enter_move(actor, request.POST, request.user)


@needs(Right.KEEP_STOCK)
@act("stock", refused=_refused, asked=_asked)
def take_move_back(request: SignedIn, actor: Actor, move_id: int) -> str:
    """Undo a move by its opposite."""
    seen = StockMove.objects.filter(depot__in=depots_of(request.user))
    move = get_object_or_404(seen.select_related("depot", "item"), pk=move_id)
    again = Arrival.objects.filter(received_by=move).exists()
    ledger.take_back(actor, move, reason=request.POST.get("reason", ""))
    moved = amount(move.quantity, move.item.unit, signed=True)
    said = f"{move.item}, {move.depot}: {moved} {move.kind} is taken back."
    return f"{said} Its order is on the way again." if again else said
