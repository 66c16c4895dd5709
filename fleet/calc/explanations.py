"""Explanations of an odd meter reading, weighed by their posterior probability.

Each explanation has a prior (our choice) and a density of the value as given: L(x), the density of
the likely true value x, with the change of scale, or a flat density where any value would do.
Digits are those of the value as typed.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fleet.calc.arrays import KM_PER_MILE
from fleet.calc.expectations import Step
from fleet.calc.verdict_rows import Bools, Floats, Ints, reason_code

STANDS, SWAP, UNIT, LAST, LEADING, EXTRA, WRONG, ROLLED, LATE, NEW_METER, JUMP = range(11)
# Our choice, in the order above.
PRIORS = np.array([0.965, 0.004, 0.004, 0.003, 0.002, 0.002, 0.004, 0.004, 0.002, 0.002, 0.004])
LOG_PRIORS = np.log(PRIORS)
FIRST_REASON = reason_code("digits_swapped") - SWAP  # reason code of explanation e is e + this

LOG_MILE = float(np.log(KM_PER_MILE))
LOG_TEN = float(np.log(10.0))
MOST_TYPED = 1e15  # beyond it no digit explanation can bring a value back within reach
PLACES = 10.0 ** np.arange(18)
FAR = 1e30  # sorts candidates that are impossible behind all that are possible

LATE_KM = 300.0  # our choice
NEW_METER_KM = 500.0  # our choice
LEAST_SPAN_KM = 100.0  # our choice
JUMP_SPAN_KM = 1e6  # our choice


@dataclass(frozen=True)
class Typed:
    """How values were typed: value in km = number · unit + confirmed offset."""

    km: Floats
    unit_km: Floats
    confirmed_km: Floats

    @cached_property
    def number(self) -> Floats:
        """The number as typed, in its own unit."""
        number = np.round((self.km - self.confirmed_km) / self.unit_km, 6)
        return np.minimum(np.maximum(number, 0), MOST_TYPED)

    def in_km(self, number: Floats) -> Floats:
        """Return other numbers, of shape (n,) or (n, candidates), as values in km."""
        if number.ndim == 1:
            return number * self.unit_km + self.confirmed_km
        return number * self.unit_km[:, None] + self.confirmed_km[:, None]

    def as_number(self, km: Floats) -> Floats:
        """Return values in km as numbers in the unit typed."""
        return (km - self.confirmed_km) / self.unit_km


@dataclass(frozen=True)
class Weighed:
    """Log posterior (not normalised) and likely true value, each of shape (n, 11).

    A value that is not near what is expected explains nothing to a person: NaN.
    """

    log: Floats
    km: Floats

    def take(self, rows: Bools | Ints) -> "Weighed":
        """Return some rows."""
        return Weighed(self.log[rows], self.km[rows])

    @cached_property
    def leader(self) -> Ints:
        """The likeliest explanation of each row."""
        return np.asarray(np.argmax(self.log, axis=1), dtype=np.int64)

    @cached_property
    def best_other(self) -> Ints:
        """The likeliest explanation of each row apart from 'as it stands'."""
        return np.asarray(np.argmax(self.log[:, 1:], axis=1) + 1, dtype=np.int64)

    def share(self, column: Ints, first: int = STANDS) -> Floats:
        """Return the posterior of one explanation per row among those from ``first`` on."""
        rest = np.exp(self.log[:, first:] - self.at(column)[:, None])
        return np.asarray(1 / rest.sum(axis=1), dtype=np.float64)

    def at(self, column: Ints) -> Floats:
        """Return the log posterior of one explanation per row."""
        return self.log[np.arange(len(column)), column]

    def suggestion(self, column: Ints) -> Floats:
        """Return the likely true value of one explanation per row [km], NaN when it has none."""
        return self.km[np.arange(len(column)), column]


def explain(step: Step, typed: Typed) -> Weighed:
    """Weigh every explanation of values given what their meters' memory expects.

    Parameters
    ----------
    step
        What is expected from the last accepted reading [km], n rows.
    typed
        The values as given and as typed, n rows.

    Returns
    -------
    Weighed
        Log posteriors and likely true values, in the order of ``PRIORS``.
    """
    log = np.full((len(typed.km), len(PRIORS)), -np.inf)
    true_km = np.full_like(log, np.nan)
    log[:, STANDS] = step.log_density(typed.km)
    for column, weigh in _DIGIT_CAUSES.items():
        log[:, column], km = weigh(step, typed)
        true_km[:, column] = np.where(step.as_expected(km), km, np.nan)
    _weigh_the_meter(step, typed, log)
    return Weighed(log + LOG_PRIORS, true_km)


def digit_count(number: Floats) -> Ints:
    """Return the digits before the decimal point, 1 for 0."""
    return 1 + np.searchsorted(PLACES[1:], np.floor(number), side="right")


def _digits(number: Floats, count: Ints) -> Floats:
    """Return digits, units first, of shape (n, at least 2)."""
    places = PLACES[: max(int(count.max(initial=0)), 2)]
    return np.asarray(np.floor(np.floor(number)[:, None] / places) % 10, dtype=np.float64)


def nearest(step: Step, typed: Typed, candidates: Floats, valid: Bools) -> tuple[Floats, Floats]:
    """Return L and value [km] of the best candidate: L falls with the distance from the mean."""
    km = typed.in_km(candidates)
    rise_km = km - step.base_km[:, None]
    low_km = -step.grain - 1e-6
    out = (rise_km < low_km[:, None]) | (rise_km > step.top_km[:, None] + 1e-6)
    off_km = np.abs(rise_km - step.mean_km[:, None]) + FAR * out
    best = np.argmin(np.where(valid, off_km, np.inf), axis=1)
    chosen_km = km[np.arange(len(best)), best]
    found = valid.any(axis=1)
    return np.where(found, step.log_density(chosen_km), -np.inf), chosen_km


def _swapped(step: Step, typed: Typed) -> tuple[Floats, Floats]:
    """Weigh two neighbouring digits in each other's place: one of n - 1 pairs."""
    number = typed.number
    count = digit_count(number)
    digits = _digits(number, count)
    gap = digits[:, :-1] - digits[:, 1:]
    pairs = np.arange(gap.shape[1])
    valid = (gap != 0) & (pairs + 1 < count[:, None])
    log, km = nearest(step, typed, number[:, None] + 9 * gap * PLACES[pairs], valid)
    return log - np.log(np.maximum(count - 1, 1)), km


def _other_unit(step: Step, typed: Typed) -> tuple[Floats, Floats]:
    """Weigh miles given as km, or km given as miles; never on an hour meter."""
    own_km = typed.km - typed.confirmed_km
    larger_km = np.minimum(own_km, MOST_TYPED) * KM_PER_MILE + typed.confirmed_km
    smaller_km = own_km / KM_PER_MILE + typed.confirmed_km
    larger = step.log_density(larger_km) + LOG_MILE
    smaller = step.log_density(smaller_km) - LOG_MILE - 1
    log = np.where(step.grain == 1, np.maximum(larger, smaller), -np.inf)
    return log, np.where(larger >= smaller, larger_km, smaller_km)


def _last_lost(step: Step, typed: Typed) -> tuple[Floats, Floats]:
    """Weigh a last digit left out: the middle of the ten values it may have been."""
    km = typed.in_km(10 * typed.number + 5)
    return step.log_density(km) + LOG_TEN, km


def _leading_lost(step: Step, typed: Typed) -> tuple[Floats, Floats]:
    """Weigh leading digits left out: those that come nearest to the mean."""
    number = typed.number
    scale = PLACES[digit_count(number)]
    lost = np.round((typed.as_number(step.base_km + step.mean_km) - number) / scale)
    whole = number + scale * lost
    km = typed.in_km(whole)
    log = step.log_density(km) - np.where(whole < 10 * scale, 0.5, 1.5)
    return np.where((lost != 0) & (whole > 0), log, -np.inf), km


def _one_more(step: Step, typed: Typed) -> tuple[Floats, Floats]:
    """Weigh a digit too many at the end."""
    km = typed.in_km(np.floor(typed.number / 10))
    return step.log_density(km) - LOG_TEN, km


def _one_wrong(step: Step, typed: Typed) -> tuple[Floats, Floats]:
    """Weigh one digit mistaken for another: the best of all 9 n changes.

    At each place only the nearest digit below and above the mean can be the best one.
    """
    number = typed.number
    count = digit_count(number)
    digits = _digits(number, count)
    places = PLACES[: digits.shape[1]]
    within_km = np.minimum(np.maximum(step.mean_km, -step.grain), step.top_km) + step.base_km
    ideal = digits + (typed.as_number(within_km) - number)[:, None] / places
    below = np.minimum(np.maximum(np.floor(ideal), 0), 9)
    above = np.minimum(np.maximum(np.ceil(ideal), 0), 9)
    changed = np.hstack([below - (below == digits), above + (above == digits)])
    old, place = np.hstack([digits, digits]), np.hstack([places, places])
    inside = np.arange(digits.shape[1]) < count[:, None]
    valid = (changed >= 0) & (changed <= 9) & np.hstack([inside, inside])
    log, km = nearest(step, typed, number[:, None] + (changed - old) * place, valid)
    return log - np.log(9 * count), km


_DIGIT_CAUSES = {
    SWAP: _swapped,
    UNIT: _other_unit,
    LAST: _last_lost,
    LEADING: _leading_lost,
    EXTRA: _one_more,
    WRONG: _one_wrong,
}


def _weigh_the_meter(step: Step, typed: Typed, log: Floats) -> None:
    """Fill in what happens to meters rather than to figures: flat densities over a span."""
    grain = step.grain
    own_km = typed.km - typed.confirmed_km
    own_base_km = step.base_km - typed.confirmed_km
    fallen = step.fallen(typed.km)
    reach_km = np.maximum(LATE_KM * grain, 3 * step.rate_km_per_day)
    fresh_km = step.mean_km + 6 * step.sd_km + NEW_METER_KM * grain
    spans_km = {
        ROLLED: (fallen, np.maximum(own_base_km, LEAST_SPAN_KM * grain)),
        LATE: (fallen & (typed.km >= step.base_km - reach_km), LATE_KM * grain),
        NEW_METER: (own_km < np.minimum(0.5 * own_base_km, fresh_km), fresh_km),
        JUMP: (typed.km > step.base_km, JUMP_SPAN_KM * grain),
    }
    for column, (holds, span_km) in spans_km.items():
        log[:, column] = np.where(holds, -np.log(span_km), -np.inf)
