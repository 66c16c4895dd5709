"""What calls for a service at a total that comes before its own limit."""

import numpy as np

from fleet.calc.arrays import Array, IntArray
from fleet.due import crossing
from fleet.due.gather import Chunk

NO_DAY = np.datetime64("NaT", "D")


def called_side(chunk: Chunk, picked: IntArray, side: dict[str, Array]) -> dict[str, Array]:
    """Distance of each row, with the total that something calls for it by where that is nearer.

    A call has no tolerance, and counts whatever the history.
    """
    meter = chunk.km_of[chunk.rows.vehicle[picked]]
    total = np.append(chunk.km.state.last_km, np.nan)[meter]
    called_km = chunk.rows.called_at_km[picked] - total
    nearer = np.isfinite(called_km) & ~(side["left"] <= called_km)
    if not nearer.any():
        return side
    left = np.where(nearer, called_km, side["left"])
    unanchored = np.full(len(picked), NO_DAY), np.full(len(picked), np.nan)
    reached_at_d = crossing.reached_at_d(chunk.km, meter, left, total + left, *unanchored)
    return side | {
        "left": left,
        "limit_at": np.where(nearer, total + left, side["limit_at"]),
        "tolerance": np.where(nearer, 0.0, side["tolerance"]),
        "reached_at_d": np.where(nearer, reached_at_d, side["reached_at_d"]),
    }
