"""How far meters have likely come by a day after their last accepted reading, standing or not."""

import numpy as np

from fleet.calc import usage
from fleet.calc.arrays import Array, FloatArray, IntArray
from fleet.calc.level_paths import level_distances
from fleet.due.gather import Meters


def come_since(meters: Meters, row: IntArray, at_d: FloatArray, levels: Array) -> Array:
    """Distance since the last reading at each level, 0 at and before it [km or h].

    Parameters
    ----------
    row
        Row of the meter of each question, shape (n,).
    at_d
        Instants, rising along the second axis, shape (n, k) [d].
    levels
        Probabilities, shape (m,).

    Returns
    -------
    ndarray, shape (n, k, m)
    """
    last_d = meters.state.last_at_d[row][:, None]
    ahead_d = np.maximum(at_d, last_d)
    if meters.clock is None or meters.season is None:
        ahead_d = ahead_d - last_d
    else:
        given = meters.season[row]
        ahead_d = meters.clock.operational_d(ahead_d, given)
        ahead_d -= meters.clock.operational_d(last_d, given)
    come = level_distances(usage.law(meters.state).take(row), ahead_d, levels)
    return np.where(ahead_d[..., None] > 0, come, 0.0)
