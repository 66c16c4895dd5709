"""Bring the usage state of each meter up to its accepted readings, and keep month totals."""

from dataclasses import dataclass, fields
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
from django.db import connection, transaction

from fleet import bulk
from fleet.calc import usage
from fleet.calc.arrays import Array
from fleet.calc.level_paths import level_distances
from fleet.calc.stamps import stamp
from fleet.calc.standing import HARDLY
from fleet.calc.usage import LEAST_SHARE, Events, State
from fleet.reads import Read, Rows, prepared, reader
from fleet.usage import earlier, seasons
from fleet.usage.models import EarlierState, KmAt, UsageState

METERS_AT_ONCE = 10_000
FAN_LEVELS = (0.1, 0.5, 0.9)
STATE_COLUMNS = [item.name for item in fields(State)]
FLOAT_COLUMNS = [name for name in STATE_COLUMNS if name != "readings"]


def lagging_meters(vehicle_ids: Array | None = None) -> tuple[Array, Array]:
    """Meters whose state does not yet rest on the verdicts (or the season) in force, and those that
    have a state and no accepted reading any more."""
    lagging, params = _lagging()
    where, source = f"({lagging} OR j.accepted = 0 AND s.meter_id IS NOT NULL)", FROM_ALL
    if vehicle_ids is not None:
        source, (also, more) = FROM, bulk.among("m.vehicle_id", vehicle_ids)
        where, params = f"{where} AND {also}", params + more
    left = "CASE WHEN j.accepted = 0 THEN 0 ELSE 1 END"
    sql = f"SELECT j.meter_id, {left} {source} WHERE {where}"  # noqa: S608
    found = bulk.read(sql, params, {"id": "i8", "left": "?"})
    # few: put in order here, for in order SQLite would read all memories by their index
    return np.sort(found["id"][found["left"]]), np.sort(found["id"][~found["left"]])


def follow(vehicle_ids: Array | None = None) -> int:
    """Bring every state up to date, and drop those of meters of which no accepted reading is left;
    give the number of states written."""
    lagging, none_left = lagging_meters(vehicle_ids)
    if len(none_left):
        with transaction.atomic():
            for kind in (KmAt, EarlierState, UsageState):
                kind._base_manager.filter(meter__in=none_left.tolist()).delete()
    return advance(lagging)


def advance(meter_ids: Array) -> int:
    """Bring lagging meters among these up to date; give the number of states written."""
    written = 0
    for begin in range(0, len(meter_ids), METERS_AT_ONCE):
        written += _advance_chunk(meter_ids[begin : begin + METERS_AT_ONCE])
    return written


FROM = """
    FROM vehicles_meter m
    JOIN vehicles_vehicle v ON v.id = m.vehicle_id
    JOIN readings_verdictmemory j ON j.meter_id = m.id
    LEFT JOIN usage_usagestate s ON s.meter_id = m.id
    LEFT JOIN usage_seasonindex x ON x.in_force AND m.kind = 'km'
        AND x.type_pk = v.vehicle_type_id AND x.depot_pk = v.depot_id"""
# of all meters: those without a season need not be looked up to see it; CROSS JOIN keeps SQLite
# from beginning with all meters (to PostgreSQL it is a plain join)
FROM_ALL = """
    FROM readings_verdictmemory j
    LEFT JOIN usage_usagestate s ON s.meter_id = j.meter_id
    LEFT JOIN (
        SELECT m.id AS meter_id, i.id FROM usage_seasonindex i
        CROSS JOIN vehicles_vehicle v JOIN vehicles_meter m ON m.vehicle_id = v.id
        WHERE i.in_force AND v.vehicle_type_id = i.type_pk AND v.depot_id = i.depot_pk
            AND m.kind = 'km') x ON x.meter_id = j.meter_id"""
REPLAY = "(s.meter_id IS NULL OR s.version <> j.version OR s.season_id {unlike} x.id)"


def _replay() -> str:
    return REPLAY.format(unlike="IS DISTINCT FROM" if bulk.on_postgres() else "IS NOT")


def _lagging() -> tuple[str, list[Any]]:
    return f"j.accepted > 0 AND ({_replay()} OR j.last_at_d > s.last_at_d)", []


def _advance_chunk(meter_ids: Array) -> int:
    meters = _gather_meters(meter_ids)
    if not len(meters["id"]):
        return 0
    begun = earlier.begin(meters)
    events = _gather_events(meters, begun)
    meters, begun = _with_events(meters, begun, events)
    state, before, kept = _compute(meters, begun, events)
    boundary_rows = _month_totals(meters, events, before)
    with transaction.atomic():
        written = _record(meters, state, boundary_rows)
        _drop_stale_totals(meters["id"][meters["replay"]])
        earlier.keep(meters, begun, kept)
    return written


def afresh(meter_ids: Array) -> tuple[dict[str, Array], State]:
    """Meters with their stored states, and those their readings make; writes nothing."""
    meters = _gather_meters(meter_ids, all_afresh=True)
    begun = earlier.begin(meters, resume=False)
    events = _gather_events(meters, begun)
    meters, begun = _with_events(meters, begun, events)
    return meters, _compute(meters, begun, events)[0]


# --- gather ------------------------------------------------------------------------------
def _gather_meters(meter_ids: Array, *, all_afresh: bool = False) -> dict[str, Array]:
    lagging, params = ("j.accepted > 0", list[Any]()) if all_afresh else _lagging()
    replay = "1 = 1" if all_afresh else _replay()
    where, more = bulk.among("m.id", np.asarray(meter_ids, dtype=np.int64))
    stored = ", ".join(f"s.{name}" for name in STATE_COLUMNS)
    sql = f"""
        SELECT m.id, m.vehicle_id, j.version, j.rate_km_per_day, j.spread, j.provisional, x.id,
            CASE WHEN {replay} THEN 1 ELSE 0 END, {stored}
        {FROM} WHERE {lagging} AND {where} ORDER BY m.id"""  # noqa: S608
    kinds = {"id": "i8", "vehicle_id": "i8", "version": "i8", "rate": "f8", "spread0": "f8"}
    kinds |= {"provisional": "?", "season_id": "f8", "replay": "?"}
    return bulk.read(sql, params + more, kinds | dict.fromkeys(STATE_COLUMNS, "f8"))


def _gather_events(meters: dict[str, Array], begun: earlier.Begun) -> dict[str, Array]:
    """Accepted readings and moved bases that the states do not know yet."""
    table, params = bulk.pairs(meters["id"], begun.since_d)
    sql = f"""
        SELECT r.id, r.meter_id, {bulk.instant_d("r.taken_at")}, r.total, r.moves_base
        FROM {table} AS w{"(id, figure)" if bulk.on_postgres() else ""}
        CROSS JOIN readings_reading r
        WHERE r.meter_id = w.id AND r.taken_at >= {bulk.as_instant("w.figure")}
            AND (r.verdict = 'accepted' OR r.moves_base)
        ORDER BY r.meter_id, r.taken_at, r.id"""  # noqa: S608
    kinds = {"id": "i8", "meter_id": "i8", "at_d": "f8", "km": "f8", "shift": "?"}
    events = bulk.read(sql, params, kinds)
    place = np.searchsorted(meters["id"], events["meter_id"])
    later = events["at_d"] > begun.since_d[place]
    later |= events["id"] > begun.last_id[place]
    return {name: column[later] for name, column in events.items()}


def _with_events(
    meters: dict[str, Array], begun: earlier.Begun, events: dict[str, Array]
) -> tuple[dict[str, Array], earlier.Begun]:
    """Leave out meters without anything to learn from (all of their readings are held)."""
    kept = np.isin(meters["id"], events["meter_id"]) | begun.resumed
    return {name: column[kept] for name, column in meters.items()}, begun.take(kept)


# --- compute -----------------------------------------------------------------------------
def _compute(
    meters: dict[str, Array], begun: earlier.Begun, events: dict[str, Array]
) -> tuple[State, State, earlier.Kept]:
    """States after the events, before them, and where the judge kept a memory.

    A meter replayed from its first event starts at it.
    """
    clock, season = seasons.clock_rows(meters["season_id"])
    first = np.searchsorted(events["meter_id"], meters["id"])
    last = np.searchsorted(events["meter_id"], meters["id"], side="right")
    afresh = meters["replay"] & ~begun.resumed
    start = np.flatnonzero(afresh)
    figures = (events["at_d"][first[start]], events["km"][first[start]])
    fresh = usage.start(*figures, meters["rate"][start], meters["spread0"][start])
    before = _put(begun.state, start, fresh)
    picked, offsets = _ranges(first + afresh, last)
    rest = Events.of(offsets, *(events[name][picked] for name in ("at_d", "km", "shift")))
    version = _kept_version(meters, begun, events["id"][picked])
    state, kept = earlier.advance(before, rest, version, clock, season)
    return state, before, kept


def _put(state: State, rows: Array, part: State) -> State:
    columns = {name: getattr(state, name).copy() for name in STATE_COLUMNS}
    for name, column in columns.items():
        column[rows] = getattr(part, name)
    return State(**columns)


def _kept_version(meters: dict[str, Array], begun: earlier.Begun, reading_id: Array) -> Array:
    """Version of the judge's memory kept at each reading, -1 where there is none."""
    wanted = earlier.wanted(meters["id"], begun.since_d)
    if not len(wanted["reading_id"]):
        return np.full(len(reading_id), -1)
    place = np.searchsorted(wanted["reading_id"], reading_id)
    place = np.minimum(place, len(wanted["reading_id"]) - 1)
    same = wanted["reading_id"][place] == reading_id
    return np.where(same, wanted["version"][place], -1)


def _ranges(first: Array, last: Array) -> tuple[Array, Array]:
    """Positions first[i] … last[i] − 1 of every meter in one array, and where each begins."""
    counts = last - first
    offsets = np.concatenate(([0], np.cumsum(counts)))
    return np.arange(offsets[-1]) + np.repeat(first - offsets[:-1], counts), offsets


def _month_totals(
    meters: dict[str, Array], events: dict[str, Array], before: State
) -> dict[str, Array]:
    """Totals at each first of a month passed between two successive events."""
    owner = np.searchsorted(meters["id"], events["meter_id"])
    lead = np.flatnonzero(np.diff(owner, prepend=-1))  # each meter's first event
    from_d, from_km = np.roll(events["at_d"], 1), np.roll(events["km"], 1)
    from_d[lead], from_km[lead] = before.last_at_d[owner[lead]], before.last_km[owner[lead]]
    first_month = _month_index(from_d) + 1
    count = np.maximum(_month_index(events["at_d"]) + 1 - first_month, 0)
    which = np.repeat(np.arange(len(count)), count)
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    on = (first_month[which] + step).astype("M8[M]").astype("M8[D]")
    on_d = on.astype(np.float64)
    share = (on_d - from_d[which]) / (events["at_d"][which] - from_d[which])
    total = from_km[which] + share * (events["km"][which] - from_km[which])
    return {"meter_id": events["meter_id"][which], "on": on, "total": total}


def _month_index(at_d: Array) -> Array:
    return np.floor(at_d).astype("M8[D]").astype("M8[M]").astype(np.int64)


# --- standing ----------------------------------------------------------------------------
def standing_since_d(state: State, season_id: Array) -> Array:
    """Instants since when meters have been standing [d since 1970], NaN for running ones.

    Parameters
    ----------
    state, season_id
        Meters and the season that each one's filter runs on, NaN for none; shape (n,).
    """
    clock, season = seasons.clock_rows(season_id)
    if clock is None or season is None:
        since_d = state.filtered_at_d - state.idle_d
    else:
        operational_d = clock.operational_d(state.filtered_at_d, season)
        since_d = clock.calendar_d(operational_d - state.idle_d, season)
    return np.where(state.idle_d > 0, since_d, np.nan)


@reader
def standing_since(meter_id: int) -> Read[datetime | None]:
    """Instant since when a meter has been standing, None for a running one or one never read."""
    stands = _standing(meter_id)
    yield [stands]
    if not stands:
        return None
    row = stands[0]
    since_d = standing_since_d(_state_of(dict(row)), np.array([row["season_id"]], dtype=np.float64))
    return datetime.fromtimestamp(round(float(since_d[0]) * 86_400), UTC)


@prepared
def _standing(meter_id: int) -> Rows:
    return UsageState.objects.filter(meter=meter_id, idle_d__gt=0).values()


def running_again_d(state: State) -> Array:
    """Instants of the readings after which meters that count as standing have run on [d since
    1970], NaN for those that have not, or do not stand; shape (n,).

    The filter takes up a reading `SHORTEST_UPDATE_D` days after the one before; what was driven
    until then is more than standing allows, or it is not.
    """
    days = state.last_at_d - state.filtered_at_d
    per_day = np.maximum(state.mu + state.u, LEAST_SHARE * state.mu) * state.rate_km_per_day
    driven = state.last_km - state.filtered_km
    runs = (state.idle_d > 0) & (days > 0) & (driven >= HARDLY * per_day * days)
    return np.where(runs, state.filtered_at_d, np.nan)


@reader
def running_again_since(meter_id: int) -> Read[datetime | None]:
    """Instant of the reading after which a meter that counts as standing has run on; None where
    it has not, or does not stand."""
    stands = _standing(meter_id)
    yield [stands]
    again_d = running_again_d(_state_of(stands[0]))[0] if stands else np.nan
    return None if np.isnan(again_d) else datetime.fromtimestamp(round(again_d * 86_400), UTC)


def _state_of(row: dict[str, Any]) -> State:
    return State(**{name: np.array([row[name]]) for name in STATE_COLUMNS})


# --- ahead -------------------------------------------------------------------------------
@dataclass(frozen=True)
class Fan:
    """Totals a meter is likely to show on days ahead, for a chart."""

    on: Array  # datetime64[D]
    p10: Array  # total [km or h]
    p50: Array
    p90: Array


def fan(meter_id: int, until_on: date) -> Fan | None:
    """Likely totals from the last accepted reading on, or None for a meter without any."""
    row = UsageState.objects.filter(meter=meter_id).values(*STATE_COLUMNS, "season_id").first()
    if row is None:
        return None
    state = _state_of(row)
    last_d = float(state.last_at_d[0])
    days = np.arange(np.floor(last_d), np.datetime64(until_on, "D").astype(np.float64) + 1)
    ahead_d = np.maximum(days - last_d, 0.0)
    clock, season = seasons.clock_rows(np.array([row["season_id"]], dtype=np.float64))
    if clock is not None and season is not None:
        rows = np.repeat(season, len(days))
        begin_d = clock.operational_d(np.full(len(days), last_d), rows)
        ahead_d = clock.operational_d(last_d + ahead_d, rows) - begin_d
    levels = level_distances(usage.law(state), ahead_d[None, :], FAN_LEVELS)[0]
    totals = float(state.last_km[0]) + levels
    return Fan(days.astype("M8[D]"), *totals.T)


# --- record ------------------------------------------------------------------------------
def _record(meters: dict[str, Array], state: State, totals: dict[str, Array]) -> int:
    columns = {name: getattr(state, name) for name in STATE_COLUMNS}
    rest = {
        "version": meters["version"],
        "season_id": meters["season_id"],
        "provisional": meters["provisional"],
    }
    row_stamp = stamp(*columns.values(), *rest.values())
    if len(totals["on"]):
        bulk.upsert(KmAt, totals, key=["meter_id", "on"])
    rest["season_id"] = bulk.ids(rest["season_id"])
    return bulk.upsert(
        UsageState,
        {"meter_id": meters["id"], "vehicle_id": meters["vehicle_id"]}
        | columns
        | rest
        | {"stamp": row_stamp},
        key=["meter_id"],
    )


def _drop_stale_totals(meter_ids: Array) -> None:
    """Forget totals of month beginnings that lie outside what the states rest on now."""
    if not len(meter_ids):
        return
    where, params = bulk.among("usage_kmat.meter_id", meter_ids)
    on_d = bulk.day_number('usage_kmat."on"')
    # each total looks its own state up, whatever is believed of the tables
    sql = f"""
        DELETE FROM usage_kmat WHERE {where} AND EXISTS (
            SELECT 1 FROM usage_usagestate s WHERE s.meter_id = usage_kmat.meter_id
                AND ({on_d} > s.last_at_d OR {on_d} <= s.first_at_d))"""  # noqa: S608
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
