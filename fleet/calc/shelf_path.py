"""How long a shelf lasts, when the mean demand of each month is spread evenly over it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fleet.calc.lots import Lot


@dataclass(frozen=True)
class MeanPath:
    """Mean demand from a first day on.

    Parameters
    ----------
    start_d
        The first day counted [d since 1970].
    ends_d
        Ends of the stretches, rising, each after the one before and after the start [d].
    means
        Of each stretch [mL or pieces].
    """

    start_d: float
    ends_d: tuple[float, ...]
    means: tuple[float, ...]

    def before(self, at_d: float) -> float:
        """Mean demand up to an instant; past the last stretch at the mean rate of all of them."""
        if not self.ends_d:
            return 0.0
        total, days = sum(self.means), self.ends_d[-1] - self.start_d
        beyond = max(0.0, at_d - self.ends_d[-1]) * total / days
        return float(np.interp(at_d, *self._corners())) + beyond

    def reached(self, quantity: float) -> float | None:
        """When mean demand goes beyond a quantity [d]; None where the stretches end before."""
        at_d, needed = self._corners()
        if quantity < 0 or not needed[-1] > quantity:
            return self.start_d if quantity < 0 else None
        place = int(np.searchsorted(needed, quantity, side="right"))
        share = (quantity - needed[place - 1]) / (needed[place] - needed[place - 1])
        return float(at_d[place - 1] + share * (at_d[place] - at_d[place - 1]))

    def _corners(self) -> tuple[list[float], list[float]]:
        needed = np.concatenate(([0.0], np.cumsum(self.means)))
        return [self.start_d, *self.ends_d], needed.tolist()


def runs_out(
    path: MeanPath,
    lots: Sequence[Lot],
    last_d: Sequence[float],
    coming: Sequence[tuple[float, int]],
) -> float | None:
    """Say when mean demand finds the shelf empty.

    Parameters
    ----------
    path
        The demand.
    lots
        The oldest first.
    last_d : shape of ``lots``
        When each goes out of date; infinite where it does not [d].
    coming
        When and how much arrives, in order of time [d; mL or pieces].

    Returns
    -------
    float or None
        [d]; None where it lasts beyond the path.
    """
    served = 0.0
    for lot, until_d in zip(lots, last_d, strict=True):
        most = path.before(until_d) if np.isfinite(until_d) else np.inf
        served = max(served, min(served + lot.left, most)) if lot.left > 0 else served + lot.left
    for at_d, quantity in coming:
        empty_d = path.reached(served)
        if empty_d is not None and empty_d < at_d:
            return empty_d
        served += quantity
    return path.reached(served)
