"""Vans that run twice as far each day in July as in any other month; read on the first of each."""

import numpy as np

from fleet.calc.usage import Events

FIRSTS = np.arange("2019-01", "2022-04", dtype="M8[M]")


def busy_julys(meters: int = 22) -> Events:
    month_d = np.diff(FIRSTS.astype("M8[D]")).astype(float)
    july = (FIRSTS[:-1].astype(int) % 12) == 6
    per_day = 60.0 + 5.0 * np.arange(meters)
    driven = per_day[:, None] * np.where(july, 2.0, 1.0) * month_d
    km = 5_000 + np.hstack((np.zeros((meters, 1)), np.cumsum(driven, axis=1)))
    at_d = np.tile(FIRSTS.astype("M8[D]").astype(float), meters)
    return Events.of(np.arange(meters + 1) * FIRSTS.size, at_d, km.ravel())
