"""Write down what each depot will use, month by month, and what to order now."""

from collections.abc import Collection
from datetime import date

import numpy as np
from django.db import transaction

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.consumables.ahead import Ahead, Calendar, look_ahead
from fleet.consumables.fluids import with_own_fluids
from fleet.consumables.gather import gather
from fleet.consumables.learn import Learnt, learn
from fleet.consumables.models import ClassMonth, FirstForecast, ForecastDay, MonthlyDemand
from fleet.consumables.propose import horizons_of, propose, record_needs
from fleet.consumables.recipes import Recipes, gather_recipes
from fleet.due.gather import utc_offsets
from fleet.due.rules import Basis, gather_basis
from fleet.stores.models import Item, Stock

LEVELS = {"p50": 0.5, "p80": 0.8, "p95": 0.95}  # our choice


def forecast_demand(today: date, depot_ids: Collection[int], basis: Basis | None = None) -> int:
    """Bring the demand of some depots up to date; give the number of rows written.

    It starts from the due dates as they stand, so the caller brings those up to date first. Run
    again on the same day it writes nothing.
    """
    if not bulk.has(Item):
        return 0
    recipes = gather_recipes()
    basis = basis or gather_basis()
    learnt = learn(today, recipes)
    written = sum(_one_depot(today, pk, recipes, learnt, basis) for pk in sorted(depot_ids))
    return written + propose()


def _one_depot(today: date, depot_id: int, recipes: Recipes, learnt: Learnt, basis: Basis) -> int:
    shelves = list(Stock.objects.filter(depot=depot_id).order_by("item"))
    classes, recipes = with_own_fluids(depot_id, today, gather(depot_id, basis.rules), recipes)
    ahead = look_ahead(
        depot_id,
        classes,
        Calendar.of(today, horizons_of(shelves)),
        recipes,
        learnt,
        float(utc_offsets(np.array([depot_id]), basis.depots.zone)[0]),
        basis.rules.widening,
    )
    columns = _columns(depot_id, ahead, {shelf.item_id for shelf in shelves})
    with transaction.atomic():
        written = _record(depot_id, columns)
        _record_first(depot_id, today, ahead)
        _record_classes(depot_id, ahead)
        written += record_needs(depot_id, shelves, ahead, recipes)
        ForecastDay.objects.update_or_create(depot_id=depot_id, defaults={"on": today})
    return written


def _columns(depot_id: int, ahead: Ahead, kept: set[int]) -> dict[str, Array]:
    calendar = ahead.calendar
    count = len(calendar.months)
    items = [
        item_id
        for item_id, laws in ahead.laws.items()
        if any(law.mean > 0 for law in laws[:count]) or item_id in kept
    ]
    laws = [ahead.laws[item_id][number] for item_id in items for number in range(count)]
    on = np.array(calendar.months_on, dtype="M8[D]")
    return {
        "depot_id": np.full(len(laws), depot_id),
        "item_id": np.repeat(np.array(items, dtype=np.int64), count),
        "month_on": np.tile(on, len(items)),
        "mean": np.round([law.mean for law in laws], 6),
        **{
            name: np.array([law.quantile(level) for law in laws], dtype=np.int64)
            for name, level in LEVELS.items()
        },
    }


def _record(depot_id: int, columns: dict[str, Array]) -> int:
    forecast = set(
        zip(columns["item_id"].tolist(), columns["month_on"].astype("M8[D]").tolist(), strict=True)
    )
    stored = MonthlyDemand.objects.filter(depot=depot_id).values_list("pk", "item_id", "month_on")
    stale = [pk for pk, item_id, month_on in stored if (item_id, month_on) not in forecast]
    MonthlyDemand.objects.filter(pk__in=stale).delete()
    return len(stale) + bulk.upsert(MonthlyDemand, columns, ["depot_id", "item_id", "month_on"])


def _record_first(depot_id: int, today: date, ahead: Ahead) -> None:
    """Keep the first forecast that this month makes of each month to come."""
    calendar = ahead.calendar
    made_in = today.replace(day=1)
    rows = [
        FirstForecast(
            depot_id=depot_id,
            item_id=item_id,
            month_on=month_on,
            made_on=today,
            made_in=made_in,
            mean=law.mean,
            **{name: law.quantile(level) for name, level in LEVELS.items()},
            p80_below=law.below(law.quantile(LEVELS["p80"])),
            p80_at=law.at(law.quantile(LEVELS["p80"])),
            p95_below=law.below(law.quantile(LEVELS["p95"])),
            p95_at=law.at(law.quantile(LEVELS["p95"])),
        )
        for item_id, laws in ahead.laws.items()
        for month_on, law in zip(calendar.months_on[1:], laws[1:], strict=False)
        if law.mean > 0
    ]
    if not FirstForecast.objects.filter(depot=depot_id, made_in=made_in).exists():
        FirstForecast.objects.bulk_create(rows, ignore_conflicts=True)


def _record_classes(depot_id: int, ahead: Ahead) -> None:
    month_on = ahead.calendar.months_on[1]
    ClassMonth.objects.bulk_create(
        [
            ClassMonth(
                depot_id=depot_id,
                vehicle_type_id=one.type_id,
                month_on=month_on,
                vehicles=one.vehicles,
                mean_km=one.mean_km,
                var_km2=one.var_km2,
            )
            for one in ahead.classes
            if one.vehicles
        ],
        ignore_conflicts=True,
    )
