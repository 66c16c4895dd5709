"""Small rows for the due-date tests."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc import usage
from fleet.calc.calendar import day_number
from fleet.calc.due import DueDates, MeterLimit, forecast

NONE = "NaT"


def meter(on: str, rate: float, steady: bool = False) -> usage.State:
    """One meter read at noon (UTC) of a date; a ``steady`` one runs like clockwork."""
    state = usage.start(day_number([on]) + 0.5, [0.0], rate, 0.4)
    if steady:
        # Noise is bounded at four times the class rate: nothing beside a far higher level.
        # What spells to come would cost (half a percent, less when near) is made up for.
        state.mu[:], state.rate_km_per_day[:] = 1e6, 1.0042 * rate / 1e6
        for sure in (state.p11, state.p22):
            sure[:] = 0.0
    return state


def limit(state: usage.State, left: ArrayLike, **changes: Any) -> MeterLimit:
    """A limit of rows that all belong to the one meter."""
    distance = np.atleast_1d(np.asarray(left, dtype=np.float64))
    given: dict[str, Any] = {
        "meter": np.zeros(distance.size, dtype=np.int64),
        "reached_at_d": np.full(distance.size, np.nan),
        "tolerance": np.zeros(distance.size),
    }
    return MeterLimit(state=state, left=distance, **(given | changes))


def one(
    distance: MeterLimit | None, hours: MeterLimit | None = None, on: str = NONE, **more: Any
) -> DueDates:
    """Forecast of one row."""
    return forecast(distance, hours, [on], **more)
