"""How hard each meter runs: a level plus a passing excursion, followed reading by reading.

The rate of a meter relative to its class rate R is ``mu + u``: ``mu`` a slowly wandering level
(random walk), ``u`` an Ornstein-Uhlenbeck excursion (a holiday, a busy season). Between two
readings the mean rate is observed with a noise that falls with the days between them. The filter
is the exact Kalman filter of that model over an interval of any length; see Harvey,
*Forecasting, Structural Time Series Models and the Kalman Filter* (1989), chapter 9, for
continuous-time structural models with flow variables. A vehicle that stands is taken to be laid
up: see `fleet.calc.standing`.

Engine-hour meters use the same code with hours in place of km. All arrays hold one entry per
meter; instants are days since 1970-01-01 00:00 UTC.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc import standing
from fleet.calc.arrays import BoolArray, FloatArray, IntArray
from fleet.calc.class_rates import Clock

# Measured on real bus odometers: halving or doubling any one costs up to 5 % in forecast score.
NOISE_D = 1.2  # squared coefficient of variation of one day's distance [d]
EXCURSION_SD = 0.28  # stationary sd of the excursion, relative to the level
EXCURSION_D = 80.0  # time constant of the excursion [d]
WANDER_PER_D = 1e-4  # variance the level gains per day, relative to its square [1/d]
SURPRISE_HALF_LIFE_D = 365.0  # half-life of the record of surprises [d]
PRIOR_SURPRISES = 10.0  # prior weight of "as surprising as expected"
LEAST_SHARE = 0.05  # of the level: an excursion takes the rate no lower; our choice

SUM_HALF_LIFE_D = 180.0  # half-life of the sums that feed the class rates [d]; our choice
SHORTEST_UPDATE_D = 5.0  # closer readings say little beyond the noise [d]; our choice


@dataclass
class State:
    """What is known of each meter after its last accepted reading; every field has shape (n,)."""

    mu: FloatArray  # level relative to the class rate
    u: FloatArray  # excursion relative to the class rate
    p11: FloatArray  # variance of mu
    p12: FloatArray  # covariance of mu and u
    p22: FloatArray  # variance of u
    sw: FloatArray  # weight of the surprises seen
    se: FloatArray  # weighted sum of squared standardised surprises
    idle_d: FloatArray  # how long it has been standing, 0 for a running one [d of the filter]
    rate_km_per_day: FloatArray  # class rate R the meter started with [km/day or h/day]
    spread: FloatArray  # spread of the class the meter started with, log scale
    filtered_at_d: FloatArray  # instant of the last reading the filter used [d]
    filtered_km: FloatArray  # total km of that reading [km or h]
    last_at_d: FloatArray  # instant of the last accepted reading [d]
    last_km: FloatArray  # total km of the last accepted reading [km or h]
    sum_d: FloatArray  # days behind the meter's own rate, fading [d]
    sum_km: FloatArray  # distance behind the meter's own rate, fading [km or h]
    first_at_d: FloatArray  # instant of the first accepted reading [d]
    readings: IntArray  # accepted readings so far

    def take(self, rows: IntArray | slice) -> State:
        """Meters of the given rows: a view for a slice, a copy for an index array."""
        return State(*[column[rows] for column in vars(self).values()])

    def __len__(self) -> int:
        """Count the meters."""
        return len(self.mu)


@dataclass(frozen=True)
class Events:
    """Accepted readings and re-bases of n meters, in order of meter and time (CSR form)."""

    offsets: IntArray  # (n + 1,): events of meter i are offsets[i] … offsets[i + 1] − 1
    at_d: FloatArray  # (events,) instants [d]
    km: FloatArray  # (events,) total km [km or h]
    shift: BoolArray  # (events,) True: the count starts again here, nothing is learnt

    @classmethod
    def of(
        cls, offsets: ArrayLike, at_d: ArrayLike, km: ArrayLike, shift: ArrayLike | None = None
    ) -> Events:
        """Build events from anything array-like; without ``shift`` all are readings."""
        at = np.asarray(at_d, dtype=np.float64)
        given = np.zeros(at.shape, dtype=np.bool_) if shift is None else shift
        return cls(
            np.asarray(offsets, dtype=np.int64),
            at,
            np.asarray(km, dtype=np.float64),
            np.asarray(given, dtype=np.bool_),
        )


def start(at_d: ArrayLike, km: ArrayLike, rate: ArrayLike, spread: ArrayLike) -> State:
    """
    Start meters at their first accepted reading.

    Parameters
    ----------
    at_d : array_like, shape (n,)
        Instant of the first reading [d since 1970].
    km : array_like, shape (n,)
        Total km at that reading [km or h].
    rate : array_like, broadcast to (n,)
        Class rate known before that reading [km/day or h/day], above 0.
    spread : array_like, broadcast to (n,)
        Spread of the class on the log scale, above 0.

    Returns
    -------
    State

    Raises
    ------
    ValueError
        When a rate or spread is not a positive number.
    """
    given = [np.asarray(value, dtype=np.float64) for value in (at_d, km, rate, spread)]
    at, total_km, rate_km_per_day, spread_log = (
        np.array(value) for value in np.broadcast_arrays(*given)
    )
    for name, values in (("class rate", rate_km_per_day), ("spread", spread_log)):
        bad = np.flatnonzero(~((values > 0) & np.isfinite(values)))
        if bad.size:
            raise ValueError(f"the {name} of meter row {bad[0]} must be a number above 0")
    n = at.size
    return State(
        mu=np.ones(n),
        u=np.zeros(n),
        p11=spread_log**2,
        p12=np.zeros(n),
        p22=np.full(n, EXCURSION_SD**2),
        sw=np.zeros(n),
        se=np.zeros(n),
        idle_d=np.zeros(n),
        rate_km_per_day=rate_km_per_day,
        spread=spread_log,
        filtered_at_d=at,
        filtered_km=total_km,
        last_at_d=at.copy(),
        last_km=total_km.copy(),
        sum_d=np.zeros(n),
        sum_km=np.zeros(n),
        first_at_d=at.copy(),
        readings=np.ones(n, dtype=np.int64),
    )


def advance(
    state: State, events: Events, clock: Clock | None = None, season: ArrayLike | None = None
) -> State:
    """
    Take further accepted readings and re-bases into account.

    Going on from a stored state and replaying from the first reading give the same result.

    Parameters
    ----------
    state : State
        n meters; not changed.
    events : Events
        Their further readings, none before the meter's last accepted one.
    clock : Clock, optional
        Seasonal clock; the filter then counts operational days.
    season : array_like of int, shape (n,), optional
        Row of each meter's class in the clock, −1 for none. Needed with a clock.

    Returns
    -------
    State
        A new state, same order of meters.

    Raises
    ------
    ValueError
        When the offsets do not fit, or readings go back in time.
    """
    counts = _checked_counts(state, events)
    order = np.argsort(-counts, kind="stable")
    work = state.take(order)
    counts = counts[order]
    first_event = events.offsets[:-1][order]
    filter_d, event_d = _filter_days(work, events, order, clock, season)
    for step in range(int(counts.max(initial=0))):
        # Meters are ordered by number of events, so those still running are a leading slice.
        running = int(np.count_nonzero(counts > step))
        pick = first_event[:running] + step
        _step(work.take(slice(running)), filter_d[:running], events, pick, event_d[pick])
    back = np.empty_like(order)
    back[order] = np.arange(order.size)
    return work.take(back)


def _checked_counts(state: State, events: Events) -> IntArray:
    offsets = events.offsets
    counts: IntArray = np.diff(offsets)
    n_events = events.at_d.size
    if offsets.size != len(state) + 1 or offsets[0] != 0 or offsets[-1] != n_events:
        raise ValueError(
            f"events of {len(state)} meters need {len(state) + 1} offsets from 0 to {n_events}"
        )
    previous = np.concatenate(([0.0], events.at_d[:-1]))
    with_events = np.flatnonzero(counts > 0)
    previous[offsets[with_events]] = state.last_at_d[with_events]
    back = np.flatnonzero(events.at_d < previous)
    if back.size:
        row = int(np.searchsorted(offsets, back[0], side="right")) - 1
        raise ValueError(
            f"readings of meter row {row} go back in time; sort them, or replay the meter"
        )
    return counts


def _filter_days(
    work: State,
    events: Events,
    order: IntArray,
    clock: Clock | None,
    season: ArrayLike | None,
) -> tuple[FloatArray, FloatArray]:
    """Day counts the filter runs on: calendar days, or operational days with a clock."""
    if clock is None:
        return work.filtered_at_d.copy(), events.at_d
    if season is None:
        raise ValueError("a seasonal clock needs the season row of each meter")
    rows = np.asarray(season, dtype=np.int64)
    event_rows = np.repeat(rows, np.diff(events.offsets))
    return (
        clock.operational_d(work.filtered_at_d, rows[order]),
        clock.operational_d(events.at_d, event_rows),
    )


def _step(
    part: State, filter_d: FloatArray, events: Events, pick: IntArray, event_d: FloatArray
) -> None:
    """Take one event of each meter in; ``part`` and ``filter_d`` are views, changed in place."""
    at_d, km, shift = events.at_d[pick], events.km[pick], events.shift[pick]
    _add_to_sums(part, at_d, km, ~shift)
    elapsed_d = event_d - filter_d
    moved = shift | (elapsed_d >= SHORTEST_UPDATE_D)
    rows = np.flatnonzero(moved & ~shift)
    _update(part, rows, elapsed_d[rows], km[rows])
    np.copyto(part.filtered_at_d, at_d, where=moved)
    np.copyto(part.filtered_km, km, where=moved)
    np.copyto(filter_d, event_d, where=moved)
    part.last_at_d[:] = at_d
    part.last_km[:] = km
    part.readings += ~shift


def _add_to_sums(part: State, at_d: FloatArray, km: FloatArray, reading: BoolArray) -> None:
    days = at_d - part.last_at_d
    fade = np.exp2(-days / SUM_HALF_LIFE_D)
    np.copyto(part.sum_d, fade * part.sum_d + days, where=reading)
    driven_km = np.maximum(km - part.last_km, 0.0)
    np.copyto(part.sum_km, fade * part.sum_km + driven_km, where=reading)


def _update(part: State, rows: IntArray, days: FloatArray, km: FloatArray) -> None:
    """One Kalman step of the given rows over ``days`` since the last filtered reading."""
    s = part.take(rows)
    level2 = np.clip(s.mu, 0.25, 4.0) ** 2
    a = np.exp(-days / EXCURSION_D)
    one_minus_a = -np.expm1(-days / EXCURSION_D)
    g = one_minus_a * EXCURSION_D / days
    s2 = EXCURSION_SD**2 * level2
    within = np.maximum(s2 * (2 * EXCURSION_D / days * (1 - g) - g * g), 0.0)
    noise = level2 * (NOISE_D / days + WANDER_PER_D * days / 3)
    variance = s.p11 + 2 * g * s.p12 + g * g * s.p22 + within + noise
    driven = np.maximum(km - s.filtered_km, 0.0) / (days * s.rate_km_per_day)
    error = driven - s.mu - g * s.u
    wander = WANDER_PER_D * level2 * days
    c1 = s.p11 + g * s.p12 + wander / 2
    c2 = a * (s.p12 + g * s.p22) + s2 * one_minus_a**2 * EXCURSION_D / days
    idle, lesson = _standing(s, driven, s.mu + g * s.u, variance, days)
    k1, k2 = lesson * c1 / variance, lesson * c2 / variance
    p11 = np.maximum(s.p11 + wander - k1 * c1, 1e-8)
    p22 = np.maximum(a * a * s.p22 + s2 * (1 - a * a) - k2 * c2, 1e-8)
    bound = 0.999 * np.sqrt(p11 * p22)
    part.mu[rows] = np.maximum(s.mu + k1 * error, 0.02)
    part.u[rows] = a * s.u + k2 * error
    part.p11[rows], part.p22[rows] = p11, p22
    part.p12[rows] = np.clip(a * s.p12 - k1 * c2, -bound, bound)
    fade = np.exp2(-days / SURPRISE_HALF_LIFE_D)
    part.sw[rows] = fade * s.sw + lesson
    part.se[rows] = fade * s.se + lesson * np.minimum(error * error / variance, 25.0)
    part.idle_d[rows] = idle


def _standing(
    s: State, driven: FloatArray, expected: FloatArray, variance: FloatArray, days: FloatArray
) -> tuple[FloatArray, FloatArray | float]:
    """Days each meter has been standing by now [d], and the weight of what was seen."""
    stood = s.idle_d > 0
    hardly = driven < standing.HARDLY * np.maximum(expected, LEAST_SHARE * s.mu)
    if not (hardly | stood).any():  # as nearly always, and quicker
        return s.idle_d, 1.0
    sd = np.sqrt(variance * _inflation(s))
    laid_up = hardly & (stood | (driven - expected <= -standing.SURPRISE_SD * sd))
    idle = np.where(laid_up, s.idle_d + days, 0.0)
    return idle, np.where(laid_up | stood, standing.LESSON, 1.0)


def _inflation(state: State) -> FloatArray:
    """How much more the meter has surprised than it should have, as a factor on the variance."""
    seen = (PRIOR_SURPRISES + state.se) / (PRIOR_SURPRISES + state.sw)
    return np.clip(seen, 0.35, 4.0)


@dataclass(frozen=True)
class Law:
    """
    Mean and variance of the distance ahead, with everything that does not depend on h prepared.

    Mean ``max(level·h + excursion·G, 0.05·level·h)`` and variance ``hh·h² + hg·h·G + gg·G² +
    noise·(…)`` with ``G = (1 − exp(−h/tau))·tau``; spells to come take a share of the mean and add
    to the variance. Fields have shape (n,). The days that a standing meter may stand on are not
    in it: `fleet.calc.standing.days_left` says them, and h counts from their end.
    """

    level: FloatArray  # [km/day]
    excursion: FloatArray  # [km/day]
    hh: FloatArray  # [km²/day²]
    hg: FloatArray  # [km²/day²]
    gg: FloatArray  # [km²/day²]
    noise: FloatArray  # [km²/day²]
    spells: FloatArray  # [km²/day²]
    idle_d: FloatArray  # how long the meter has been standing, 0 for a running one [d]

    def take(self, rows: IntArray | slice) -> Law:
        """Meters of the given rows."""
        return Law(*(getattr(self, field.name)[rows] for field in fields(self)))

    def moments(self, h_d: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """
        Mean and variance of the distance covered h days after a running meter's last reading.

        Parameters
        ----------
        h_d : array_like, shape (), (n,), (n, k) or (1, k)
            Days ahead (operational days where a seasonal clock is used) [d].

        Returns
        -------
        tuple of ndarray
            Mean [km or h] and variance [km² or h²]; shape (n,), or (n, k) for two-dimensional h.
        """
        h = np.asarray(h_d, dtype=np.float64)
        column = np.s_[:, None] if h.ndim == 2 else np.s_[:]
        gain = np.expm1(h * (-1 / EXCURSION_D))
        gain *= -EXCURSION_D
        linear = self.level[column] * h
        mean = self.excursion[column] * gain
        mean += linear
        linear *= LEAST_SHARE
        np.maximum(mean, linear, out=mean)
        lost = standing.lost_share(h)
        mean *= 1.0 - lost
        gain2 = gain * gain
        grown = np.maximum(2 * EXCURSION_D * (h - gain) - gain2, 0.0)
        grown *= EXCURSION_SD**2
        grown += h * (NOISE_D + WANDER_PER_D / 3 * (h * h))
        var = self.noise[column] * grown
        var += self.gg[column] * gain2
        var += h * (self.hh[column] * h + self.hg[column] * gain)
        var += self.spells[column] * (2 * standing.SPELL_D * h * lost)
        return mean, var


def law(state: State) -> Law:
    """Prepare the law of the distance ahead for each meter; shapes as ``state``."""
    scale = state.rate_km_per_day**2 * _inflation(state)
    level2 = np.clip(state.mu, 0.25, 4.0) ** 2
    return Law(
        level=state.rate_km_per_day * state.mu,
        excursion=state.rate_km_per_day * state.u,
        hh=scale * state.p11,
        hg=2 * scale * state.p12,
        gg=scale * state.p22,
        noise=scale * level2,
        spells=state.rate_km_per_day**2 * level2,
        idle_d=state.idle_d,
    )


def moments(state: State, h_d: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Mean [km] and variance [km²] h days after a running meter's last reading; see `Law`."""
    return law(state).moments(h_d)
