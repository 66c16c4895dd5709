"""Figures that are another order of magnitude than what is known: a unit or a point was missed."""

import math
from collections.abc import Iterable

SLIPS = (10, 100, 1000, 1_000_000)  # a point, or litres, millilitres and thousands of them
PRICE_APART = 5.0  # no supplier's price moves so far at once; our choice


def beyond(known: Iterable[tuple[int, int]], least: int) -> int:
    """
    Say the most that is plausible.

    Parameters
    ----------
    known : iterable of (int, int)
        Quantities that are known, and how many times each may be met.
    least : int
        Nothing up to this is ever too much.
    """
    return max([least, *(quantity * times for quantity, times in known)])


def slipped(quantity: int, near: int, most: int) -> list[int]:
    """
    Give what may have been meant instead of a quantity, the nearest to what is known first.

    Parameters
    ----------
    quantity : int
        As given, above the most that is plausible.
    near : int
        What is known; 0 where nothing is.
    most : int
        The most that is plausible.

    Examples
    --------
    >>> slipped(20_000_000, 19_000, 190_000)
    [20000, 20]
    """
    found = [quantity // slip for slip in SLIPS if quantity % slip == 0]
    fitting = [one for one in found if 0 < one <= most]
    return sorted(fitting, key=lambda one: abs(math.log(one / near)) if near > 0 else -one)


def apart(price: float, other: float, most: float = PRICE_APART) -> bool:
    """Say whether two prices of the same are too far apart; a price of nothing is not judged."""
    return price > 0 and other > 0 and not 1 / most <= price / other <= most
