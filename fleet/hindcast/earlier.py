"""What the program would have said some months ago about a service, and what happened.

Nothing of it is stored: the readings up to then go through the filter again, and the services and
duty classes known then are taken. Limits, labels of readings and fills are those of today.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from fleet import bulk
from fleet.bulk import Array
from fleet.calc import usage
from fleet.calc.calendar import add_months
from fleet.calc.km_at import reached_at_d
from fleet.calc.replay import part_of
from fleet.calc.usage import Events, State
from fleet.due.forecast import compute
from fleet.due.gather import NO_METER, Chunk, Meters, gather
from fleet.due.models import Fill, GuardFactor, Service, ServiceDone
from fleet.due.rules import ANY_PRODUCT, FIRST, REPEAT, Basis, Rules, gather_basis
from fleet.today import today_at
from fleet.usage import seasons
from fleet.vehicles.models import Meter, Vehicle

NO_DAY = np.datetime64("NaT", "D")


@dataclass(frozen=True)
class Earlier:
    """A forecast as it would have stood on a day, and what came of it."""

    asked_on: date
    p10: date | None
    p50: date | None
    p90: date | None
    reached_on: date | None  # day the limit was reached, by readings or the calendar
    done_on: date | None  # next time the service was done after that day
    inside: bool | None  # between p10 and p90; None: not decided yet, or no forecast


def earlier_forecasts(
    vehicle: Vehicle, service: Service, now: datetime, months_ago: Sequence[int] = (3, 6, 12)
) -> list[Earlier]:
    """Forecasts some months before now, oldest question last; empty for a service without limits.

    A day on which the history was unknown, or nothing was read yet, has no dates.
    """
    known = _gather(vehicle, service, today_at(vehicle.depot.zone, now))
    asked = [_months_before(known.today, months) for months in months_ago]
    found = (_then(known, on) for on in asked)
    return [then for then in found if then is not None]


@dataclass(frozen=True)
class _Known:
    """What the forecasts of all days that are asked about rest on, read once."""

    vehicle: Vehicle
    service: Service
    today: date
    events: dict[str, Events]
    basis: Basis
    chunk: Chunk
    widening: list[tuple[date, float]]  # the factor found at the end of each month
    done: list[ServiceDone]
    fills: list[Fill]


def _gather(vehicle: Vehicle, service: Service, today: date) -> _Known:
    basis = gather_basis()
    own = {"vehicle": vehicle, "void": False, "superseded_by": None}
    fills = Fill.objects.filter(vehicle=vehicle, compartment=service.compartment_id)
    versions = GuardFactor.objects.order_by("month_end_on")
    return _Known(
        vehicle,
        service,
        today,
        {kind: _events(vehicle.pk, kind) for kind in Meter.Kind.values},
        basis,
        gather(np.array([vehicle.pk]), basis.rules, basis.depots, today),
        list(versions.values_list("month_end_on", "factor")),
        list(ServiceDone.objects.filter(service=service, **own).order_by("done_on", "pk")),
        list(fills.order_by("filled_on", "pk")),
    )


def _then(known: _Known, asked_on: date) -> Earlier | None:
    vehicle, today, events = known.vehicle, known.today, known.events
    basis = replace(known.basis, rules=_rules_then(known, asked_on))
    chunk = replace(known.chunk, segments=known.chunk.segments.begun(asked_on))
    row = np.flatnonzero(basis.rules.service_id[chunk.rows.service] == known.service.pk)
    if not len(row):
        return None
    end_at = datetime.combine(asked_on + timedelta(days=1), time(), ZoneInfo(vehicle.depot.zone))
    chunk = _with_meters(chunk, vehicle, asked_on, end_at.timestamp() / 86_400, events)
    chunk = _with_anchor(chunk, row, known, asked_on)
    columns = compute(chunk, row, basis)
    dates = {name: _date(columns[name][0]) for name in ("p10", "p50", "p90")}
    reached_on = _reached_on(chunk, columns, today, events)
    return Earlier(
        asked_on=asked_on,
        **dates,
        reached_on=reached_on,
        done_on=next((one.done_on for one in known.done if one.done_on > asked_on), None),
        inside=_inside(dates["p10"], dates["p90"], reached_on, today),
    )


def _rules_then(known: _Known, asked_on: date) -> Rules:
    factors = [1.0, *(factor for end_on, factor in known.widening if end_on < asked_on)]
    return replace(known.basis.rules, widening=factors[-1] or 1.0)


# --- meters ------------------------------------------------------------------------------
def _events(vehicle_id: int, kind: str) -> Events:
    sql = f"""
        SELECT {bulk.instant_d("r.taken_at")}, r.total, r.moves_base
        FROM readings_reading r JOIN vehicles_meter m ON m.id = r.meter_id
        WHERE r.vehicle_id = %s AND m.kind = %s AND (r.verdict = 'accepted' OR r.moves_base)
        ORDER BY r.taken_at, r.id"""  # noqa: S608
    found = bulk.read(sql, [vehicle_id, kind], {"at_d": "f8", "km": "f8", "shift": "?"})
    return Events.of([0, len(found["km"])], found["at_d"], found["km"], found["shift"])


def _with_meters(
    chunk: Chunk, vehicle: Vehicle, asked_on: date, end_d: float, events: dict[str, Events]
) -> Chunk:
    """The chunk with its meters as they stood before an instant."""
    season_id = _season_then(vehicle, asked_on)
    km = _meters_then(chunk.km, events[Meter.Kind.KM], end_d, season_id)
    hours = _meters_then(chunk.hours, events[Meter.Kind.HOURS], end_d, np.nan)
    return replace(
        chunk,
        km=km or chunk.km,
        km_of=chunk.km_of if km else np.full_like(chunk.km_of, NO_METER),
        hours=hours or chunk.hours,
        hours_of=chunk.hours_of if hours else np.full_like(chunk.hours_of, NO_METER),
    )


def _meters_then(now: Meters, events: Events, end_d: float, season_id: float) -> Meters | None:
    count = int(np.searchsorted(events.at_d, end_d))
    if not len(now.id) or not count:
        return None
    clock, season = seasons.clock_rows(np.array([season_id]))
    state = usage.advance(
        _begun(events, now.state), part_of(events, np.array([1]), np.array([count])), clock, season
    )
    return replace(now, state=state, season_id=np.array([season_id]))


def _begun(events: Events, now: State) -> State:
    """The first reading, with the class rate that the meter did start with."""
    return usage.start(events.at_d[:1], events.km[:1], now.rate_km_per_day, now.spread)


def _season_then(vehicle: Vehicle, asked_on: date) -> float:
    """Id of the season that the class ran on before a day, NaN for none."""
    row = seasons.season_at(vehicle.vehicle_type_id, vehicle.depot_id, asked_on)
    return float("nan") if row is None else float(row.pk)


# --- services ----------------------------------------------------------------------------
def _with_anchor(chunk: Chunk, row: Array, known: _Known, asked_on: date) -> Chunk:
    """The chunk counting from the last time the service had been done by a day."""
    done = next((one for one in reversed(known.done) if one.done_on <= asked_on), None)
    vehicle = known.vehicle
    new = vehicle.joined_as == Vehicle.JoinedAs.NEW
    start = (vehicle.in_service_on, vehicle.in_service_km or 0.0, 0.0) if new else (None, 0.0, 0.0)
    on, km, h = start if done is None else (done.done_on, done.total_km, done.total_h)
    given = {
        "anchor_id": np.nan if done is None else done.pk,
        "anchor_on": NO_DAY if on is None else np.datetime64(on, "D"),
        "anchor_km": np.nan if km is None else km,
        "anchor_h": np.nan if h is None else h,
        "occasion": FIRST if done is None else REPEAT,
        "called": False,
        "called_on": NO_DAY,
        "called_at_km": np.nan,
        "product": _product_then(known.fills, on, asked_on),
    }
    rows = replace(chunk.rows, **{name: _put(chunk, name, row, it) for name, it in given.items()})
    return replace(chunk, rows=rows)


def _put(chunk: Chunk, name: str, row: Array, value: object) -> Array:
    column: Array = getattr(chunk.rows, name).copy()
    column[row] = value
    return column


def _product_then(fills: Sequence[Fill], anchor_on: date | None, asked_on: date) -> int:
    fill = next((one for one in reversed(fills) if one.filled_on <= asked_on), None)
    counts = fill and fill.full_change and anchor_on is not None and fill.filled_on >= anchor_on
    return (fill.product_id or ANY_PRODUCT) if fill and counts else ANY_PRODUCT


# --- what happened -----------------------------------------------------------------------
def _reached_on(
    chunk: Chunk, columns: dict[str, Array], today: date, events: dict[str, Events]
) -> date | None:
    """First day on which a limit was reached, as forecast then."""
    days = [_date(columns["calendar_on"][0])]
    for kind, meters, left in (
        (Meter.Kind.KM, chunk.km, columns["remaining_km"][0]),
        (Meter.Kind.HOURS, chunk.hours, columns["remaining_h"][0]),
    ):
        if np.isfinite(left):
            given, limit_at = events[kind], meters.state.last_km[0] + left
            at_d = reached_at_d(given.offsets, given.at_d, given.km, [limit_at])
            if np.isfinite(at_d[0]):
                days.append(_date(np.floor(at_d[0] + chunk.utc_offset_d[0]).astype("M8[D]")))
    past = [day for day in days if day is not None and day <= today]
    return min(past, default=None)


def _inside(
    p10: date | None, p90: date | None, reached_on: date | None, today: date
) -> bool | None:
    if p10 is None:
        return None
    if reached_on is not None:
        return p10 <= reached_on and (p90 is None or reached_on <= p90)
    return False if p90 is not None and p90 < today else None


def _months_before(day: date, months: int) -> date:
    return date.fromisoformat(str(add_months(day, -months)))


def _date(day: "np.datetime64") -> date | None:
    return None if np.isnat(day) else date.fromisoformat(str(day.astype("M8[D]")))
