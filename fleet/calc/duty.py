"""Duty class normal or severe, per vehicle and compartment kind, month by month.

A criterion asks of every month whether its conditions held; its exposure is the weighted share
of the last ``window_months`` in which they did. A compartment is severe when any exposure that
applies to it reaches its limit, and normal again only after two months in which all stayed
clearly below. Months nobody measured leave numerator and denominator; "does not apply" (another
compartment, another powertrain) is a different thing and never filled in by declared use.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Comparison = Literal["<", "<=", ">", ">="]
Weight = Literal["km", "engine_h"]

TOLERANCE = 1e-9  # our choice: 32 °F is 5.7e-14 °C in binary floats, and no frost
MEASURED_SHARE = 0.25  # our choice: less of the window measured, and declared use stands in
CALM_SHARE = 0.8  # our choice: of the limit; below it for CALM_MONTHS means normal again
CALM_MONTHS = 2  # our choice
DECLARED = "declared"  # as a measure in a condition: the criterion's own declared use, 1 or 0
NO_CLASS_YET = -1


@dataclass(frozen=True, slots=True)
class Condition:
    """One comparison of a monthly measure with a limit in the measure's own unit."""

    measure: str
    comparison: Comparison
    limit: float

    def __post_init__(self) -> None:
        if self.comparison not in ("<", "<=", ">", ">="):
            raise ValueError(f"{self.measure}: {self.comparison!r} is not one of <, <=, >, >=.")
        if not np.isfinite(self.limit):
            raise ValueError(f"{self.measure}: the limit must be a finite number.")


@dataclass(frozen=True, slots=True)
class Criterion:
    """When use counts as severe: any alternative all of whose conditions hold in a month."""

    slug: str
    compartments: tuple[str, ...]  # kinds it applies to
    powertrains: tuple[str, ...]  # empty: every powertrain
    alternatives: tuple[tuple[Condition, ...], ...]
    weight: Weight
    share_limit: float  # [-] of the window
    source: str
    window_months: int = 12

    def __post_init__(self) -> None:
        if not self.alternatives or not all(self.alternatives):
            raise ValueError(f"{self.slug}: an alternative needs at least one condition.")
        if self.weight not in ("km", "engine_h"):
            raise ValueError(f"{self.slug}: weight must be km or engine_h, not {self.weight!r}.")
        if not 0 < self.share_limit <= 1:
            raise ValueError(f"{self.slug}: the share limit must lie above 0 and up to 1.")
        if self.window_months < 1:
            raise ValueError(f"{self.slug}: the window must be at least one month.")


@dataclass(frozen=True, slots=True)
class Exposure:
    """One criterion's part in a decision, as shown in the evidence."""

    slug: str
    share: float  # [-] of the window
    limit: float  # [-]
    declared: bool  # too little was measured: declared use stands in
    reached: bool


@dataclass(frozen=True, slots=True)
class Assessment:
    """Classes and exposures of the decided months (last axis of every array)."""

    criteria: tuple[Criterion, ...]
    kinds: tuple[str, ...]
    severe: Bools  # vehicle, kind, month
    changed: Bools  # vehicle, kind, month: differs from the month before, or is the first class
    exposure: Floats  # criterion, vehicle, month; NaN where the powertrain rules it out
    stood_in: Bools  # criterion, vehicle, month: declared use instead of measurements

    def evidence(self, vehicle: int, kind: int, month: int) -> tuple[Exposure, ...]:
        """Return every exposure that applied to one decision; arguments are positions."""
        return tuple(
            Exposure(c.slug, share, c.share_limit, bool(self.stood_in[i, vehicle, month]),
                     share >= c.share_limit - TOLERANCE)
            for i, c in enumerate(self.criteria)
            if self.kinds[kind] in c.compartments
            and not np.isnan(share := float(self.exposure[i, vehicle, month]))
        )  # fmt: skip


def met(condition: Condition, values: npt.ArrayLike) -> tuple[Bools, Bools]:
    """Tell where a condition holds and where it does not; nowhere both, unmeasured neither.

    Parameters
    ----------
    condition : Condition
        Comparison with a limit, with a tolerance of 1e-9 in the measure's unit: a value that
        close to the limit equals it.
    values : array_like
        The measure, any shape; NaN = not measured.

    Returns
    -------
    tuple of ndarray of bool
        Where it holds, where it fails; same shape as `values`.
    """
    x = np.asarray(values, dtype=np.float64)
    inclusive = condition.comparison in ("<=", ">")
    edge = condition.limit + (TOLERANCE if inclusive else -TOLERANCE)
    if condition.comparison == "<":
        return x < edge, x >= edge
    if condition.comparison == "<=":
        return x <= edge, x > edge
    if condition.comparison == ">":
        return x > edge, x <= edge
    return x >= edge, x < edge


def fulfilled(
    criterion: Criterion, measures: Mapping[str, Floats], declared: Bools
) -> tuple[Bools, Bools]:
    """Tell in which months a criterion's conditions held, and in which they did not.

    All conditions of an alternative must hold, and one failing is enough to refute it whatever
    was not measured; one alternative is enough, and all must be refuted (Kleene's logic).

    Parameters
    ----------
    criterion : Criterion
        Whose conditions.
    measures : mapping of str to ndarray
        Monthly measures, vehicle × month, NaN = not measured.
    declared : ndarray of bool
        Declared use under this criterion, vehicle × month.

    Returns
    -------
    tuple of ndarray of bool
        Fulfilled, refuted; vehicle × month. Neither: not measured.
    """
    any_whole = np.zeros(declared.shape, dtype=bool)
    all_refuted = np.ones(declared.shape, dtype=bool)
    for alternative in criterion.alternatives:
        whole = np.ones(declared.shape, dtype=bool)
        refuted = np.zeros(declared.shape, dtype=bool)
        for condition in alternative:
            values = declared if condition.measure == DECLARED else measures[condition.measure]
            holds, fails = met(condition, values)
            whole &= holds
            refuted |= fails
        any_whole |= whole
        all_refuted &= refuted
    return any_whole, all_refuted


def lead_in_months(criteria: Sequence[Criterion]) -> int:
    """Return how many months before the first decided one its decision looks at [months]."""
    return max((criterion.window_months for criterion in criteria), default=0)


def assess(
    criteria: Sequence[Criterion],
    kinds: Sequence[str],
    powertrains: Sequence[str],
    measures: Mapping[str, npt.ArrayLike],
    declared: npt.ArrayLike,
    *,
    first_month: int = 0,
    previous: npt.ArrayLike | None = None,
    strictest: npt.ArrayLike | None = None,
) -> Assessment:
    """Decide the duty class of every vehicle and compartment kind for a run of months.

    One month on top of the class before it gives what a run over all months gives, when the
    columns before `first_month` reach back `lead_in_months` (or to the first month there is).

    Parameters
    ----------
    criteria : sequence of Criterion
        All that are in force.
    kinds : sequence of str
        Compartment kinds to decide.
    powertrains : sequence of str
        One per vehicle.
    measures : mapping of str to array_like
        Vehicle × month, oldest first, NaN = not measured; "km" [km] and "engine_h" [h] are
        the weights, the other names are those the conditions use, in the conditions' units.
    declared : array_like of bool
        Declared use, criterion × vehicle, or criterion × vehicle × month.
    first_month : int
        Column of the first month to decide; earlier ones only fill the windows.
    previous : array_like of int, optional
        Class in the month before, vehicle × kind: 1 severe, 0 normal, -1 none yet (default).
    strictest : array_like of bool, optional
        Where a severe class stays until the service is done, vehicle × kind, or
        vehicle × kind × decided month with False in the month it was done.

    Returns
    -------
    Assessment
        Classes, changes and exposures from `first_month` on.

    Raises
    ------
    ValueError
        For a measure that is missing, arrays that do not fit, or a weight below 0.
    """
    tables = _tables(criteria, measures, len(powertrains))
    months = tables["km"].shape[1]
    if not 0 <= first_month < months:
        raise ValueError(f"first_month {first_month} is not one of the {months} months.")
    use = _declared_use(declared, (len(criteria), len(powertrains), months))
    start = max(first_month - CALM_MONTHS + 1, 0)
    shape = (len(criteria), len(powertrains), months - start)
    exposure, stood_in = np.empty(shape), np.empty(shape, dtype=bool)
    for i, criterion in enumerate(criteria):
        exposure[i], stood_in[i] = _exposure(criterion, powertrains, tables, use[i], start)
    reached, calm = _by_kind(criteria, kinds, exposure)
    skip = first_month - start
    before = _previous(previous, calm.shape[:2])
    severe = _classes(before > 0, reached, calm, _strictest(strictest, calm, skip), skip)
    return Assessment(
        criteria=tuple(criteria),
        kinds=tuple(kinds),
        severe=severe,
        changed=_changed(before, severe),
        exposure=exposure[:, :, skip:],
        stood_in=stood_in[:, :, skip:],
    )


def _tables(
    criteria: Sequence[Criterion], measures: Mapping[str, npt.ArrayLike], n_vehicles: int
) -> dict[str, Floats]:
    conditions = [c for criterion in criteria for group in criterion.alternatives for c in group]
    wanted = {"km"} | {c.weight for c in criteria} | {c.measure for c in conditions} - {DECLARED}
    missing = sorted(wanted - measures.keys())
    if missing:
        raise ValueError(f"No such measure: {', '.join(missing)}.")
    tables = {name: np.asarray(measures[name], dtype=np.float64) for name in wanted}
    shape = tables["km"].shape
    for name, table in tables.items():
        if table.shape != shape or table.ndim != 2 or table.shape[0] != n_vehicles:
            raise ValueError(f"{name} has shape {table.shape}, not vehicles × months {shape}.")
    for name in {"km", "engine_h"} & wanted:
        if (tables[name] < 0).any():
            raise ValueError(f"{name} is below 0 somewhere: a weight cannot be.")
    return tables


def _declared_use(declared: npt.ArrayLike, shape: tuple[int, int, int]) -> Bools:
    given = np.asarray(declared, dtype=bool)
    monthly = given[..., np.newaxis] if given.ndim == 2 else given
    return np.broadcast_to(monthly, shape)


def _exposure(
    criterion: Criterion,
    powertrains: Sequence[str],
    tables: Mapping[str, Floats],
    declared: Bools,
    start: int,
) -> tuple[Floats, Bools]:
    """Exposure of every vehicle from column `start` on, and where declared use stood in."""
    weight = tables[criterion.weight]
    holds, fails = fulfilled(criterion, tables, declared)
    measured = (holds | fails) & ~np.isnan(weight)
    window = criterion.window_months
    known = _window_sum(np.where(measured, weight, 0.0), window, start)
    spent = _window_sum(np.where(measured & holds, weight, 0.0), window, start)
    enough = _window_sum(measured.astype(np.float64), window, start) >= MEASURED_SHARE * window
    enough &= known > 0
    share = np.divide(spent, known, out=declared[:, start:].astype(np.float64), where=enough)
    applies = _applies(criterion, powertrains)[:, np.newaxis]
    return np.where(applies, share, np.nan), applies & ~enough


def _applies(criterion: Criterion, powertrains: Sequence[str]) -> Bools:
    if not criterion.powertrains:
        return np.ones(len(powertrains), dtype=bool)
    return np.isin(np.asarray(powertrains), criterion.powertrains)


def _window_sum(values: Floats, window: int, start: int) -> Floats:
    """Sum over the window that ends at each column from `start` on.

    Oldest month first whatever stands before the window: a step and a full run then agree to
    the last bit, which differences of running totals would not.
    """
    n_columns = values.shape[1] - start
    total = np.zeros((values.shape[0], n_columns))
    for age in range(window - 1, -1, -1):
        absent = min(max(age - start, 0), n_columns)
        oldest = start + absent - age
        total[:, absent:] += values[:, oldest : oldest + n_columns - absent]
    return total


def _by_kind(
    criteria: Sequence[Criterion], kinds: Sequence[str], exposure: Floats
) -> tuple[Bools, Bools]:
    """Tell where any applicable exposure reached its limit, and where all stayed calm."""
    shape = (exposure.shape[1], len(kinds), exposure.shape[2])
    reached, calm = np.zeros(shape, dtype=bool), np.ones(shape, dtype=bool)
    for criterion, share in zip(criteria, exposure, strict=True):
        full = share >= criterion.share_limit - TOLERANCE
        lively = share >= CALM_SHARE * criterion.share_limit - TOLERANCE
        for k, kind in enumerate(kinds):
            if kind in criterion.compartments:
                reached[:, k] |= full
                calm[:, k] &= ~lively
    return reached, calm


def _previous(previous: npt.ArrayLike | None, shape: tuple[int, ...]) -> npt.NDArray[np.int8]:
    given = NO_CLASS_YET if previous is None else previous
    return np.broadcast_to(np.asarray(given, dtype=np.int8), shape)


def _strictest(strictest: npt.ArrayLike | None, calm: Bools, skip: int) -> Bools:
    given = np.asarray(False if strictest is None else strictest, dtype=bool)
    monthly = given[..., np.newaxis] if given.ndim == 2 else given
    return np.broadcast_to(monthly, (*calm.shape[:2], calm.shape[2] - skip))


def _classes(severe: Bools, reached: Bools, calm: Bools, strictest: Bools, skip: int) -> Bools:
    classes = np.empty(strictest.shape, dtype=bool)
    for month in range(strictest.shape[2]):
        column = month + skip
        recent = calm[:, :, max(column - CALM_MONTHS + 1, 0) : column + 1]
        stays = (recent.shape[2] < CALM_MONTHS) | ~recent.all(axis=2) | strictest[:, :, month]
        severe = reached[:, :, column] | (severe & stays)
        classes[:, :, month] = severe
    return classes


def _changed(before: npt.NDArray[np.int8], severe: Bools) -> Bools:
    changed = np.empty(severe.shape, dtype=bool)
    changed[:, :, 0] = before != severe[:, :, 0]
    changed[:, :, 1:] = severe[:, :, 1:] != severe[:, :, :-1]
    return changed
