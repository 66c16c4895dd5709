"""Demand and proposals as every face shows them."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from django.db.models import Count, F, QuerySet

from fleet.consumables.models import MonthlyDemand, OrderProposal
from fleet.due.models import DueDate
from fleet.stores.models import Item

KEYS = ("depot", "item", "month", "mean", "p50", "p80", "p95", "packs", "order_by")
MONTHS = 6  # shown unless more are asked for
MOST_MONTHS = 12


@dataclass(frozen=True)
class DemandRow:
    """What a depot will use of an item in a month [mL or pieces, as the unit says]."""

    depot: str
    item: str
    month: str  # as 2026-12
    mean: float
    p50: int
    p80: int
    p95: int
    packs: int | None  # whole ones that cover p95; None: no pack is known
    order_by: date | None  # to be there as the month begins; None: not kept, or nothing needed
    name: str
    unit: str
    waste_class: str


def demand(depot_slugs: Collection[str] | None = None) -> QuerySet[MonthlyDemand]:
    """Rows that are about something, by depot, item and month."""
    found = MonthlyDemand.objects.filter(mean__gt=0)
    if depot_slugs is not None:
        found = found.filter(depot__slug__in=depot_slugs)
    return found.order_by("depot__slug", "item__slug", "month_on")


def demand_rows(
    today: date, depot_slugs: Collection[str] | None = None, months: int = MONTHS
) -> list[DemandRow]:
    """The months from the present one on; one query."""
    index = today.year * 12 + today.month - 1 + months
    until = date(index // 12, index % 12 + 1, 1)
    found = demand(depot_slugs).filter(month_on__gte=today.replace(day=1), month_on__lt=until)
    return [
        DemandRow(
            depot=row["depot__slug"],
            item=row["item__slug"],
            month=f"{row['month_on']:%Y-%m}",
            mean=round(row["mean"], 1),
            order_by=row["order_by_on"],
            name=row["item__name"],
            unit=row["item__unit"],
            waste_class=row["item__waste_class"],
            **{name: row[name] for name in ("p50", "p80", "p95", "packs")},
        )
        for row in found.values(
            *("mean", "p50", "p80", "p95", "packs", "month_on", "order_by_on"),
            *("depot__slug", "item__slug", "item__name", "item__unit", "item__waste_class"),
        )
    ]


def proposals(depot_slugs: Collection[str]) -> QuerySet[OrderProposal]:
    """What to order, the most pressing first."""
    found = OrderProposal.objects.filter(depot__slug__in=depot_slugs)
    return found.select_related("depot", "item", "pack").order_by("order_by_on", "item__name")


@dataclass(frozen=True)
class Unknown:
    """A service whose history nobody knows, so that nothing is counted for it."""

    service: str
    slug: str
    vehicles: int


def unknown_history(depot_slugs: Collection[str]) -> list[Unknown]:
    """Services left out of the forecast, and on how many vehicles."""
    found = (
        DueDate.objects.filter(history_known=False, vehicle__depot__slug__in=depot_slugs)
        .exclude(vehicle__status="sold")
        .order_by()
        .values(name=F("service__name"), slug=F("service__slug"))
        .annotate(vehicles=Count("vehicle", distinct=True))
    )
    rows = [Unknown(row["name"], row["slug"], row["vehicles"]) for row in found]
    return sorted(rows, key=lambda row: (-row.vehicles, row.service))


def waste_by_month(
    today: date, depot_slugs: Collection[str], months: int = MONTHS
) -> dict[str, dict[str, float]]:
    """Used fluid to expect [mL] by waste class and month: about as much as goes in."""
    found: dict[str, dict[str, float]] = {}
    for row in demand_rows(today, depot_slugs, months):
        if row.unit == Item.Unit.ML and row.waste_class:
            by_month = found.setdefault(row.waste_class, {})
            by_month[row.month] = by_month.get(row.month, 0.0) + row.mean
    return found
