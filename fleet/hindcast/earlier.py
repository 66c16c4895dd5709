"""What the program would have said some months ago about services, and what happened.

Nothing of it is stored: the readings up to then go through the filter again, and the services and
duty classes known then are taken. Limits, labels of readings and fills are those of today.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from fleet import bulk
from fleet.calc import usage
from fleet.calc.arrays import Array
from fleet.calc.calendar import add_months
from fleet.calc.km_at import reached_at_d
from fleet.calc.replay import part_of
from fleet.calc.usage import Events, State
from fleet.due import segments
from fleet.due.forecast import compute
from fleet.due.gather import NO_METER, Chunk, Meters, Rows, meters_of, utc_offsets
from fleet.due.models import Fill, GuardFactor, Limit, Service, ServiceDone
from fleet.due.rules import ANY_PRODUCT, FIRST, REPEAT, Basis, Depots, Rules, as_rows, rules_of
from fleet.due.segments import Segments
from fleet.today import today_at
from fleet.usage import seasons
from fleet.usage.models import SeasonIndex
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
    vehicle: Vehicle,
    services: Iterable[Service],
    now: datetime,
    months_ago: Sequence[int] = (3, 6, 12),
) -> dict[int, list[Earlier]]:
    """Forecasts some months before now by service id, oldest question last.

    A service without limits has none, nor has a vehicle that is sold. A day on which the history
    was unknown, or nothing was read yet, has no dates.
    """
    known = _gather(vehicle, services, today_at(vehicle.depot.zone, now))
    if not len(known.limited) or vehicle.status == Vehicle.Status.SOLD:
        return {}
    then = [_then(known, _months_before(known.today, months)) for months in months_ago]
    ids = known.rules.service_id[known.limited].tolist()
    return {pk: list(each) for pk, each in zip(ids, zip(*then, strict=True), strict=True)}


@dataclass(frozen=True)
class _Known:
    """What the forecasts of all days that are asked about rest on, read once."""

    vehicle: Vehicle
    today: date
    rules: Rules
    limited: Array  # rows of the services with limits in the rules, (r,)
    meters: dict[str, tuple[Meters, Array]]  # by kind, each with its row by vehicle row
    events: dict[str, Events]
    segments: Segments
    widening: list[tuple[date, float]]  # the factor found at the end of each month
    seasons: list[SeasonIndex]
    done: list[ServiceDone]
    fills: list[Fill]  # none where no limit asks for the product


def _gather(vehicle: Vehicle, services: Iterable[Service], today: date) -> _Known:
    services = sorted(services, key=lambda service: service.pk)
    rules = rules_of(*as_rows(services, Limit.objects.filter(service__in=services)), 1.0)
    ids = np.array([vehicle.pk])
    own = {"vehicle": vehicle, "void": False, "superseded_by": None}
    done = ServiceDone.objects.filter(service__in=services, **own).order_by("done_on", "pk")
    fills = Fill.objects.filter(vehicle=vehicle).order_by("filled_on", "pk")
    versions = GuardFactor.objects.order_by("month_end_on")
    return _Known(
        vehicle,
        today,
        rules,
        np.flatnonzero(~rules.on_call),
        dict(zip((Meter.Kind.KM, Meter.Kind.HOURS), meters_of(ids), strict=True)),
        _events(vehicle.pk),
        segments.gather(ids, today),
        list(versions.values_list("month_end_on", "factor")),
        seasons.took_force(vehicle.vehicle_type_id, vehicle.depot_id),
        list(done),
        list(fills) if rules.product_specific else [],
    )


def _then(known: _Known, asked_on: date) -> list[Earlier]:
    """The forecast of each service with limits as of a day."""
    # no day to bring a vehicle in is asked for: which days a depot works does not matter
    depots = Depots({known.vehicle.depot_id: known.vehicle.depot.zone}, {}, {})
    chunk = _chunk_then(known, asked_on, depots)
    basis = Basis(replace(known.rules, widening=_widening_then(known, asked_on)), depots)
    columns = compute(chunk, np.arange(len(known.limited)), basis)
    return [_earlier(known, asked_on, chunk, columns, row) for row in range(len(known.limited))]


def _earlier(
    known: _Known, asked_on: date, chunk: Chunk, columns: dict[str, Array], row: int
) -> Earlier:
    p10, p50, p90 = (_date(columns[name][row]) for name in ("p10", "p50", "p90"))
    reached_on, pk = _reached_on(chunk, columns, row, known), int(columns["service_id"][row])
    later = (one.done_on for one in known.done if one.done_on > asked_on and one.service_id == pk)
    return Earlier(
        *(asked_on, p10, p50, p90, reached_on),
        done_on=next(later, None),
        inside=_inside(p10, p90, reached_on, known.today),
    )


def _widening_then(known: _Known, asked_on: date) -> float:
    factors = [1.0, *(factor for end_on, factor in known.widening if end_on < asked_on)]
    return factors[-1] or 1.0


def _chunk_then(known: _Known, asked_on: date, depots: Depots) -> Chunk:
    """The vehicle as it was known at the end of a day."""
    vehicle, depot_id = known.vehicle, np.array([known.vehicle.depot_id])
    zone = ZoneInfo(vehicle.depot.zone)
    end_at = datetime.combine(asked_on + timedelta(days=1), time(), zone)
    season = seasons.last_before(known.seasons, asked_on)
    km, km_of = _meters_then(known, Meter.Kind.KM, end_at, season)
    hours, hours_of = _meters_then(known, Meter.Kind.HOURS, end_at, None)
    return Chunk(
        vehicle_id=np.array([vehicle.pk]),
        depot_id=depot_id,
        utc_offset_d=utc_offsets(depot_id, depots.zone),
        warranty_until_on=np.array([vehicle.under_warranty_until_on], dtype="M8[D]"),
        km=km,
        hours=hours,
        km_of=km_of,
        hours_of=hours_of,
        rows=_rows_then(known, asked_on),
        segments=known.segments.begun(asked_on),
    )


# --- meters ------------------------------------------------------------------------------
def _events(vehicle_id: int) -> dict[str, Events]:
    """Accepted readings and moved bases by kind of meter."""
    sql = f"""
        SELECT m.kind, {bulk.instant_d("r.taken_at")}, r.total, r.moves_base
        FROM readings_reading r JOIN vehicles_meter m ON m.id = r.meter_id
        WHERE r.vehicle_id = %s AND (r.verdict = 'accepted' OR r.moves_base)
        ORDER BY r.taken_at, r.id"""  # noqa: S608
    found = bulk.read(sql, [vehicle_id], {"kind": "O", "at_d": "f8", "km": "f8", "shift": "?"})
    kind = found.pop("kind")
    own = {name: np.flatnonzero(kind == name) for name in Meter.Kind.values}
    return {
        name: Events.of([0, len(rows)], *(column[rows] for column in found.values()))
        for name, rows in own.items()
    }


def _meters_then(
    known: _Known, kind: str, end_at: datetime, season: SeasonIndex | None
) -> tuple[Meters, Array]:
    """The meter of a kind as it stood before an instant, and its row: -1 where none was read."""
    (now, row_of), events = known.meters[kind], known.events[kind]
    count = int(np.searchsorted(events.at_d, end_at.timestamp() / 86_400))
    if not len(now.id) or not count:
        return now, np.full_like(row_of, NO_METER)
    clock, row = seasons.clock_of(season)
    begun = _begun(events, now.state)
    state = usage.advance(begun, part_of(events, np.array([1]), np.array([count])), clock, row)
    return replace(now, state=state, clock=clock, season=row), row_of


def _begun(events: Events, now: State) -> State:
    """The first reading, with the class rate that the meter did start with."""
    return usage.start(events.at_d[:1], events.km[:1], now.rate_km_per_day, now.spread)


# --- services ----------------------------------------------------------------------------
def _rows_then(known: _Known, asked_on: date) -> Rows:
    """The services with limits, each counting from the last time it had been done by a day."""
    rules, service = known.rules, known.limited
    vehicle, none = known.vehicle, np.zeros(len(service), dtype=np.int64)
    new = vehicle.joined_as == Vehicle.JoinedAs.NEW
    start = (vehicle.in_service_on, vehicle.in_service_km or 0.0, 0.0) if new else (None, 0.0, 0.0)
    done = [_last_done(known, pk, asked_on) for pk in rules.service_id[service].tolist()]
    anchors = [start if one is None else (one.done_on, one.total_km, one.total_h) for one in done]
    on, km, h = zip(*anchors, strict=True)
    places = zip(rules.compartment_id[service].tolist(), on, strict=True)
    return Rows(
        vehicle=none,
        service=service,
        anchor_id=np.array([one and one.pk for one in done], dtype=np.float64),
        anchor_on=np.array(on, dtype="M8[D]"),
        anchor_km=np.array(km, dtype=np.float64),
        anchor_h=np.array(h, dtype=np.float64),
        occasion=np.array([FIRST if one is None else REPEAT for one in done]),
        called=none.astype(bool),
        called_on=np.full(len(service), NO_DAY),
        called_at_km=np.full(len(service), np.nan),
        product=np.array([_product_then(known, *place, asked_on) for place in places]),
        provisional=none.astype(bool),
        inputs_hash=none,
    )


def _last_done(known: _Known, service_id: int, asked_on: date) -> ServiceDone | None:
    own = (one for one in reversed(known.done) if one.service_id == service_id)
    return next((one for one in own if one.done_on <= asked_on), None)


def _product_then(known: _Known, compartment_id: int, anchor_on: date | None, by: date) -> int:
    own = (one for one in reversed(known.fills) if one.compartment_id == compartment_id)
    fill = next((one for one in own if one.filled_on <= by), None)
    counts = fill and fill.full_change and anchor_on is not None and fill.filled_on >= anchor_on
    return (fill.product_id or ANY_PRODUCT) if fill and counts else ANY_PRODUCT


# --- what happened -----------------------------------------------------------------------
def _reached_on(chunk: Chunk, columns: dict[str, Array], row: int, known: _Known) -> date | None:
    """First day on which a limit was reached, as forecast then."""
    days = [_date(columns["calendar_on"][row])]
    for kind, meters, left in (
        (Meter.Kind.KM, chunk.km, columns["remaining_km"][row]),
        (Meter.Kind.HOURS, chunk.hours, columns["remaining_h"][row]),
    ):
        if np.isfinite(left):
            given, limit_at = known.events[kind], meters.state.last_km[0] + left
            at_d = reached_at_d(given.offsets, given.at_d, given.km, [limit_at])
            if np.isfinite(at_d[0]):
                days.append(_date(np.floor(at_d[0] + chunk.utc_offset_d[0]).astype("M8[D]")))
    past = [day for day in days if day is not None and day <= known.today]
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
