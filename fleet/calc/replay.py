"""Replay of past readings: what would have been forecast at each month end, and what happened.

The filter goes through all readings once, month by month. At each month end it forecasts from the
readings known by then, with the class rates that the meters started with and the seasons that
could be seen by then. Every forecast is scored against the readings of the year that followed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

from fleet.calc import scores, usage
from fleet.calc.arrays import FloatArray, IntArray
from fleet.calc.class_rates import Clock
from fleet.calc.due import MeterLimit, instants_d
from fleet.calc.km_at import km_at, reached_at_d
from fleet.calc.level_paths import level_distances
from fleet.calc.scores import Scored
from fleet.calc.seasons_then import SeasonsThen
from fleet.calc.usage import Events, State

Progress = Callable[[float], None]

FOLLOW_UP_D = 365.0  # our choice
RECENT_D = 90.0
MONTHS = 2**20  # more months than any history has: room for a meter and a month in one number
SAME_MOMENT_D = 0.5  # readings closer than this say nothing about a rate


@dataclass(frozen=True)
class Histories:
    """Accepted readings of n meters, and what each meter started with."""

    events: Events
    rate: FloatArray  # (n,) class rate [km/day]
    spread: FloatArray  # (n,) log scale
    class_row: IntArray  # (n,) vehicle type at a depot, 0 … c − 1

    def __len__(self) -> int:
        """Count the meters."""
        return len(self.rate)

    def take(self, rows: IntArray) -> Histories:
        """Meters of the given rows."""
        first, last = self.events.offsets[rows], self.events.offsets[rows + 1]
        return Histories(
            part_of(self.events, first, last),
            self.rate[rows],
            self.spread[rows],
            self.class_row[rows],
        )


@dataclass(frozen=True)
class Plan:
    """What to forecast, and when."""

    months: IntArray  # (m,) months since January 1970 at whose ends forecasts are made
    distances_km: FloatArray  # (k,)
    horizons_d: FloatArray  # (h,) rising, at most a year
    widening: FloatArray  # (m,) factor on the log-spread in force at each month end


@dataclass(frozen=True)
class Cases:
    """Every forecast of a replay, in order of month and meter."""

    meter: IntArray  # (cases,) row of the histories
    month: IntArray  # (cases,) month at whose end it was made
    origin_d: FloatArray  # (cases,) the last accepted reading [d]
    readings: IntArray  # (cases,) accepted readings by then
    distance: Scored  # days until a distance is covered
    horizon: Scored  # km after some days
    needed: FloatArray  # (cases, k) widening that would just hold what happened; NaN: undecided

    @classmethod
    def joined(cls, parts: list[Self]) -> Self:
        """Put the cases of several months together."""
        columns = {
            name: np.concatenate([getattr(part, name) for part in parts])
            for name in ("meter", "month", "origin_d", "readings", "needed")
        }
        return cls(
            **columns,
            distance=Scored.joined([part.distance for part in parts]),
            horizon=Scored.joined([part.horizon for part in parts]),
        )


def silent(share: float) -> None:
    """Tell nobody."""


def replay(
    known: Histories, plan: Plan, happened: Histories | None = None, progress: Progress = silent
) -> Cases:
    """
    Forecast at every month end from ``known`` readings and score by what ``happened``.

    Parameters
    ----------
    known : Histories
        Readings the forecasts rest on.
    plan : Plan
        Months, distances and horizons.
    happened : Histories, optional
        Readings that decide what happened and when forecasts are made, of the same meters;
        default the known ones.
    progress : callable
        Told the share of months done.

    Returns
    -------
    Cases
        One per meter and month end with a new reading and a year of readings after it. A
        forecast counts from that reading, never from the month end.
    """
    truth = known if happened is None else happened
    walk, record = _Walk(known), _Record(truth)
    parts = []
    for at, month in enumerate(plan.months.tolist()):
        progress(at / len(plan.months))
        walk.go_to(month)
        rows = record.origins(month)
        rows = rows[walk.started[rows]]
        forecast = _Forecast.made(walk, record, rows, month)
        parts.append(forecast.scored(plan, float(plan.widening[at])))
    progress(1.0)
    return Cases.joined(parts)


def month_numbers(at_d: FloatArray) -> IntArray:
    """Months since January 1970 of instants [d since 1970], by UTC."""
    days: NDArray[np.datetime64] = np.floor(at_d).astype("M8[D]")
    return np.asarray(days.astype("M8[M]").astype(np.int64))


def ranges(first: IntArray, last: IntArray) -> tuple[IntArray, IntArray]:
    """Positions first[i] … last[i] − 1 of every row in one array, and where each row begins."""
    counts = np.maximum(last - first, 0)
    offsets = np.concatenate((np.zeros(1, np.int64), np.cumsum(counts)))
    return np.arange(offsets[-1]) + np.repeat(first - offsets[:-1], counts), offsets


def part_of(events: Events, first: IntArray, last: IntArray) -> Events:
    """Events first[i] … last[i] − 1 of each row."""
    picked, offsets = ranges(first, last)
    return Events(offsets, events.at_d[picked], events.km[picked], events.shift[picked])


class _Months:
    """Where the readings of each month end in a list of events."""

    def __init__(self, events: Events) -> None:
        self.events = events
        self.first = events.offsets[:-1]
        self.last = events.offsets[1:]
        self._meter = np.arange(self.first.size) * MONTHS
        owner = np.repeat(self._meter, np.diff(events.offsets))
        self._keys = owner + month_numbers(events.at_d) + MONTHS // 2

    def end_of(self, month: int, rows: IntArray | slice = slice(None)) -> IntArray:
        """Place after the last event of each row in or before a month."""
        found = np.searchsorted(self._keys, self._meter[rows] + month + MONTHS // 2, side="right")
        return np.asarray(found, np.int64)


class _Walk:
    """The filter on its way through the readings."""

    def __init__(self, known: Histories) -> None:
        self.known, self.months = known, _Months(known.events)
        self.has_any = self.months.last > self.months.first
        self.start = self._started()
        self.state = self.start.take(slice(None))
        self.done = self.months.first + self.has_any
        self.started = np.zeros(len(known), dtype=np.bool_)
        self.seasons = SeasonsThen(known.events, known.class_row)
        self.clock: Clock | None = None
        self.season: IntArray = np.full(len(known), -1)

    def _started(self) -> State:
        """Every meter at its first reading, whenever that will be."""
        events, known = self.known.events, self.known
        at_d, km = np.append(events.at_d, 0.0), np.append(events.km, 0.0)
        first = np.where(self.has_any, self.months.first, len(at_d) - 1)
        return usage.start(at_d[first], km[first], known.rate, known.spread)

    def go_to(self, month: int) -> None:
        """Take in all readings up to the end of a month, anew where a season takes force."""
        stop = self.months.end_of(month)
        self.started = stop > self.months.first
        last_at_d = np.append(self.known.events.at_d, 0.0)[stop - 1]
        self.clock, self.season = self.seasons.at(month, last_at_d, self.started)
        anew = np.flatnonzero(self.seasons.changed[self.known.class_row] & self.started)
        self._put(anew, self.start.take(anew))
        self.done[anew] = self.months.first[anew] + 1
        rows = np.flatnonzero(stop > self.done)
        if rows.size:
            events = part_of(self.known.events, self.done[rows], stop[rows])
            moved = usage.advance(self.state.take(rows), events, self.clock, self.season[rows])
            self._put(rows, moved)
            self.done[rows] = stop[rows]

    def _put(self, rows: IntArray, part: State) -> None:
        for field in fields(State):
            column = getattr(self.state, field.name).copy()
            column[rows] = getattr(part, field.name)
            setattr(self.state, field.name, column)

    def state_of(self, rows: IntArray) -> tuple[State, Clock | None, IntArray | None]:
        """State of some meters now, and the clock that they run on, if any."""
        here = self.season[rows]
        if self.clock is None or (here < 0).all():
            return self.state.take(rows), None, None
        return self.state.take(rows), self.clock, here


class _Record:
    """What happened, by readings."""

    def __init__(self, truth: Histories) -> None:
        self.rate, self.months = truth.rate, _Months(truth.events)
        self.events = truth.events

    def origins(self, month: int) -> IntArray:
        """Meters last read in a month, and then for a year more."""
        stop, before = self.months.end_of(month), self.months.end_of(month - 1)
        rows = np.flatnonzero(stop > before)
        last, end = stop[rows] - 1, self.months.last[rows] - 1
        followed = self.events.at_d[end] >= self.events.at_d[last] + FOLLOW_UP_D
        return np.asarray(rows[followed & ~self.events.shift[last]])

    def at_origin(self, rows: IntArray, month: int) -> tuple[FloatArray, FloatArray]:
        """Instant [d] and total [km] of the last reading by a month's end."""
        last = self.months.end_of(month, rows) - 1
        return self.events.at_d[last], self.events.km[last]

    def year_after(self, rows: IntArray, month: int) -> Events:
        """Cut out the readings from the origin to the first one after the follow-up."""
        first = self.months.end_of(month, rows) - 1
        last = np.minimum(self.months.end_of(month + 13, rows) + 1, self.months.last[rows])
        return part_of(self.events, first, last)

    def rates(self, rows: IntArray, month: int) -> tuple[FloatArray, FloatArray]:
        """Daily distance over the last 90 days, and since the first reading [km/day].

        A meter read once has its class rate for both.
        """
        at_d, km = self.at_origin(rows, month)
        first = self.months.first[rows]
        first_d, first_km = self.events.at_d[first], self.events.km[first]
        age_d = at_d - first_d
        young = age_d < SAME_MOMENT_D
        lifetime = np.where(young, self.rate[rows], (km - first_km) / np.where(young, 1, age_d))
        begin = np.maximum(self.months.end_of(month - 4, rows) - 1, first)
        window = part_of(self.events, begin, self.months.end_of(month, rows))
        before = km_at(
            window.offsets, window.at_d, window.km, np.arange(rows.size), at_d - RECENT_D
        )
        recent = np.where(age_d >= RECENT_D, (km - before) / RECENT_D, lifetime)
        return np.maximum(recent, 0.0), np.maximum(lifetime, 0.0)


@dataclass(frozen=True)
class _Forecast:
    """Forecasts of some meters at one month end."""

    record: _Record
    rows: IntArray
    month: int
    state: State
    clock: Clock | None
    season: IntArray | None
    at_d: FloatArray  # origin [d]
    km: FloatArray  # total at the origin [km]

    @classmethod
    def made(cls, walk: _Walk, record: _Record, rows: IntArray, month: int) -> Self:
        state, clock, season = walk.state_of(rows)
        return cls(record, rows, month, state, clock, season, *record.at_origin(rows, month))

    def scored(self, plan: Plan, widening: float) -> Cases:
        """Score both kinds of forecast."""
        rates = self.record.rates(self.rows, self.month)
        after = self.record.year_after(self.rows, self.month)
        distance, needed = self._distances(plan.distances_km, widening, rates, after)
        return Cases(
            meter=self.rows,
            month=np.full(self.rows.size, self.month),
            origin_d=self.at_d,
            readings=self.state.readings,
            distance=distance,
            horizon=self._horizons(plan.horizons_d, rates, after),
            needed=needed,
        )

    def _distances(
        self,
        distances_km: FloatArray,
        widening: float,
        rates: tuple[FloatArray, FloatArray],
        after: Events,
    ) -> tuple[Scored, FloatArray]:
        asked_km = self.km[:, None] + distances_km
        reached = reached_at_d(after.offsets, after.at_d, after.km, asked_km)
        days = reached - self.at_d[:, None]
        days = np.where(days <= FOLLOW_UP_D, days, np.inf)
        ahead_d = self._instants_d(distances_km, widening) - self.at_d[:, None, None]
        scored = Scored.of(
            np.clip(ahead_d, 0.0, FOLLOW_UP_D),
            np.minimum(days, FOLLOW_UP_D),
            tuple(scores.days_at(rate[:, None], distances_km, FOLLOW_UP_D) for rate in rates),  # type: ignore[arg-type]
            FOLLOW_UP_D,
        )
        return scored, self._needed(ahead_d, days) * widening

    def _instants_d(self, distances_km: FloatArray, widening: float) -> FloatArray:
        meter = np.repeat(np.arange(self.rows.size), distances_km.size)
        left_km = (self.km[:, None] + distances_km).ravel() - self.state.last_km[meter]
        limit = MeterLimit(
            state=self.state,
            meter=meter,
            left=left_km,
            reached_at_d=np.where(left_km <= 0, self.at_d[meter], np.nan),
            tolerance=np.zeros(meter.size),
            widening=widening,
            clock=self.clock,
            season=self.season,
        )
        found = instants_d(limit, scores.LEVELS)
        return found.reshape(self.rows.size, distances_km.size, scores.LEVELS.size)

    def _needed(self, ahead_d: FloatArray, days: FloatArray) -> FloatArray:
        """Widening that would hold what happened, where the band ends within the follow-up."""
        band = ahead_d[:, :, [scores.P10, scores.P50, scores.P90]]
        decided = (band[:, :, 2] < FOLLOW_UP_D) & (band[:, :, 0] > 0)
        stretched = np.concatenate((band, days[:, :, None]), axis=2)
        if self.clock is not None and self.season is not None:
            begin_d = self.clock.operational_d(self.at_d, self.season)[:, None, None]
            finite = np.where(np.isfinite(stretched), stretched, FOLLOW_UP_D)
            instants = (finite + self.at_d[:, None, None]).reshape(self.rows.size, -1)
            counted = self.clock.operational_d(instants, self.season).reshape(stretched.shape)
            stretched = np.where(np.isfinite(stretched), counted - begin_d, np.inf)
        needed = scores.needed_widening(*(stretched[:, :, at] for at in range(4)))
        return np.where(decided, needed, np.nan)

    def _horizons(
        self, horizons_d: FloatArray, rates: tuple[FloatArray, FloatArray], after: Events
    ) -> Scored:
        until_d = self.at_d[:, None] + horizons_d
        row = np.repeat(np.arange(self.rows.size), horizons_d.size)
        total = km_at(after.offsets, after.at_d, after.km, row, until_d.ravel())
        truth_km = total.reshape(until_d.shape) - self.km[:, None]
        ahead_d = np.maximum(self._counted_d(until_d), 0.0)
        quantiles = level_distances(usage.law(self.state), ahead_d, scores.LEVELS)
        quantiles = quantiles + (self.state.last_km - self.km)[:, None, None]
        recent, lifetime = (rate[:, None] * horizons_d for rate in rates)
        return Scored.of(quantiles, truth_km, (recent, lifetime), np.inf)

    def _counted_d(self, until_d: FloatArray) -> FloatArray:
        """Days from the state's last reading, operational ones where a season is in force."""
        if self.clock is None or self.season is None:
            return until_d - self.state.last_at_d[:, None]
        begin_d = self.clock.operational_d(self.state.last_at_d, self.season)
        return self.clock.operational_d(until_d, self.season) - begin_d[:, None]
