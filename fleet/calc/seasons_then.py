"""Seasons as they could be seen at past month ends, from the readings known by then."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fleet.calc.arrays import BoolArray, FloatArray, IntArray
from fleet.calc.class_rates import SEASON_YEARS, Clock, season_index, takes_force
from fleet.calc.km_at import km_at
from fleet.calc.usage import Events

MOST_YEARS = 6  # older seasons say little about the next one; our choice


class SeasonsThen:
    """
    Season of each class at one month end after another.

    ``factors`` (c, 12) are those in force, and ``changed`` (c,) says where they just took force.

    Parameters
    ----------
    events : Events
        Accepted readings of n meters.
    class_row : ndarray of int, shape (n,)
        Class of each meter, 0 … c − 1.
    """

    def __init__(self, events: Events, class_row: IntArray) -> None:
        self._class_row = class_row
        days = np.floor(events.at_d).astype("M8[D]").astype("M8[M]").astype(np.int64)
        self._first = int(days.min(initial=0 if days.size == 0 else days[0]))
        last = int(days.max(initial=self._first))
        self._bounds_d = _firsts(np.arange(self._first, last + 2))
        n = class_row.size
        meter = np.repeat(np.arange(n), self._bounds_d.size)
        asked = np.tile(self._bounds_d, n)
        found = km_at(events.offsets, events.at_d, events.km, meter, asked)
        self._totals: FloatArray = found.reshape(n, self._bounds_d.size)
        classes = int(class_row.max(initial=-1)) + 1
        self.factors: FloatArray = np.ones((classes, 12))
        self.changed: BoolArray = np.zeros(classes, dtype=np.bool_)

    def at(
        self, month: int, last_at_d: FloatArray, started: BoolArray
    ) -> tuple[Clock | None, IntArray]:
        """
        Clock in force at a month's end, and each meter's row in it (−1 for none).

        Totals at the first of the month are the newest that readings within it can give. Months
        are asked in order: a season stays in force until one that differs takes its place.

        Parameters
        ----------
        month : int
            Months since January 1970.
        last_at_d : ndarray, shape (n,)
            Last accepted reading of each meter by then [d].
        started : ndarray of bool, shape (n,)
            Meters read at all by then.
        """
        self._look(month, last_at_d, started)
        seasonal = (self.factors != 1.0).any(axis=1)
        if not seasonal.any():
            return None, np.full(self._class_row.size, -1, dtype=np.int64)
        return Clock(self.factors), np.where(seasonal[self._class_row], self._class_row, -1)

    def _look(self, month: int, last_at_d: FloatArray, started: BoolArray) -> None:
        self.changed = np.zeros_like(self.changed)
        newest = month - self._first  # column of the first of this month
        oldest = max(newest - 12 * MOST_YEARS, 0)
        if newest - oldest < 12 * SEASON_YEARS or newest >= self._bounds_d.size:
            return
        bounds_d = self._bounds_d[oldest : newest + 1]
        seen = started[:, None] & (bounds_d <= last_at_d[:, None])
        totals = np.where(seen, self._totals[:, oldest : newest + 1], np.nan)
        found = season_index(
            np.diff(totals, axis=1), np.diff(bounds_d), self._class_row, (month - 1) % 12 + 1
        )
        self.changed = takes_force(found.factors, self.factors)
        self.factors = np.where(self.changed[:, None], found.factors, self.factors)


def _firsts(months: IntArray) -> FloatArray:
    """First days of months since January 1970 [d]."""
    days: NDArray[np.datetime64] = months.astype("M8[M]").astype("M8[D]")
    return days.astype(np.float64)
