"""How warm the months were in which ratings were given: unlike seasons can look like a product."""

from collections.abc import Iterator
from datetime import date, datetime

import numpy as np

from fleet.calc.arrays import Array
from fleet.calc.trial_cells import BEYOND, warmth_of
from fleet.trials.models import Trial
from fleet.vehicles.models import ClimateMonth, DepotStay, Vehicle

Months = dict[tuple[int, int, int], float]  # depot id, year, month -> mean temperature [°C]
EVERY_YEAR = 0


def warmth(trial: Trial, vehicle_id: Array, at_d: Array, until: datetime) -> Array:
    """Third of the trial's months at its depot, from cool to warm, in which each rating was given.

    Parameters
    ----------
    vehicle_id, at_d
        Vehicle and instant [d since 1970] of each rating.
    until
        The trial's months count up to here.

    Returns
    -------
    ndarray of int
        As ``calc.trial_cells.warmth_of``; -2 at a depot whose climate is not entered.
    """
    depot, months = _depot_at(vehicle_id, at_d), _months()
    moments = [datetime.fromtimestamp(day * 86_400, until.tzinfo) for day in at_d.tolist()]
    mean_c = np.array(
        [_mean(months, at, when) for at, when in zip(depot.tolist(), moments, strict=True)],
        np.float64,
    )
    found = np.full(len(depot), BEYOND)
    whole = list(_trial_months(trial, until.date()))
    for one in np.unique(depot).tolist():
        here = depot == one
        found[here] = warmth_of(mean_c[here], [_mean(months, one, on) for on in whole])
    return found


def without_climate(trial: Trial) -> list[str]:
    """Names of depots that take part and whose climate is not entered for every month."""
    depots = {row.vehicle.depot for row in trial.vehicles.select_related("vehicle__depot")}
    rows = ClimateMonth.objects.filter(depot__in=depots, year=EVERY_YEAR)
    known: dict[int, int] = {}
    for depot_id in rows.values_list("depot_id", flat=True):
        known[depot_id] = known.get(depot_id, 0) + 1
    return sorted(depot.name for depot in depots if known.get(depot.pk, 0) < 12)


def _trial_months(trial: Trial, until_on: date) -> Iterator[date]:
    on = trial.starts_on.replace(day=1)
    while on <= min(until_on, trial.ends_on):
        yield on
        on = date(on.year + on.month // 12, on.month % 12 + 1, 1)


def _months() -> Months:
    return {
        (row.depot_id, row.year, row.month): (row.mean_daily_max_c + row.mean_daily_min_c) / 2
        for row in ClimateMonth.objects.all()
    }


def _mean(months: Months, depot_id: int, on: date) -> float:
    """Mean temperature of a month: that year's own, else every year's."""
    usual = months.get((depot_id, EVERY_YEAR, on.month), np.nan)
    return months.get((depot_id, on.year, on.month), usual)


def _depot_at(vehicle_id: Array, at_d: Array) -> Array:
    """Where each vehicle was based at each instant; without stays, at its depot all along."""
    ids = np.unique(vehicle_id).tolist()
    found = np.full(len(vehicle_id), -1)
    stays = DepotStay.objects.filter(vehicle__in=ids)
    for vehicle, depot, from_on in stays.order_by("from_on", "id").values_list(
        "vehicle_id", "depot_id", "from_on"
    ):
        since_d = float(np.datetime64(from_on, "D").astype(np.int64))
        found[(vehicle_id == vehicle) & ((at_d >= since_d) | (found == -1))] = depot
    for vehicle, depot in Vehicle.objects.filter(pk__in=ids).values_list("pk", "depot"):
        found[(vehicle_id == vehicle) & (found == -1)] = depot
    return found
