"""A forecaster that knows the generator's rules and the true state of each vehicle.

Nobody can do better than it on a generated fleet: its skill is what can be attained.
"""

import numpy as np

from fleet.calc.scores import LEVELS
from tests.generator import START_D, Array, Fleet, changed, day_factors, one_day

YEAR_D = 365


def oracle(
    fleet: Fleet, rows: Array, day: Array, distances_km: Array, paths: int, seed: int
) -> Array:
    """Quantiles of the days until each distance is covered, at most a year.

    Parameters
    ----------
    rows, day
        Vehicles and the days of the fleet on which they are asked, shape (cases,).

    Returns
    -------
    ndarray, shape (cases, distances, 39)
    """
    rng = np.random.default_rng(seed)
    shape = (len(rows), paths)
    own = np.broadcast_to(fleet.own[rows, None], shape)
    level = np.broadcast_to(fleet.level[rows, day][:, None], shape)
    parked = np.broadcast_to(fleet.parked[rows, day][:, None], shape)
    total = np.zeros(shape)
    days = np.full((len(distances_km), *shape), float(YEAR_D))
    for ahead in range(YEAR_D):
        factor = day_factors(fleet.rules, START_D + day + ahead)[:, None]
        km, parked = one_day(fleet.rules, level, parked, factor, rng)
        for at, distance_km in enumerate(distances_km):
            arrives = (total < distance_km) & (total + km >= distance_km)
            days[at][arrives] = ahead + (distance_km - total[arrives]) / km[arrives]
        total = total + km
        level = changed(fleet.rules, level, own, rng)
    return np.quantile(days, LEVELS, axis=2).transpose(2, 1, 0)
