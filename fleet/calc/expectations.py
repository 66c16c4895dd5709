"""What a meter's memory expects of its next reading, and how an accepted one changes it.

The model and its figures are our choice, tuned on monthly city-bus odometers: a gamma-like rate
with a prior worth 8 / spread² days, day-to-day scatter, and a slow drift of the rate.
"""

from dataclasses import dataclass
from typing import Self, TypeVar

import numpy as np

from fleet.calc.standing import HARDLY, LESSON
from fleet.calc.verdict_rows import Bools, Floats, Ints

# Our choice, all of these; tuned on city-bus odometers.
PLAIN_Z = 2.5  # nearer than this many standard deviations, a value is as expected
SHORTEST_STEP_D = 0.5  # two readings on one day still allow half a day's driving
PRIOR_WEIGHT = 8.0  # days of own history that weigh as much as the prior, per 1 / spread²
MEMORY_HALF_LIFE_D = 90.0
DRIFT = 0.35  # relative drift of the rate over a step up to MEMORY_HALF_LIFE_D
READING_NOISE_KM = 15.0
CLOCK_NOISE_D = 0.3  # date without a time of day
LEAST_SCATTER, MOST_SCATTER = 0.5, 4.0
FALL_KM = 1.0  # a reading rounded the other way may fall by this much
SLACK_KM = 1e-6  # rounding of binary fractions at a bound

LOG_T4 = float(np.log(0.375))  # Γ(5/2) / (√(4π) Γ(2)) = 3/8, constant of Student's t with 4 d.f.
LOG_IMPOSSIBLE = -60.0
FARTHEST_Z = 1e100  # keeps z² finite


OneOrMany = TypeVar("OneOrMany", float, Floats)


def own_rate(
    weight_d: OneOrMany, weight_km: OneOrMany, rate_km_per_day: OneOrMany, spread: OneOrMany
) -> OneOrMany:
    """
    Rate of a meter between what it showed and what its class does [km/d].

    Parameters
    ----------
    weight_d, weight_km
        Own history, older days fading [d, km].
    rate_km_per_day, spread
        Of the class the meter started with; the spread on the log scale.
    """
    prior_d = PRIOR_WEIGHT / (spread * spread)
    return (weight_km + prior_d * rate_km_per_day) / (weight_d + prior_d)


@dataclass(frozen=True)
class Step:
    """The distance expected from one reading to another moment."""

    base_km: Floats
    dt_d: Floats
    rate_km_per_day: Floats
    mean_km: Floats
    sd_km: Floats
    top_km: Floats  # most that can have been covered
    grain: Floats

    def take(self, rows: Ints | Bools) -> Self:
        """Return the steps of some rows."""
        return type(self)(*[column[rows] for column in vars(self).values()])

    def z(self, km: Floats) -> Floats:
        """Return how many standard deviations a value lies off."""
        return (km - self.base_km - self.mean_km) / self.sd_km

    def fallen(self, km: Floats) -> Bools:
        """Say whether a value lies below the base by more than rounding allows."""
        return km - self.base_km < -FALL_KM * self.grain - SLACK_KM

    def possible(self, km: Floats) -> Bools:
        """Say whether a vehicle can have gone from the base to a value."""
        rise_km = km - self.base_km
        return (rise_km >= -FALL_KM * self.grain - SLACK_KM) & (rise_km <= self.top_km + SLACK_KM)

    def as_expected(self, km: Floats) -> Bools:
        """Say whether a value is possible and near what is expected."""
        return np.asarray((np.abs(self.z(km)) < PLAIN_Z) & self.possible(km))

    def log_density(self, km: Floats) -> Floats:
        """Return the log of the Student-t₄ density of a value [1/km], -60 where impossible."""
        z = np.minimum(np.abs(self.z(km)), FARTHEST_Z)
        log_t = LOG_T4 - 2.5 * np.log1p(z * z / 4) - np.log(self.sd_km)
        return np.where(self.possible(km), log_t, LOG_IMPOSSIBLE)


@dataclass(frozen=True)
class Base:
    """A reading to count on from, and the memory as of it."""

    at_d: Floats
    km: Floats
    weight_d: Floats
    weight_km: Floats
    scatter: Floats
    rate_km_per_day: Floats
    spread: Floats
    top_km_per_day: Floats
    grain: Floats

    def take(self, rows: Ints | Bools) -> Self:
        """Return the bases of some rows."""
        return type(self)(*[column[rows] for column in vars(self).values()])

    def step(self, at_d: Floats) -> Step:
        """Return what is expected at a moment.

        With b0 = 8 / s², r = (K + b0 R) / (W + b0) and v the scatter: mean r dt, variance
        r² (2 v dt + (.35² v min(1, 90/dt) + 1 / (s⁻² + W/8)) dt²) + 15² + (.3 r)².
        """
        dt_d = np.maximum(at_d - self.at_d, SHORTEST_STEP_D)
        precision = 1 / (self.spread * self.spread)
        rate = own_rate(self.weight_d, self.weight_km, self.rate_km_per_day, self.spread)
        drift = DRIFT**2 * self.scatter * np.minimum(1, MEMORY_HALF_LIFE_D / dt_d)
        relative = drift + 1 / (precision + self.weight_d / PRIOR_WEIGHT)
        days2 = (2 * self.scatter + relative * dt_d) * dt_d + CLOCK_NOISE_D**2
        noise_km = READING_NOISE_KM * self.grain
        sd_km = np.sqrt(rate * rate * days2 + noise_km * noise_km)
        top_km = self.top_km_per_day * (dt_d + 1)
        return Step(self.km, dt_d, rate, rate * dt_d, sd_km, top_km, self.grain)

    def grown(self, step: Step, km: Floats) -> tuple[Floats, Floats, Floats]:
        """Return weight [d], weight [km] and scatter once a reading is accepted.

        Days of standing weigh less: a vehicle that stands is probably laid up, not slow.
        """
        fade = np.exp2(step.dt_d * (-1 / MEMORY_HALF_LIFE_D))
        surprise = np.minimum(np.abs(step.z(km)), 3)
        scatter = 0.9 * self.scatter + 0.1 * surprise * surprise
        scatter = np.minimum(np.maximum(scatter, LEAST_SCATTER), MOST_SCATTER)
        rise_km = km - self.km
        weight_km = fade * self.weight_km + np.maximum(rise_km, 0)
        days = np.where(rise_km < HARDLY * step.mean_km, LESSON * step.dt_d, step.dt_d)
        return fade * self.weight_d + days, weight_km, scatter
