"""Demand and proposals as every face shows them."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, fields
from datetime import date
from typing import Any

from django.db import models
from django.db.models import Case, Count, Exists, F, OuterRef, QuerySet, Value, When

from fleet import reads
from fleet.consumables.models import (
    ForecastDay,
    MonthlyDemand,
    OrderProposal,
    StockNeed,
    TransferProposal,
)
from fleet.consumables.position import Position, positions
from fleet.due.models import DueDate
from fleet.reads import Read, reader
from fleet.stores.lots import Shelf
from fleet.stores.models import Arrival, Item, StockMove
from fleet.stores.ordering import packs_to_order

MONTHS = 6  # shown unless more are asked for
MOST_MONTHS = 12


@dataclass(frozen=True)
class Standing:
    """How an item stands at a depot [mL or pieces, as the unit says]."""

    position: Position
    pack: int | None  # what one holds; None: no pack is known
    packs: int | None  # of the order that is proposed; None: none is
    order_by: date | None


@dataclass(frozen=True)
class DemandRow:
    """What a depot will use of an item in a month, and what it has [mL or pieces, by the unit]."""

    depot: str
    item: str
    name: str
    unit: str
    month: str  # as 2026-12
    mean: float
    cumulative: float  # mean, from the present month on
    p50: int  # of the month alone; these do not add up
    p80: int
    p95: int
    on_hand: int
    usable: int  # of it, before it is too old
    free: (
        int  # left with orders that come when the need to the month's end is met; below 0: lacking
    )
    pack: int | None  # what one holds; None: no pack is known
    packs: int | None  # of the order that is proposed; None: none is
    order_by: date | None  # of that order
    runs_out: date | None  # first day without stock, as expected; None: not within the forecast


KEYS = tuple(column.name for column in fields(DemandRow))


def demand(depot_slugs: Collection[str] | None = None) -> QuerySet[MonthlyDemand]:
    """Rows that are about something, by depot, item and month."""
    found = MonthlyDemand.objects.filter(mean__gt=0)
    if depot_slugs is not None:
        found = found.filter(depot__slug__in=depot_slugs)
    return found.order_by("depot__slug", "item__slug", "month_on")


@reader
def demand_rows(
    today: date,
    depot_slugs: Collection[str] | None = None,
    months: int = MONTHS,
    proposed: Iterable[OrderProposal] | None = None,
) -> Read[list[DemandRow]]:
    """The months from the present one on; a few queries. ``proposed`` is all that these depots
    are to order, where it is known already."""
    rows = from_now_on(demand(depot_slugs), today, months).values(*COLUMNS)
    yield [rows]
    return (yield from described.steps(rows, today, proposed))


def run_out_days(today: date, depot_slugs: Collection[str]) -> dict[tuple[str, str], date]:
    """The first day without stock, as expected, by slugs of depot and item; those that last for
    the whole forecast are left out."""
    rows = demand_rows(today, depot_slugs, MOST_MONTHS)
    return {(row.depot, row.item): row.runs_out for row in rows if row.runs_out is not None}


def from_now_on(rows: QuerySet[MonthlyDemand], today: date, months: int) -> QuerySet[MonthlyDemand]:
    """The months from the present one on."""
    return rows.filter(month_on__gte=today.replace(day=1), month_on__lt=month_after(today, months))


COLUMNS = (
    *("depot_id", "item_id", "depot__slug", "item__slug", "item__name", "item__unit"),
    *("month_on", "mean", "p50", "p80", "p95"),
)


@reader
def described(
    rows: Iterable[Mapping[str, Any]],
    today: date,
    proposed: Iterable[OrderProposal] | None = None,
) -> Read[list[DemandRow]]:
    """Rows of ``COLUMNS`` beside what is there."""
    depots, items = {row["depot_id"] for row in rows}, {row["item_id"] for row in rows}
    found = yield from standings.steps(depots, today, items, proposed)
    return [_row(row, found[row["depot_id"], row["item_id"]]) for row in rows]


def _row(row: Mapping[str, Any], standing: Standing) -> DemandRow:
    position, month_on = standing.position, row["month_on"]
    return DemandRow(
        depot=row["depot__slug"],
        item=row["item__slug"],
        name=row["item__name"],
        unit=row["item__unit"],
        month=f"{month_on:%Y-%m}",
        mean=round(row["mean"], 1),
        cumulative=round(position.cumulative(month_on), 1),
        p50=row["p50"],
        p80=row["p80"],
        p95=row["p95"],
        on_hand=position.on_hand,
        usable=position.usable,
        free=position.free(month_on),
        pack=standing.pack,
        packs=standing.packs,
        order_by=standing.order_by,
        runs_out=position.runs_out_on,
    )


@reader
def standings(
    depot_ids: Collection[int],
    today: date,
    item_ids: Collection[int],
    rows: Iterable[OrderProposal] | None = None,
) -> Read[dict[Shelf, Standing]]:
    """How items stand at depots; a few queries however many."""
    to_order = OrderProposal.objects.filter(depot__in=depot_ids, item__in=item_ids)
    packs, stand, to_order = yield from reads.side_by_side(
        packs_to_order.steps(item_ids),
        positions.steps(dict.fromkeys(depot_ids, today), item_ids),
        to_order if rows is None else to_order.none(),
    )
    proposed = {(row.depot_id, row.item_id): row for row in (to_order if rows is None else rows)}
    return {
        shelf: Standing(
            position,
            packs[shelf[1]].quantity if shelf[1] in packs else None,
            proposed[shelf].packs if shelf in proposed else None,
            proposed[shelf].order_by_on if shelf in proposed else None,
        )
        for shelf, position in stand.items()
    }


def proposals(depot_slugs: Collection[str]) -> QuerySet[OrderProposal]:
    """What to order, the most pressing first, each with what is wrong with its record."""
    found = with_record(OrderProposal.objects.filter(depot__slug__in=depot_slugs), "on_hand")
    return found.select_related("depot", "item", "pack").order_by("order_by_on", "item__name")


class Wrong(models.TextChoices):
    """Why the record of a shelf cannot be right: what is proposed from it is a guess."""

    OVERDRAWN = "overdrawn"  # more was used than ever came
    NEVER_BOOKED = "never booked"  # nothing came, went or was counted


def with_record(rows: QuerySet[Any], there: str) -> QuerySet[Any]:
    """Proposals with ``record_wrong``: one of ``Wrong`` where the shelf wants counting first."""
    moves = StockMove.objects.filter(depot=OuterRef("depot"), item=OuterRef("item"))
    found: QuerySet[Any] = rows.annotate(
        record_wrong=Case(
            When(**{f"{there}__lt": 0}, then=Value(Wrong.OVERDRAWN.value)),
            When(~Exists(moves), then=Value(Wrong.NEVER_BOOKED.value)),
            default=Value(""),
            output_field=models.CharField(),
        )
    )
    return found


@reader
def needs_of_coming(depot_ids: Collection[int]) -> Read[dict[tuple[int, int], StockNeed]]:
    """What the last night found that shelves must hold for which something is on order, by depot
    and item."""
    own = Arrival.objects.filter(depot=OuterRef("depot"), item=OuterRef("item"), received_on=None)
    rows = StockNeed.objects.filter(Exists(own), depot__in=depot_ids)
    yield [rows]
    return {(one.depot_id, one.item_id): one for one in rows}


def to_order_by(depot_slugs: Collection[str], on: date) -> QuerySet[OrderProposal]:
    """What is to be ordered on a day at the latest."""
    return proposals(depot_slugs).filter(order_by_on__lte=on)


def transfer_proposals(depot_slugs: Collection[str]) -> QuerySet[TransferProposal]:
    """What other depots should give these, likewise."""
    found = with_record(TransferProposal.objects.filter(depot__slug__in=depot_slugs), "usable")
    rows = found.select_related("depot", "item", "from_depot")
    return rows.order_by("order_by_on", "item__name", "pk")


@reader
def as_of(depot_slugs: Collection[str]) -> Read[date | None]:
    """The oldest of the days that the forecasts of some depots were brought up to."""
    found = ForecastDay.objects.filter(depot__slug__in=depot_slugs).values_list("on", flat=True)
    yield [found]
    return min(found, default=None)


@dataclass(frozen=True)
class Unknown:
    """A service whose history nobody knows, so that nothing is counted for it."""

    service: str
    slug: str
    vehicles: int


@reader
def unknown_history(depot_slugs: Collection[str]) -> Read[list[Unknown]]:
    """Services left out of the forecast, and on how many vehicles."""
    found = (
        DueDate.objects.filter(history_known=False, vehicle__depot__slug__in=depot_slugs)
        .exclude(vehicle__status="sold")
        .order_by()
        .values(name=F("service__name"), slug=F("service__slug"))
        .annotate(vehicles=Count("pk"))
    )
    yield [found]
    rows = [Unknown(row["name"], row["slug"], row["vehicles"]) for row in found]
    return sorted(rows, key=lambda row: (-row.vehicles, row.service))


@reader
def waste_by_month(
    today: date, depot_slugs: Collection[str], months: int = MONTHS
) -> Read[dict[str, dict[str, float]]]:
    """Used fluid to expect [mL] by waste class and month: about as much as goes in."""
    fluids = from_now_on(demand(depot_slugs), today, months).filter(item__unit=Item.Unit.ML)
    rows = fluids.exclude(item__waste_class="").values_list("item__waste_class", "month_on", "mean")
    yield [rows]
    found: dict[str, dict[str, float]] = {}
    for waste_class, month_on, mean in rows:
        by_month = found.setdefault(waste_class, {})
        by_month[f"{month_on:%Y-%m}"] = by_month.get(f"{month_on:%Y-%m}", 0.0) + mean
    return found


def month_after(today: date, months: int) -> date:
    """First day of the month so many months after the present one."""
    index = today.year * 12 + today.month - 1 + months
    return date(index // 12, index % 12 + 1, 1)
