"""Meters and services to count the demand of."""

import numpy as np

from fleet.calc.demand import Repeats, Services
from fleet.calc.level_paths import LEVELS, Paths, knots_until
from fleet.calc.passage import Moments, distances_ahead

Array = np.ndarray
REPEATS = ("km", "hours", "months", "yearly_month", "yearly_day", "early_d")
NO_DAY = np.datetime64("NaT", "D")


def paths(moments: Moments, n: int = 1, until_d: float = 372.0) -> Paths:
    """The same law for n meters last read on day 0."""
    knots_d = knots_until(until_d)
    ahead = distances_ahead(moments, np.tile(knots_d, (n, 1)), 1 - LEVELS)
    ahead[:, 0] = 0
    return Paths(np.zeros(n), knots_d, ahead)


def steady(rate: float, var_per_d: float, n: int = 1) -> Paths:
    return paths(lambda h: (rate * h, var_per_d * h), n)


def services(n: int = 1, **given: object) -> Services:
    """n services of the first meter; what is not given does not limit."""

    def column(name: str) -> Array:
        return np.broadcast_to(np.asarray(given.pop(name, np.nan), np.float64), (n,))

    def days(name: str) -> Array:
        return np.broadcast_to(np.asarray(given.pop(name, NO_DAY), "M8[D]"), (n,))

    made = Services(
        km_meter=np.asarray(given.pop("km_meter", np.zeros(n)), np.int64),
        hours_meter=np.asarray(given.pop("hours_meter", np.full(n, -1)), np.int64),
        km_left=column("km_left"),
        hours_left=column("hours_left"),
        calendar_on=days("calendar_on"),
        planned_on=days("planned_on"),
        repeats=Repeats(
            *map(column, ("km", "hours", "months", "yearly_month", "yearly_day", "early_d"))
        ),
    )
    assert not given
    return made
