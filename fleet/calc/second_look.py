"""What an odd reading may have been meant as, weighed once more with the reading after it.

The verdict is given when a reading comes. Whoever decides about it later often knows what the
meter showed next, and that rules out much: a meter that goes on from where it stood before was
neither replaced nor turned back.
"""

from dataclasses import dataclass, replace

import numpy as np

from fleet.calc.expectations import PLAIN_Z, READING_NOISE_KM, Step
from fleet.calc.explanations import (
    EXTRA,
    FIRST_REASON,
    JUMP,
    LAST,
    LEADING,
    LOG_PRIORS,
    NEW_METER,
    PLACES,
    ROLLED,
    SWAP,
    UNIT,
    WRONG,
    Typed,
    digit_count,
    explain,
    nearest,
)
from fleet.calc.verdict_rows import REASONS, Bools, Floats, Ints

# three columns more than the verdict weighs: a digit left out anywhere, thousands of km, and the
# total of a vehicle whose meter was replaced
MISSING, THOUSANDS, AS_TOTAL = 11, 12, 13
IN_THOUSANDS, TOTAL_GIVEN = "in_thousands", "total_given"
OWN_REASONS = {MISSING: "digit_lost", THOUSANDS: IN_THOUSANDS, AS_TOTAL: TOTAL_GIVEN}
SLIPS = (SWAP, UNIT, LAST, LEADING, EXTRA, WRONG, MISSING, THOUSANDS, AS_TOTAL)
ALIKE = 5.5  # candidates nearer than this, in the unit typed, are one: our choice


@dataclass(frozen=True)
class Candidate:
    """A value that may have been meant."""

    reason: str
    km: float  # [km or h]


@dataclass(frozen=True)
class Looked:
    """One reading looked at again."""

    candidates: tuple[Candidate, ...]  # likeliest first
    slip: Candidate | None  # where a slip of the pen is the likeliest of all
    likely: tuple[float, float]  # from where to where a value is as expected [km or h]


def between(step: Step, after_d: Floats, after_km: Floats) -> Step:
    """Return what is expected between two readings, or after the first where there is no second.

    Parameters
    ----------
    step
        What is expected from the earlier reading [km], n rows.
    after_d, after_km
        Days from the earlier to the later reading [d] and its value [km]; NaN where none is.

    Returns
    -------
    Step
        Mean: the rise shared out by time. Standard deviation: that of a walk tied at both ends,
        √(1 - share) of the free one, never below the noise of a reading. Our choice.
    """
    known = np.isfinite(after_km)
    share = np.where(known, step.dt_d / np.maximum(after_d, step.dt_d), 0.0)
    rise_km = np.where(known, after_km - step.base_km, 0.0)
    tied_km = np.maximum(step.sd_km * np.sqrt(1 - share), READING_NOISE_KM * step.grain)
    return replace(
        step,
        mean_km=np.where(known, rise_km * share, step.mean_km),
        sd_km=np.where(known, tied_km, step.sd_km),
        top_km=np.where(known, np.minimum(step.top_km, np.maximum(rise_km, 0)), step.top_km),
    )


def look_again(
    step: Step, typed: Typed, goes_on: Bools, before_km: Floats | float = 0.0
) -> list[Looked]:
    """Weigh the explanations of readings again.

    Parameters
    ----------
    step
        What is expected of them [km], n rows, as ``between`` gives it.
    typed
        The values as given and as typed, n rows.
    goes_on
        Whether the reading after goes on from the one before, shape (n,).
    before_km
        What the meters before had run [km], shape (n,): a total is more than the meter by that.

    Returns
    -------
    list of Looked
        For each reading what may have been meant, fits between its neighbours and is near what is
        expected.
    """
    weighed = explain(step, typed)
    missing_log, missing_km = _one_missing(step, typed)
    thousands_log, thousands_km = _thousands(step, typed)
    own_km = typed.km - before_km
    as_total_log = np.where(own_km != typed.km, step.log_density(own_km), -np.inf)
    more_log = (
        missing_log + LOG_PRIORS[LAST],
        thousands_log + LOG_PRIORS[WRONG],
        as_total_log + LOG_PRIORS[WRONG],
    )
    log = np.column_stack([weighed.log, *more_log])
    km = np.column_stack([weighed.km, missing_km, thousands_km, own_km])
    for column in (ROLLED, NEW_METER, JUMP):
        log[goes_on, column] = -np.inf
    fits = np.column_stack([step.as_expected(column) for column in km.T])
    log[:, SLIPS] = np.where(fits[:, SLIPS], log[:, SLIPS], -np.inf)
    alike_km, likely = ALIKE * typed.unit_km * step.grain, _likely(step)
    return [_looked(*row) for row in zip(log, km, alike_km, likely, strict=True)]


def _likely(step: Step) -> list[tuple[float, float]]:
    """From where to where values are as expected."""
    mean, off = step.base_km + step.mean_km, PLAIN_Z * step.sd_km
    low, high = (
        np.maximum(mean - off, step.base_km),
        np.minimum(mean + off, step.base_km + step.top_km),
    )
    return list(zip(low.tolist(), high.tolist(), strict=True))


def _looked(log: Floats, km: Floats, alike_km: float, likely: tuple[float, float]) -> Looked:
    kept: list[Candidate] = []
    for column in _by_likelihood(log):
        if all(abs(km[column] - other.km) > alike_km for other in kept):
            kept.append(Candidate(_reason(column), float(km[column])))
    others = np.delete(log, SLIPS)
    slip = bool(kept) and float(log[list(SLIPS)].max()) > float(others.max())
    return Looked(tuple(kept), kept[0] if slip else None, likely)


def _by_likelihood(log: Floats) -> list[int]:
    return [column for column in sorted(SLIPS, key=lambda at: -log[at]) if np.isfinite(log[column])]


def _reason(column: int) -> str:
    return OWN_REASONS.get(column) or REASONS[column + FIRST_REASON]


def _thousands(step: Step, typed: Typed) -> tuple[Floats, Floats]:
    """Weigh thousands of km: “78.31”, or “78” for 78 thousand."""
    km = typed.in_km(np.round(typed.number * 1000))
    return np.where(typed.number < 1000, step.log_density(km), -np.inf), km


def _one_missing(step: Step, typed: Typed) -> tuple[Floats, Floats]:
    """Weigh a digit left out at any place: the best of all ten digits at each."""
    number = np.floor(typed.number)
    count: Ints = digit_count(number)
    places = PLACES[: int(count.max(initial=0)) + 1]
    above, below = np.floor(number[:, None] / places), number[:, None] % places
    digits = np.arange(10.0)
    candidates = (above * 10 * places + below)[:, :, None] + digits * places[:, None]
    inside = np.arange(len(places)) <= count[:, None]
    valid = inside[:, :, None] & (candidates != number[:, None, None])
    shape = (len(number), -1)
    log, km = nearest(step, typed, candidates.reshape(shape), valid.reshape(shape))
    return log - np.log(count + 1), km
