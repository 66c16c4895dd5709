"""Seasonal clocks: which class runs on which twelve factors, looked at again each month end.

A season is believed as far as the years agree, and one in force stays until it would differ.
"""

import json
from collections.abc import Sequence
from datetime import date

import numpy as np
from django.db import transaction

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.calc.class_rates import (
    SEASON_VEHICLES,
    SEASON_YEARS,
    Clock,
    Season,
    season_index,
    takes_force,
)
from fleet.calc.seasons_then import MOST_YEARS
from fleet.usage.models import SeasonIndex

NO_SEASON = [1.0] * 12  # as a row keeps it


def clock_rows(season_id: Array) -> tuple[Clock | None, Array | None]:
    """A clock for the seasons named, and each meter's row in it (-1 for none).

    Without any season both are None: calendar days count.
    """
    named = np.unique(season_id[np.isfinite(season_id)]).astype(np.int64)
    if not len(named):
        return None, None
    where, params = bulk.among("id", named)
    found = bulk.read(
        f"SELECT id, factors FROM usage_seasonindex WHERE {where} ORDER BY id",  # noqa: S608
        params,
        {"id": "i8", "factors": "O"},
    )
    factors = [json.loads(row) if isinstance(row, str) else row for row in found["factors"]]
    place = np.searchsorted(named, np.nan_to_num(season_id, nan=named[0]).astype(np.int64))
    return Clock(factors), np.where(np.isfinite(season_id), place, -1)


def clock_of(season: SeasonIndex | None) -> tuple[Clock | None, Array | None]:
    """The same for one meter that runs on a season, or on none."""
    return (None, None) if season is None else (Clock([season.factors]), np.zeros(1, np.int64))


def factor_on(season: SeasonIndex | None, on: date) -> float:
    """How much a day counts in a season, 1 where there is none."""
    return 1.0 if season is None else float(season.factors[on.month - 1])


def days_ahead(last_at_d: Array, days: float, season_id: Array) -> Array:
    """How much some calendar days after each meter's last reading count in its season, shape (n,).

    Parameters
    ----------
    last_at_d
        Instants [d since 1970], shape (n,).
    season_id
        Season of each, NaN for none, shape (n,).
    """
    clock, season = clock_rows(season_id)
    if clock is None or season is None:
        return np.full(len(last_at_d), days)
    until, since = (clock.operational_d(at_d, season) for at_d in (last_at_d + days, last_at_d))
    return np.asarray(until - since)


def assess_seasons(month_end_on: date) -> int:
    """Look at every class with enough vehicles; give the number that run on a season now."""
    months = _months_until(month_end_on)
    with_season = 0
    for type_pk, depot_pk in _classes():
        km = _gather_month_km(type_pk, depot_pk, months)
        month_d = np.diff(months.astype("M8[D]")).astype(np.float64)
        last_month = (month_end_on.month - 2) % 12 + 1
        found = season_index(km, month_d, np.zeros(len(km), np.int64), last_month)
        with_season += _record(type_pk, depot_pk, month_end_on, found)
    return with_season


def _months_until(month_end_on: date) -> Array:
    """Firsts of the months that bound whole years, the newest that of the month that ends.

    The total at the first of the next month is not known yet: no reading lies beyond it.
    """
    newest = np.datetime64(month_end_on, "M")
    return np.arange(newest - 12 * MOST_YEARS, newest + 1)


def _classes() -> list[tuple[int, int]]:
    """Classes with enough vehicles to show a season."""
    sql = """
        SELECT v.vehicle_type_id, v.depot_id
        FROM vehicles_meter m JOIN vehicles_vehicle v ON v.id = m.vehicle_id
        WHERE m.kind = 'km'
        GROUP BY v.vehicle_type_id, v.depot_id HAVING COUNT(*) >= %s ORDER BY 1, 2"""
    found = bulk.read(sql, [SEASON_VEHICLES], {"type": "i8", "depot": "i8"})
    return list(zip(found["type"].tolist(), found["depot"].tolist(), strict=True))


def _gather_month_km(type_pk: int, depot_pk: int, months: Array) -> Array:
    """Distance per vehicle and month, shape (vehicles, months), NaN where unknown [km]."""
    sql = f"""
        SELECT k.meter_id, {bulk.day_number('k."on"')}, k.total
        FROM usage_kmat k JOIN vehicles_meter m ON m.id = k.meter_id AND m.kind = 'km'
        JOIN vehicles_vehicle v ON v.id = m.vehicle_id
        WHERE v.vehicle_type_id = %s AND v.depot_id = %s AND k."on" >= %s AND k."on" <= %s
        ORDER BY k.meter_id"""  # noqa: S608
    days = months.astype("M8[D]")
    params = [type_pk, depot_pk, days[0].item(), days[-1].item()]
    found = bulk.read(sql, params, {"meter_id": "i8", "on_d": "i8", "total": "f8"})
    meters, row = np.unique(found["meter_id"], return_inverse=True)
    totals = np.full((len(meters), len(months)), np.nan)
    totals[row, np.searchsorted(days.astype(np.int64), found["on_d"])] = found["total"]
    return np.diff(totals, axis=1)


def _record(type_pk: int, depot_pk: int, month_end_on: date, found: Season) -> int:
    """Note what was seen, and put it in force where it differs from what was before."""
    of_class = SeasonIndex.objects.filter(type_pk=type_pk, depot_pk=depot_pk)
    before = season_at(type_pk, depot_pk, month_end_on)
    if of_class.filter(month_end_on__gt=month_end_on).exists():
        return 0  # older history came later: what was seen since stays
    if not len(found.years) or (found.years[0] < SEASON_YEARS and before is None):
        return 0
    factors = np.ones(12) if before is None else np.array(before.factors)
    takes = bool(takes_force(found.factors, factors[None, :])[0])
    with transaction.atomic():
        row, _ = SeasonIndex.objects.update_or_create(
            type_pk=type_pk,
            depot_pk=depot_pk,
            month_end_on=month_end_on,
            defaults={
                "in_force": False,
                "took_force": takes,
                "factors": [float(factor) for factor in found.factors[0]],
                "weight": float(found.weight[0]),
                "vehicles": int(found.vehicles[0]),
            },
        )
        now = row if takes else before
        kept = -1 if now is None or now.factors == NO_SEASON else now.pk
        of_class.exclude(pk=kept).filter(in_force=True).update(in_force=False)
        of_class.filter(pk=kept).update(in_force=True)
    return int(kept >= 0)


def season_at(type_pk: int, depot_pk: int, on: date) -> SeasonIndex | None:
    """The season that a class ran on just before a day; None while calendar days counted."""
    return last_before(took_force(type_pk, depot_pk), on)


def took_force(type_pk: int, depot_pk: int) -> list[SeasonIndex]:
    """Every season that a class ran on, and every end of one, oldest first."""
    took = SeasonIndex.objects.filter(type_pk=type_pk, depot_pk=depot_pk, took_force=True)
    return list(took.order_by("month_end_on"))


def last_before(took: Sequence[SeasonIndex], on: date) -> SeasonIndex | None:
    """Of what a class ran on, the season just before a day; None while calendar days counted."""
    row = next((row for row in reversed(took) if row.month_end_on < on), None)
    return None if row is None or row.factors == NO_SEASON else row
