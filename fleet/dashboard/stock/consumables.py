"""Consumables: what to order, what stores will need month by month, and whether forecasts held."""

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from http import HTTPStatus

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_GET

from fleet import reads
from fleet.consumables import propose
from fleet.consumables.backtest import coverage
from fleet.consumables.listing import (
    KEYS,
    MONTHS,
    DemandRow,
    as_of,
    demand_rows,
    needs_of_coming,
    proposals,
    transfer_proposals,
    unknown_history,
    waste_by_month,
)
from fleet.consumables.models import OrderProposal, TransferProposal
from fleet.dashboard.acts import act
from fleet.dashboard.downloads import table_file
from fleet.dashboard.frame import (
    Scope,
    SignedIn,
    answers,
    asked_about,
    needs,
    scope_of,
    show,
)
from fleet.dashboard.orders.changes import read_number
from fleet.dashboard.shown_units import fluid_unit, volume
from fleet.dashboard.stock.lines import amount, meant, pieces_word, read_quantity, total
from fleet.dashboard.stock.months import MonthChart, month_chart
from fleet.dashboard.stock.proposals import (
    coming_lines,
    count_first,
    day_given,
    in_hand,
    proposal_lines,
)
from fleet.dashboard.typed import shown_again
from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.stores import ordering
from fleet.stores.models import Arrival
from fleet.stores.ordering import coming
from fleet.stores.used_fluid import Note, collect
from fleet.tables import Cell
from fleet.workorders.listing import week_ends
from fleet.workorders.used_fluid import UsedFluid, used_fluid

WORTH_SHOWING = {"mL": 50, "pieces": 0.05}  # less is written 0; the file has it


@dataclass(frozen=True)
class MonthCell:
    """One month of one item."""

    words: str  # heading of the column, for a phone
    mean: str
    enough: str  # suffices in 95 of 100 cases
    left: str  # once the need to the month's end is met; empty: nothing
    lacking: str


@dataclass
class ItemLine:
    name: str
    depot: str
    on_hand: str
    usable: str  # where it is less
    pack: str
    row: DemandRow  # any month's: stock, order and first day without stock are the same in all
    cells: list[MonthCell | None]
    months: list[DemandRow | None]
    until: date | None = None  # proposals see to it up to that day; empty: nobody keeps it
    given: str = ""  # what another depot is to give it, where that is proposed

    @property
    def chart(self) -> MonthChart:
        told = [f"{cell.words} {cell.mean}, up to {cell.enough}" for cell in self.cells if cell]
        return month_chart(self.months, f"{self.name}, {self.depot}: {'; '.join(told)}.")

    @property
    def comes_late(self) -> bool:
        """Whether it runs out before orders come that are enough for as long as proposals look."""
        out = self.row.runs_out
        return out is not None and self.until is not None and out < self.until

    @property
    def enough(self) -> bool:
        """Whether it runs out only after the day up to which proposals look, and none is made."""
        made = self.row.order_by or self.given or self.comes_late
        return self.row.runs_out is not None and not made

    @property
    def troubled(self) -> bool:
        """Whether somebody should see to it: it runs out, lacks something or is to be ordered."""
        lacks = any(cell is not None and cell.lacking for cell in self.cells)
        return bool(self.row.runs_out or self.row.order_by or lacks)


@dataclass(frozen=True)
class WasteLine:
    name: str
    litres: list[tuple[str, str]]  # month in words, figure


@require_GET
def consumables(request: SignedIn) -> HttpResponse:
    return _page(request)


def _asked(request: SignedIn, question: Question, proposal_id: int) -> HttpResponse:
    units = OrderProposal.objects.filter(pk=proposal_id).values_list("item__unit", flat=True)
    asked = asked_about(request, question) | {"meant": meant(question, units.first() or "")}
    return _page(request, {"asked": asked, "address": request.path}, HTTPStatus.CONFLICT)


def _refused(request: SignedIn, fault: Fault, **_: int) -> HttpResponse:
    return shown_again(request, _page(request), fault, redirect("consumables"))


def _page(
    request: SignedIn, more: Mapping[str, object] | None = None, status: int = HTTPStatus.OK
) -> HttpResponse:
    scope = scope_of(request)
    today = scope.today
    months = months_from(today, MONTHS)
    ids = [depot.pk for depot in scope.chosen]
    wanted = proposals(scope.slugs)
    _, shelves, needed, given, as_of_day, arrivals, whole, waste, tanks, *rest = reads.together(
        wanted,
        propose.shelves.steps(),
        demand_rows.steps(today, scope.slugs, MONTHS, wanted),
        transfer_proposals(scope.slugs),
        as_of.steps(scope.slugs),
        coming(scope.chosen),
        needs_of_coming.steps(ids),
        waste_by_month.steps(today, scope.slugs, len(months)),
        used_fluid.steps(ids),
        unknown_history.steps(scope.slugs),
        coverage.steps(ids, today),
    )
    unknown, held = rest
    leads = {(one.depot_id, one.item_id): one.lead_time_d for one in shelves}
    until = propose.looks_until(today, shelves)
    found = item_lines(needed, months, scope, until)
    _tell_transfers(found, given)
    pressing = {line.name for line in found if line.troubled}
    proposed = proposal_lines(list(wanted), today, leads)
    context = {
        "proposals": proposed,
        "sound": [line for line in proposed if not line.count_first],
        "transfers": [
            {
                "row": row,
                "quantity": amount(row.quantity, row.item.unit),
                "needed": amount(row.needed, row.item.unit),
                "there": in_hand(row.usable + row.on_order, row.item.unit),
                "until": until.get((row.from_depot.slug, row.item.slug)),
                "count_first": count_first(row),
                "may_move": may(request.user, Right.KEEP_STOCK, row.from_depot)
                and may(request.user, Right.KEEP_STOCK, row.depot),
            }
            for row in given
        ],
        "first_later": _first_later(wanted, today),
        "week_ends": week_ends(today),
        "as_of": as_of_day,
        "coming": coming_lines(arrivals, shelves, whole, until),
        "months": months,
        "lines": [line for line in found if line.name in pressing],
        "enough_until": _enough_until(found),
        "calm": [line for line in found if line.name not in pressing],
        "waste_unit": fluid_unit(),
        "waste": _waste(waste, months),
        "tanks": _tanks(scope, tanks),
        "may_keep": may(request.user, Right.KEEP_STOCK),
        "key": uuid.uuid4().hex,
        "unknown": unknown,
        "coverage": held,
        "today": today,
    }
    return show(request, "consumables", scope, {**context, **(more or {})}, status)


def _tanks(scope: Scope, rows: Iterable[UsedFluid]) -> list[dict[str, object]]:
    names = {depot.slug: depot.name for depot in scope.depots}
    return [
        {
            "row": row,
            "depot": names[row.depot],
            "drained": total(row.drained_ml, "mL"),
            "collected": total(row.collected_ml, "mL"),
            "left": total(row.left_ml, "mL"),
        }
        for row in rows
    ]


def _enough_until(lines: Iterable[ItemLine]) -> tuple[date, date] | None:
    """Up to which days proposals look where they propose nothing: the first and the last."""
    days = [line.until for line in lines if line.enough and line.until]
    return (min(days), max(days)) if days else None


def _first_later(wanted: Iterable[OrderProposal], today: date) -> date | None:
    """The day of the first order, where none is to be placed in the next seven days."""
    first = min((row.order_by_on for row in wanted), default=today)
    return first if first > week_ends(today) else None


@needs(Right.KEEP_STOCK)
@act("consumables", refused=_refused, asked=_asked)
def order_proposed(request: SignedIn, actor: Actor, proposal_id: int) -> str:
    """Note that what was proposed is on order now."""
    seen = OrderProposal.objects.filter(depot__in=depots_of(request.user))
    row = seen.select_related("depot", "item").filter(pk=proposal_id).first()
    if row is None:
        raise Fault("That proposal is gone: it was ordered, or is not needed any more.")
    quantity = read_quantity(request.POST.get("quantity", ""), row.item)
    due_on = day_given(request.POST.get("due_on", ""))
    coming = propose.order(actor, row, due_on, quantity, answers(request.POST))
    return f"{amount(coming.quantity, row.item.unit)} {row.item} on order."


@needs(Right.KEEP_STOCK)
@act("consumables")
def transfer_proposed(request: SignedIn, actor: Actor, proposal_id: int) -> str:
    """Move what another depot was proposed to give."""
    seen = TransferProposal.objects.filter(depot__in=depots_of(request.user))
    row = seen.select_related("depot", "from_depot", "item").filter(pk=proposal_id).first()
    if row is None:
        raise Fault("That proposal is gone: it was transferred, or is not needed any more.")
    propose.hand_over(actor, row, key=f"proposed:{request.user.pk}:{row.pk}:{row.quantity}")
    moved = amount(row.quantity, row.item.unit)
    return f"{moved} {row.item} transferred from {row.from_depot} to {row.depot}."


@needs(Right.KEEP_STOCK)
@act("consumables")
def give_up_order(request: SignedIn, actor: Actor, arrival_id: int) -> str:
    """Take a cancelled order off the list."""
    seen = Arrival.objects.filter(depot__in=depots_of(request.user))
    row = get_object_or_404(seen.select_related("depot", "item"), pk=arrival_id)
    ordering.give_up(actor, row)
    return f"{row.item} is not on order any more; what is to be ordered was worked out anew."


@needs(Right.KEEP_STOCK)
@act("consumables", refused=_refused)
def collect_used_fluid(request: SignedIn, actor: Actor) -> str:
    """Enter what a waste collector took, from the consignment note."""
    given = request.POST
    depot = depots_of(request.user).filter(slug=given.get("depot", "")).first()
    if depot is None:
        raise Http404
    note = Note(
        depot=depot,
        waste_class=given.get("waste_class", "")[:60],
        quantity_ml=round(1000 * read_number(given.get("litres", ""), "litres")),
        carrier=given.get("carrier", "")[:120],
        note_number=given.get("note_number", "")[:60],
        collected_on=day_given(given.get("collected_on", "")),
        tank=given.get("tank", "")[:60],
    )
    key = f"page:{request.user.pk}:{given.get('key', '')[:60]}"
    row = collect(actor, note, key=key)
    return f"{amount(row.quantity_ml, 'mL')} {row.waste_class} collected."


@require_GET
def consumables_file(request: SignedIn, ending: str) -> HttpResponse:
    """The forecast as a file to keep."""
    scope = scope_of(request)
    today = scope.today
    rows = [_cells(row) for row in demand_rows(today, scope.slugs, 12)]
    return table_file(f"demand-{today}", ending, KEYS, rows)


def _cells(row: DemandRow) -> list[Cell]:
    return [getattr(row, key) for key in KEYS]


def months_from(today: date, count: int) -> list[date]:
    """First days of the present month and those after it."""
    index = today.year * 12 + today.month - 1
    return [date((index + at) // 12, (index + at) % 12 + 1, 1) for at in range(count)]


def _tell_transfers(lines: list[ItemLine], given: Iterable[TransferProposal]) -> None:
    """Lay beside each item what another depot is to give it."""
    by_shelf = {(row.depot.slug, row.item.slug): row for row in given}
    for line in lines:
        if row := by_shelf.get((line.row.depot, line.row.item)):
            line.given = f"{amount(row.quantity, row.item.unit)} from {row.from_depot.name}"


def item_lines(
    rows: list[DemandRow],
    months: list[date],
    scope: Scope,
    until: Mapping[tuple[str, str], date] | None = None,
) -> list[ItemLine]:
    """One line per item and depot, with a cell for each month; the item that runs out first
    first, all its depots together."""
    names = {depot.slug: depot.name for depot in scope.depots}
    place = {f"{month:%Y-%m}": at for at, month in enumerate(months)}
    found: dict[tuple[str, str], ItemLine] = {}
    for row in rows:
        if not row.p95 and row.mean < WORTH_SHOWING[row.unit]:
            continue
        line = found.setdefault((row.name, row.depot), _line(row, names[row.depot], len(months)))
        line.until = (until or {}).get((row.depot, row.item))
        at = place[row.month]
        line.months[at] = row
        line.cells[at] = MonthCell(
            f"{months[at]:%b %Y}",
            _mean(row),
            total(row.p95, row.unit),
            _near(row.free, row.unit) if row.free >= 0 else "",
            _near(-row.free, row.unit) if row.free < 0 else "",
        )
    first: dict[str, date] = {}
    for line in found.values():
        first[line.name] = min(first.get(line.name, date.max), line.row.runs_out or date.max)
    return sorted(
        found.values(),
        key=lambda line: (first[line.name], line.name, line.row.runs_out or date.max, line.depot),
    )


def _line(row: DemandRow, depot: str, months: int) -> ItemLine:
    return ItemLine(
        row.name,
        depot,
        total(row.on_hand, row.unit),
        _near(row.usable, row.unit) if row.usable != row.on_hand else "",
        "" if row.pack is None else amount(row.pack, row.unit),
        row,
        [None] * months,
        [None] * months,
    )


def _mean(row: DemandRow) -> str:
    if row.unit == "mL":
        return _near(row.mean, row.unit)
    mean = round(row.mean, 1)
    return f"{mean:.1f}".removesuffix(".0") + f"\u00a0{pieces_word(mean)}"


def _near(quantity: float, unit: str) -> str:
    """What is only expected, and so not to the millilitre."""
    return total(round(quantity), unit)


def _waste(found: Mapping[str, dict[str, float]], months: list[date]) -> list[WasteLine]:
    return [
        WasteLine(name, [(f"{month:%b %Y}", _litres(by_month, month)) for month in months])
        for name, by_month in sorted(found.items())
    ]


def _litres(by_month: dict[str, float], month: date) -> str:
    return f"{volume(by_month.get(f'{month:%Y-%m}', 0.0) / 1000):.1f}"
