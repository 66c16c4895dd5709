"""Say when each service falls due, and write down only what changed.

The night compares a few stamps per vehicle inside the database; a vehicle whose stamps differ is
gathered, and of its rows those whose inputs differ are computed and written.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
from django.db import transaction

from fleet import bulk
from fleet.calc import due, life
from fleet.calc.arrays import Array, BoolArray, DateArray, IntArray
from fleet.calc.calendar import last_working_day
from fleet.calc.due import Binding, DueDates, MeterLimit
from fleet.due import crossing, lives
from fleet.due.called import called_side
from fleet.due.gather import Chunk, Meters, gather
from fleet.due.lives import ByCalendar, Stretches
from fleet.due.models import BindingLimit, DueDate
from fleet.due.moves import Before, moved, note
from fleet.due.rules import Basis, Depots, Rules, gather_basis
from fleet.due.stamps import write_stamps
from fleet.duty.models import DutyClass

VEHICLES_AT_ONCE = 1_500  # holds the write lock of SQLite for a quarter of a second; our choice
WIDE_BAND_D = 60  # a wider band says "take a reading first"; our choice
KEY = ("vehicle_id", "service_id")
# what a new reading hardly ever changes, though indexes or keys hold it: where it is as it was, it
# is not written, which spares SQLite a third of the work
STEADY = ("depot_id", "history_known", "calendar_on", "beyond_by_reading", "anchor_id", "limit_id")
NO_DAY = np.datetime64("NaT", "D")
NO_DUE_DATE_ON = np.datetime64(date(9999, 12, 31))
BINDING = np.array(
    [BindingLimit.NONE, BindingLimit.CALENDAR, BindingLimit.KM, BindingLimit.HOURS], dtype=object
)
CLASS_NAMES = np.array([DutyClass.NORMAL, DutyClass.SEVERE], dtype=object)


def forecast(
    vehicle_ids: IntArray, today: date, basis: Basis | None = None, *, only_changed: bool = True
) -> int:
    """Bring the due dates of some vehicles up to date; give the number of rows written.

    Parameters
    ----------
    today
        Decides only which overrides of the duty class have begun or ended.
    basis
        Services, limits and calendars, where the caller has read them already.
    """
    basis = basis or gather_basis()
    written = 0
    for begin in range(0, len(vehicle_ids), VEHICLES_AT_ONCE):
        ids = vehicle_ids[begin : begin + VEHICLES_AT_ONCE]
        written += _forecast_chunk(ids, basis, today, only_changed)
    return written


def _forecast_chunk(ids: IntArray, basis: Basis, today: date, only_changed: bool) -> int:
    chunk = gather(ids, basis.rules, basis.depots, today)
    hashes, pk, before, steady, stale = _stored(chunk, basis.rules)
    changed = hashes != chunk.rows.inputs_hash  # a row not stored yet is None, which differs
    picked = np.flatnonzero(changed if only_changed else np.ones(len(hashes), dtype=bool))
    columns = compute(chunk, picked, basis)
    moves = moved(Before(*(one[picked] for one in before)), columns)
    same = _as_it_was({name: one[picked] for name, one in steady.items()}, columns)
    with transaction.atomic():
        written = _record(columns, pk[picked], same) + _drop(stale)
        write_stamps(ids, today, basis)
        note(moves)
    return written


def _stored(
    chunk: Chunk, rules: Rules
) -> tuple[Array, Array, list[Array], dict[str, Array], Array]:
    """Input hashes of the chunk's rows (None: not stored), their ids (0), the columns of
    ``Before``, those that are steady (NaN), and ids of rows no longer wanted."""
    where, params = bulk.among("vehicle_id", chunk.vehicle_id)
    sql = f"""
        SELECT id, vehicle_id, service_id, inputs_hash, {bulk.day_number("sort_on")},
            anchor_id, limit_id, depot_id, history_known, {bulk.day_number("calendar_on")},
            beyond_by_reading, duty_class
        FROM due_duedate WHERE {where}"""  # noqa: S608
    figures = ("sort_on_d", "anchor_id", "limit_id")
    kinds = dict.fromkeys(("id", "vehicle_id", "service_id", "hash"), "i8")
    kinds |= dict.fromkeys((*figures, "depot_id", "history_known"), "f8")
    kinds |= {"calendar_on": "f8", "beyond_by_reading": "f8", "duty_class": "O"}
    found = bulk.read(sql, params, kinds)
    rows = chunk.rows
    ours = _pair(chunk.vehicle_id[rows.vehicle], rules.service_id[rows.service])
    theirs = _pair(found["vehicle_id"], found["service_id"])
    order = np.argsort(theirs)
    place = np.minimum(np.searchsorted(theirs[order], ours), max(len(theirs) - 1, 0))
    hashes, pk = np.full(len(ours), None, dtype=object), np.zeros(len(ours), dtype=np.int64)
    known = {name: np.full(len(ours), np.nan) for name in (*figures, *STEADY)}
    duty_class = np.full(len(ours), None, dtype=object)
    if len(theirs):
        known_before = theirs[order][place] == ours
        at = order[place][known_before]
        hashes[known_before], pk[known_before] = found["hash"][at], found["id"][at]
        duty_class[known_before] = found["duty_class"][at]
        for name, column in known.items():
            column[known_before] = found[name][at]
    before = [*(known[name] for name in figures), duty_class]
    steady = {name: known[name] for name in STEADY}
    return hashes, pk, before, steady, found["id"][~np.isin(theirs, ours)]


def _pair(vehicle_id: IntArray, service_id: IntArray) -> Array:
    return np.asarray(vehicle_id * 2**31 + service_id)


# --- compute -----------------------------------------------------------------------------
def compute(chunk: Chunk, picked: IntArray, basis: Basis) -> dict[str, Array]:
    """Columns of the due dates of some rows of a chunk."""
    rows, rules = chunk.rows, basis.rules
    vehicle, service = rows.vehicle[picked], rows.service[picked]
    anchor_on = rows.anchor_on[picked]
    stretches = lives.stretches_of(chunk, picked, rules)
    in_force = stretches.in_force
    calendar = lives.by_calendar(stretches, anchor_on, service, rules)
    calendar_on = calendar.due_on
    sides = [_side(chunk, picked, kind, stretches, rules) for kind in ("km", "h")]
    known = ~np.isnat(anchor_on) & (in_force >= 0)
    known &= ~(np.isnan(sides[0]["missing"]) | np.isnan(sides[1]["missing"]))
    known &= _watched(chunk, picked, sides, calendar_on)
    calendar = replace(calendar, life=np.where(known, calendar.life, np.nan))
    calendar_on = np.where(known, calendar_on, NO_DAY)
    for side in sides:
        side["life"], side["left"] = (
            np.where(known, side[name], np.nan) for name in ("life", "left")
        )
    sides[0] = called_side(chunk, picked, sides[0])
    called_on = rows.called_on[picked]
    calendar_on = np.fmin(calendar_on, called_on)  # a call counts whatever the history
    found = due.forecast(
        _meter_limit(chunk.km, chunk.km_of[vehicle], sides[0], rules.widening),
        _meter_limit(chunk.hours, chunk.hours_of[vehicle], sides[1], rules.widening),
        calendar_on,
        chunk.utc_offset_d[vehicle],
        np.nan_to_num(rules.figures["tolerance_d"][in_force]) if len(rules.limit_id) else 0,
    )
    known |= rows.called[picked]
    return _columns(chunk, picked, basis, found, known, sides, calendar, stretches)


def _side(
    chunk: Chunk, picked: IntArray, kind: str, stretches: Stretches, rules: Rules
) -> dict[str, Array]:
    """Distance (or hours) of each row: life used, what is left, and where the limit lies."""
    grown = lives.by_meter(chunk, picked, kind, stretches, rules)
    interval_now = grown.interval[stretches.last]
    limited = np.isfinite(interval_now)
    missing = np.where(limited & np.isnan(grown.anchor), np.nan, 0.0)
    used, limit_at = life.limit_total(stretches.offsets, grown.begin, grown.end, grown.interval)
    metered = grown.meter >= 0
    left = np.where(metered, limit_at - grown.total, np.nan)
    tolerance = lives.figure(rules, f"tolerance_{kind}", stretches.in_force)
    return {
        "missing": missing,
        "life": np.where(metered, np.maximum(used, 0.0), np.nan),
        "left": left,
        "limit_at": limit_at,
        "interval": interval_now,
        "tolerance": np.nan_to_num(tolerance),
        "reached_at_d": crossing.reached_at_d(
            grown.meters,
            grown.meter,
            left,
            limit_at,
            chunk.rows.anchor_on[picked],
            grown.anchor,
        ),
    }


def _padded(column: Array) -> Array:
    return np.append(column, np.nan)


def _watched(
    chunk: Chunk, picked: IntArray, sides: Sequence[dict[str, Array]], calendar_on: DateArray
) -> Array:
    """Leave out what was past a limit before anybody took readings and was never recorded.

    A vehicle that joined new counts from its start of use. Where its first reading already lies
    beyond a limit, a service may have been done unseen: that is not known, and not guessed.
    """
    unrecorded = np.isnan(chunk.rows.anchor_id[picked])
    meter = chunk.km_of[chunk.rows.vehicle[picked]]
    first_on = np.floor(np.nan_to_num(_padded(chunk.km.state.first_at_d)[meter])).astype("M8[D]")
    late = (calendar_on < first_on) & (meter >= 0)
    beyond = (sides[0]["left"] <= 0) & (sides[0]["reached_at_d"] <= first_on.astype(np.float64) + 1)
    return np.asarray(~(unrecorded & (late | beyond)))


def _meter_limit(
    meters: Meters, meter: IntArray, side: dict[str, Array], widening: float
) -> MeterLimit | None:
    if not len(meters.id):
        return None
    return MeterLimit(
        state=meters.state,
        meter=np.maximum(meter, 0),
        left=side["left"],
        reached_at_d=side["reached_at_d"],
        tolerance=side["tolerance"],
        widening=widening,
        clock=meters.clock,
        season=meters.season,
    )


# --- record ------------------------------------------------------------------------------
def _columns(
    chunk: Chunk,
    picked: IntArray,
    basis: Basis,
    found: DueDates,
    known: BoolArray,
    sides: Sequence[dict[str, Array]],
    calendar: ByCalendar,
    stretches: Stretches,
) -> dict[str, Array]:
    rows, rules = chunk.rows, basis.rules
    vehicle = rows.vehicle[picked]
    meter = chunk.km_of[vehicle]
    p50 = found.due_on[:, 1]
    limit_id = np.append(rules.limit_id.astype(np.float64), np.nan)[stretches.in_force]
    wide = (found.due_on[:, 2] - found.due_on[:, 0]).astype(np.float64) > WIDE_BAND_D
    guessed = np.append(chunk.km.provisional, False)[meter]
    return {
        "vehicle_id": chunk.vehicle_id[vehicle],
        "service_id": rules.service_id[rows.service[picked]],
        "depot_id": chunk.depot_id[vehicle],
        "sort_on": np.where(np.isnat(p50), NO_DUE_DATE_ON, p50),
        "history_known": known,
        **{name: found.due_on[:, at] for at, name in enumerate(("p10", "p50", "p90"))},
        **{f"km_p{p}": found.distance_on[:, at] for at, p in enumerate((10, 50, 90))},
        **{f"hours_p{p}": found.hours_on[:, at] for at, p in enumerate((10, 50, 90))},
        "calendar_on": found.calendar_on,
        "bring_in_by_on": _bring_in_by(found.due_on[:, 0], chunk.depot_id[vehicle], basis.depots),
        "take_a_reading_first": wide & ~np.isnat(found.due_on[:, 2]),
        "binding_limit": BINDING[found.binding],
        "binding_probability": np.where(
            found.binding == Binding.NONE, np.nan, found.binding_probability
        ),
        "meter_life": np.fmax(sides[0]["life"], sides[1]["life"]),
        "calendar_life": calendar.life,
        "calendar_life_on": np.where(np.isnan(calendar.life), NO_DAY, calendar.life_on),
        "calendar_life_per_d": np.where(np.isnan(calendar.life), np.nan, calendar.life_per_d),
        "remaining_km": _one_interval(sides[0]),
        "remaining_h": _one_interval(sides[1]),
        "beyond_by_reading": found.beyond_by_reading,
        "beyond_tolerance_by_reading": found.beyond_tolerance_by_reading,
        "tolerance_until_on": found.tolerance_until_on,
        "duty_class": CLASS_NAMES[stretches.duty_class[stretches.last]],
        "anchor_id": rows.anchor_id[picked],
        "limit_id": limit_id,
        "provisional": rows.provisional[picked] | guessed,
        "inputs_hash": rows.inputs_hash[picked],
    }


def _one_interval(side: dict[str, Array]) -> Array:
    """What is left from the last reading; after a service done since, one interval and no more."""
    left, interval = side["left"], side["interval"]
    return np.where(left > interval, interval, left)


def _bring_in_by(p10: DateArray, depot_id: IntArray, depots: Depots) -> Array:
    """Last working day not after the earliest likely day, which no calendar limit precedes."""
    result = np.full(len(p10), NO_DAY)
    for pk, working in depots.working.items():
        rows = np.flatnonzero((depot_id == pk) & ~np.isnat(p10))
        result[rows] = last_working_day(p10[rows], working)
    return result


def _as_it_was(steady: dict[str, Array], columns: dict[str, Array]) -> BoolArray:
    """Rows of which nothing that is steady changes."""
    same = np.ones(len(columns["sort_on"]), dtype=bool)
    for name, before in steady.items():
        after = columns[name]
        if after.dtype.kind == "M":
            after = np.where(np.isnat(after), np.nan, after.astype("M8[D]").astype(np.float64))
        same &= (before == after) | (np.isnan(before) & np.isnan(after.astype(np.float64)))
    return same


def _record(columns: dict[str, Array], stored: IntArray, same: BoolArray) -> int:
    """Write rows; ``stored``: the ids of those that were there, 0 of the others; ``same``: of which
    nothing that is steady changes."""
    if not len(stored):
        return 0
    plain: dict[str, Any] = dict(columns)
    for name in ("anchor_id", "limit_id"):
        plain[name] = bulk.ids(columns[name])
    written = 0
    if not bulk.on_postgres():  # which saves nothing, and writers may wait for each other in a ring
        there = np.flatnonzero(stored)
        own = {"id": stored} | {name: one for name, one in plain.items() if name not in KEY}
        for rows, held in (there[same[there]], STEADY), (there[~same[there]], ()):
            some = {name: column[rows] for name, column in own.items()}
            written += bulk.update(DueDate, some, held=held)
        if written == len(there):  # else some may be gone, or others, since: they come again
            plain = {name: column[stored == 0] for name, column in plain.items()}
    return written + bulk.upsert(DueDate, plain, key=KEY)


def _drop(due_date_ids: IntArray) -> int:
    """Take away due dates of services that the type no longer has or nobody calls for."""
    if not len(due_date_ids):
        return 0
    return DueDate.objects.filter(pk__in=due_date_ids.tolist()).delete()[0]
