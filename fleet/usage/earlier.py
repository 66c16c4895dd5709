"""States of the usage filter from earlier on, kept where the judge keeps a memory of its own.

Where verdicts were given again, the filter goes on from the newest state that rests on verdicts
still in force: those before an earlier memory of the judge that was not written again.
"""

from dataclasses import dataclass, fields

import numpy as np

from fleet import bulk
from fleet.calc import usage
from fleet.calc.arrays import Array
from fleet.calc.class_rates import Clock
from fleet.calc.usage import Events, State
from fleet.readings.earlier import delete_after
from fleet.usage.models import EarlierState

COLUMNS = [item.name for item in fields(State)]
BEGINNING_D = 0.0  # before any reading [d since 1970]
KNOWN = np.iinfo(np.int64).max  # no reading of the instant is news
CALENDAR = -1  # in place of a season


@dataclass(frozen=True)
class Begun:
    """From where the filter of each meter goes on."""

    state: State  # no figures where it starts afresh
    since_d: Array  # instant of the state's last reading, ``BEGINNING_D`` for none [d]
    last_id: Array  # readings of that instant up to this id are in the state
    resumed: Array  # bool: from an earlier state

    def take(self, rows: Array) -> "Begun":
        """Return some meters."""
        columns = (getattr(self, item.name)[rows] for item in fields(self)[1:])
        return Begun(self.state.take(np.flatnonzero(rows)), *columns)


@dataclass(frozen=True)
class Kept:
    """States as they stood at some readings."""

    row: Array  # of the meters
    state: State
    version: Array  # of the judge's memory at that reading


def begin(meters: dict[str, Array], *, resume: bool = True) -> Begun:
    """Take stored states, and of meters to replay the newest earlier ones, or none.

    Parameters
    ----------
    meters
        Columns of n meters, rising by id: id, replay, season_id (NaN for none) and those of
        ``State``, NaN where nothing is stored.
    """
    replay = np.flatnonzero(meters["replay"])
    columns = {name: meters[name].copy() for name in COLUMNS}
    since_d, last_id = meters["last_at_d"].copy(), np.full(len(meters["id"]), KNOWN)
    since_d[replay], last_id[replay] = BEGINNING_D, -1
    resumed = np.zeros(len(meters["id"]), dtype=bool)
    if resume and len(replay):
        found = _newest(meters["id"][replay], _season_pk(meters)[replay])
        place = np.searchsorted(meters["id"], found["meter_id"])
        for name in COLUMNS:
            columns[name][place] = found[name]
        since_d[place], last_id[place] = found["last_at_d"], found["last_id"]
        resumed[place] = True
    columns["readings"] = np.nan_to_num(columns["readings"]).astype(np.int64)
    return Begun(State(**columns), since_d, last_id, resumed)


def _season_pk(meters: dict[str, Array]) -> Array:
    return np.nan_to_num(meters["season_id"], nan=CALENDAR).astype(np.int64)


def _newest(meter_ids: Array, season_pk: Array) -> dict[str, Array]:
    table, params = bulk.pairs(meter_ids, season_pk)
    sql = f"""
        SELECT e.meter_id, c.last_id, {", ".join(f"e.{name}" for name in COLUMNS)}
        FROM {table} AS w{"(id, figure)" if bulk.on_postgres() else ""}
        JOIN readings_verdictmemory j ON j.meter_id = w.id
        CROSS JOIN usage_earlierstate e
        JOIN readings_earliermemory c ON c.meter_id = e.meter_id AND c.last_at_d = e.last_at_d
        WHERE e.id = (
            SELECT k.id FROM usage_earlierstate k
            JOIN readings_earliermemory b ON b.meter_id = k.meter_id
                AND b.last_at_d = k.last_at_d AND b.version = k.version
            JOIN readings_reading r ON r.id = b.last_id
            WHERE k.meter_id = w.id AND r.verdict = 'accepted' AND k.season_pk = w.figure
                AND k.rate_km_per_day = j.rate_km_per_day AND k.spread = j.spread
            ORDER BY k.last_at_d DESC LIMIT 1)
        ORDER BY e.meter_id"""  # noqa: S608
    kinds = {"meter_id": "i8", "last_id": "i8"}
    return bulk.read(sql, params, kinds | dict.fromkeys(COLUMNS, "f8"))


def newest_before(meter_ids: Array, end_d: float) -> dict[str, Array]:
    """Newest kept states before an instant that rest on verdicts still in force, by meter.

    Whatever clock the filter ran on: its sums do not depend on that.
    """
    where, params = bulk.among("m.id", meter_ids)
    sql = f"""
        SELECT e.meter_id, c.last_id, {", ".join(f"e.{name}" for name in COLUMNS)}
        FROM vehicles_meter m
        CROSS JOIN usage_earlierstate e
        JOIN readings_earliermemory c ON c.meter_id = e.meter_id AND c.last_at_d = e.last_at_d
        WHERE {where} AND e.id = (
            SELECT k.id FROM usage_earlierstate k
            JOIN readings_earliermemory b ON b.meter_id = k.meter_id
                AND b.last_at_d = k.last_at_d AND b.version = k.version
            JOIN readings_reading r ON r.id = b.last_id
            WHERE k.meter_id = m.id AND r.verdict = 'accepted' AND k.last_at_d < %s
            ORDER BY k.last_at_d DESC LIMIT 1)
        ORDER BY e.meter_id"""  # noqa: S608
    kinds = {"meter_id": "i8", "last_id": "i8"} | dict.fromkeys(COLUMNS, "f8") | {"readings": "i8"}
    return bulk.read(sql, [*params, end_d], kinds)


def wanted(meter_ids: Array, since_d: Array) -> dict[str, Array]:
    """Readings from an instant on at which the judge has kept a memory, by id."""
    table, params = bulk.pairs(meter_ids, since_d)
    sql = f"""
        SELECT c.last_id, c.version
        FROM {table} AS w{"(id, figure)" if bulk.on_postgres() else ""}
        CROSS JOIN readings_earliermemory c
        WHERE c.meter_id = w.id AND c.last_at_d >= w.figure ORDER BY c.last_id"""  # noqa: S608
    return bulk.read(sql, params, {"reading_id": "i8", "version": "i8"})


def advance(
    state: State,
    events: Events,
    version: Array,
    clock: Clock | None,
    season: Array | None,
) -> tuple[State, Kept]:
    """Follow the events, and keep the states at some of them.

    Parameters
    ----------
    state, events, clock, season
        As for ``fleet.calc.usage.advance``.
    version
        Of the judge's memory at each event, -1 where none is kept.
    """
    meters, marked = len(state), version >= 0
    owner = np.repeat(np.arange(meters), np.diff(events.offsets))
    marks = np.concatenate(([0], np.cumsum(marked)))
    leg = marks[:-1] - marks[events.offsets[owner]]  # events up to the first mark, the second, …
    rows, states, versions = [], [], []
    for number in range(int(leg.max(initial=0)) + 1):
        here = leg == number
        offsets = np.concatenate(([0], np.cumsum(np.bincount(owner[here], minlength=meters))))
        part = Events.of(offsets, events.at_d[here], events.km[here], events.shift[here])
        state = usage.advance(state, part, clock, season)
        ended = here & marked
        rows.append(owner[ended])
        states.append(state.take(owner[ended]))
        versions.append(version[ended])
    joined = State(*(np.concatenate([getattr(s, name) for s in states]) for name in COLUMNS))
    return state, Kept(np.concatenate(rows), joined, np.concatenate(versions))


def keep(meters: dict[str, Array], begun: Begun, kept: Kept) -> None:
    """Write the states, in place of those after where a meter was replayed from."""
    replay = np.flatnonzero(meters["replay"])
    if len(replay):
        ids = meters["id"][replay]
        delete_after(EarlierState, ids, "last_at_d", begun.since_d[replay])
    if not len(kept.row):
        return
    columns = {name: getattr(kept.state, name) for name in COLUMNS}
    columns |= {
        "meter_id": meters["id"][kept.row],
        "season_pk": _season_pk(meters)[kept.row],
        "version": kept.version,
    }
    bulk.upsert(EarlierState, columns, key=["meter_id", "last_at_d"])
