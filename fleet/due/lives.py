"""What each service has used of its life, stretch by stretch of its compartment's duty classes."""

from dataclasses import dataclass

import numpy as np

from fleet.calc import life
from fleet.calc.arrays import Array, BoolArray, DateArray, FloatArray, IntArray
from fleet.calc.calendar import yearly_by
from fleet.calc.doubt import BAND, believable
from fleet.due import crossing
from fleet.due.ahead import come_since
from fleet.due.gather import Chunk, Meters
from fleet.due.rules import SEVERE, Rules

NO_DAY = np.datetime64("NaT", "D")
YEAR_D = 365.0


@dataclass(frozen=True)
class Stretches:
    """Duty classes since the anchors of n rows, in CSR form: s stretches in all."""

    offsets: IntArray  # (n + 1,)
    lead: IntArray  # (s,) row of each stretch
    from_d: IntArray  # (s,) first day, the anchor's for the first of a row
    duty_class: IntArray  # (s,)
    limit: IntArray  # (s,) row of the limit in force in the rules, -1 for none

    @property
    def last(self) -> Array:
        """Stretch in force now of each row, (n,)."""
        return np.asarray(self.offsets[1:] - 1)

    @property
    def in_force(self) -> Array:
        """Row of the limit in force now in the rules, (n,)."""
        return np.asarray(self.limit[self.last])

    def until_on(self) -> Array:
        """First day of the stretch after each, NaT for the last of a row, (s,)."""
        until = np.append(self.from_d[1:].astype("M8[D]"), NO_DAY)
        until[self.last] = NO_DAY
        return until


def stretches_of(chunk: Chunk, picked: IntArray, rules: Rules) -> Stretches:
    """Classes and limits in force since the anchors of some rows of a chunk."""
    rows = chunk.rows
    vehicle, service = rows.vehicle[picked], rows.service[picked]
    anchor_on = rows.anchor_on[picked]
    anchor_d = np.where(np.isnat(anchor_on), 0, anchor_on.astype(np.int64))
    offsets, from_d, classes = chunk.segments.stretches(
        chunk.vehicle_id[vehicle], rules.compartment_id[service], anchor_d
    )
    lead = np.repeat(np.arange(len(picked)), np.diff(offsets))
    warranty = chunk.warranty_until_on[vehicle].astype("M8[D]")
    strict = rules.strictest[service] & ~np.isnat(warranty)
    classes = _strictest(classes, lead, strict, from_d, warranty)
    limit = rules.limit_rows(
        service[lead], classes, rows.occasion[picked][lead], rows.product[picked][lead]
    )
    return Stretches(offsets, lead, from_d, classes, limit)


def _strictest(
    classes: IntArray, lead: IntArray, strict: BoolArray, from_d: IntArray, warranty_on: DateArray
) -> Array:
    """Once severe, severe until done, where a service under warranty asks for it."""
    if not strict.any():
        return classes
    stays = strict[lead] & (from_d <= warranty_on[lead].astype(np.int64))
    severe_before = np.zeros(len(classes), dtype=bool)
    for at in range(1, len(classes)):
        if lead[at] == lead[at - 1] and stays[at]:
            severe_before[at] = severe_before[at - 1] or classes[at - 1] == SEVERE
    return np.where(severe_before, SEVERE, classes)


def figure(rules: Rules, name: str, limit: IntArray) -> Array:
    """A figure of each limit, NaN where there is no such limit or figure."""
    padded = np.append(rules.figures[name], np.nan)
    return padded[limit]


# --- calendar ----------------------------------------------------------------------------------
@dataclass(frozen=True)
class ByCalendar:
    """Calendar limit of n rows, and the life it has used: a line since a day."""

    due_on: DateArray  # datetime64[D], NaT for none
    life: FloatArray  # on ``life_on``, NaN where no class so far had such a limit
    life_on: DateArray  # datetime64[D] since when the class now in force counts
    life_per_d: FloatArray


def by_calendar(
    stretches: Stretches, anchor_on: DateArray, service: IntArray, rules: Rules
) -> ByCalendar:
    """Calendar limits: months from the anchor, or a day of the year, whichever comes first.

    A day on which a limit was passed stays, whatever class took effect later.
    """
    last, from_on = stretches.last, stretches.from_d.astype("M8[D]")
    months = figure(rules, "limit_months", stretches.limit)
    by_months_on, used = life.calendar_life(stretches.offsets, from_on, months, from_on[last])
    per_day = 1 / life.days_allowed(from_on[last], months[last])
    yearly_on = _yearly_on(stretches, anchor_on, service, rules)
    until = stretches.until_on()
    passed = np.where(yearly_on < until, yearly_on, NO_DAY)
    passed[last] = yearly_on[last]
    first_yearly_on = np.fmin.reduceat(passed, stretches.offsets[:-1])
    elapsed = life.elapsed_share(anchor_on[stretches.lead], yearly_on, until)
    used = np.fmax(used, np.fmax.reduceat(elapsed, stretches.offsets[:-1]))
    yearly_first = ~np.isnat(first_yearly_on) & ~(by_months_on <= first_yearly_on)
    span_d = np.maximum((first_yearly_on - anchor_on).astype(np.float64), 1)
    by_now = life.elapsed_share(anchor_on, first_yearly_on, from_on[last])
    return ByCalendar(
        due_on=np.where(yearly_first, first_yearly_on, by_months_on),
        life=np.where(yearly_first, np.fmax(used, by_now), used),
        life_on=from_on[last],
        life_per_d=np.nan_to_num(np.where(yearly_first, 1 / span_d, per_day)),
    )


def _yearly_on(
    stretches: Stretches, anchor_on: DateArray, service: IntArray, rules: Rules
) -> Array:
    """Day of the year by which each stretch's class wants the service, NaT for none, (s,)."""
    month, day = (figure(rules, name, stretches.limit) for name in ("yearly_month", "yearly_day"))
    anchor = anchor_on[stretches.lead]
    result = np.full(len(anchor), NO_DAY)
    has = np.flatnonzero(np.isfinite(month) & ~np.isnat(anchor))
    share = rules.early_share[service[stretches.lead[has]]]
    early_d = np.floor(share * YEAR_D).astype("m8[D]")
    result[has] = yearly_by(anchor[has] + early_d, month[has], day[has])
    return result


# --- distance and hours ------------------------------------------------------------------------
@dataclass(frozen=True)
class ByMeter:
    """How one kind of meter grew in each stretch."""

    meters: Meters
    meter: IntArray  # (n,) row of each row's meter, -1 for none
    anchor: FloatArray  # (n,) total at the anchor, as far as it can be believed; NaN: not noted
    total: FloatArray  # (n,) at the last accepted reading
    begin: FloatArray  # (s,) total at the beginning of each stretch
    end: FloatArray  # (s,)
    interval: FloatArray  # (s,) of the class in force, NaN where it has none


def by_meter(
    chunk: Chunk, picked: IntArray, kind: str, stretches: Stretches, rules: Rules
) -> ByMeter:
    """Totals at the ends of each stretch, by distance ("km") or running hours ("h")."""
    meters, row_of = (chunk.km, chunk.km_of) if kind == "km" else (chunk.hours, chunk.hours_of)
    meter = row_of[chunk.rows.vehicle[picked]]
    anchor = _believed(chunk, picked, meters, meter, kind)
    total = np.append(meters.state.last_km, np.nan)[meter]
    anchor_on = chunk.rows.anchor_on[picked]
    lead = stretches.lead
    begin = anchor[lead]
    # most compartments never changed class: their only day is the anchor, whose total is known
    later = np.flatnonzero(np.diff(lead, prepend=-1) == 0)
    own, on_d = lead[later], stretches.from_d[later]
    reached = crossing.totals_at(meters, meter[own], on_d, anchor_on[own], anchor[own])
    begin[later] = np.maximum(reached, begin[later])
    end = np.append(begin[1:], np.nan)
    end[stretches.last] = total
    interval = figure(rules, f"limit_{kind}", stretches.limit)
    return ByMeter(meters, meter, anchor, total, begin, end, interval)


def _believed(chunk: Chunk, picked: IntArray, meters: Meters, meter: IntArray, kind: str) -> Array:
    """Totals at the anchors, as far as the readings let one believe them."""
    noted = (chunk.rows.anchor_km if kind == "km" else chunk.rows.anchor_h)[picked]
    last = np.append(meters.state.last_km, np.nan)[meter]
    ahead = np.flatnonzero((meter >= 0) & (noted > last))
    most_since = np.zeros(len(picked))
    if len(ahead):
        vehicle = chunk.rows.vehicle[picked][ahead]
        end_d = chunk.rows.anchor_on[picked][ahead].astype(np.float64) + 1
        end_d -= chunk.utc_offset_d[vehicle]
        most_since[ahead] = come_since(meters, meter[ahead], end_d[:, None], BAND)[:, 0, 1]
    return believable(noted, last, most_since)
