"""Whole packs in integers: how many cover a need, what a job draws, what can still be used.

Quantities are millilitres or pieces, money is minor units, both integers: in binary floating point
2.1 / 0.7 rounds up to 4.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

MOST_LOOKED_AT = 200_000  # combinations of packs; past it the best one found so far stands


@dataclass(frozen=True)
class Drawn:
    """What a job takes off the shelf.

    Parameters
    ----------
    used
        What the job needs [mL or pieces].
    discarded
        The rest of its packs, thrown away [mL or pieces].
    """

    used: int
    discarded: int


def packs_for(needed: int, size: int) -> int:
    """Whole packs of one size that cover a need.

    Parameters
    ----------
    needed
        What is needed [mL or pieces]; 0 or less needs none.
    size
        What a pack holds [mL or pieces], above 0.

    Examples
    --------
    >>> packs_for(1500, 1000), packs_for(1500, 946), packs_for(2100, 700)
    (2, 2, 3)
    """
    if size <= 0:
        raise ValueError("a pack holds more than nothing")
    return max(0, -(-needed // size))


def packs_within(wanted: int, size: int, most: int) -> int:
    """Whole packs that cover what is wanted, but never hold more than can be used.

    Parameters
    ----------
    wanted
        What should be bought [mL or pieces].
    size
        What a pack holds [mL or pieces], above 0.
    most
        What can be used before it is too old [mL or pieces].

    Examples
    --------
    >>> packs_within(2500, 1000, 9000), packs_within(2500, 1000, 2900), packs_within(500, 1000, 900)
    (3, 2, 0)
    """
    return min(packs_for(wanted, size), max(0, most) // size)


def drawn(needed: int, sizes: Sequence[int], *, whole_packs: bool) -> Drawn:
    """Say what a job takes: its need, and with whole packs per job the rest of the last pack.

    The packs that leave the least over are opened. Without packs nothing is discarded.

    Parameters
    ----------
    needed
        What the job uses [mL or pieces].
    sizes
        What packs hold [mL or pieces], each above 0.
    whole_packs
        Whether an opened pack is never kept for another job.

    Examples
    --------
    >>> drawn(700, [250, 1000], whole_packs=True)
    Drawn(used=700, discarded=50)
    >>> drawn(700, [1000], whole_packs=False)
    Drawn(used=700, discarded=0)
    """
    if not whole_packs or not sizes or needed <= 0:
        return Drawn(needed, 0)
    counts = _cover(needed, sizes, sizes)
    return Drawn(needed, _total(counts, sizes) - needed)


def share_of_price(quantity: int, price_minor: int, of_quantity: int) -> int:
    """Price a part at the price of the whole, rounded half away from zero [minor units].

    Parameters
    ----------
    quantity
        The part [mL or pieces], signed; the answer has its sign.
    price_minor
        What the whole costs [minor units].
    of_quantity
        The whole [mL or pieces], above 0.

    Examples
    --------
    >>> share_of_price(1500, 1299, 1000), share_of_price(-1, 1, 2)
    (1949, -1)
    """
    size = (2 * abs(quantity) * price_minor + of_quantity) // (2 * of_quantity)
    return size if quantity >= 0 else -size


def _total(counts: Sequence[int], sizes: Sequence[int]) -> int:
    return sum(count * size for count, size in zip(counts, sizes, strict=True))


def _cover(needed: int, sizes: Sequence[int], costs: Sequence[int]) -> tuple[int, ...]:
    """Count packs that cover the need: least cost, then least left over, then fewest packs.

    Branch and bound with the best cost per quantity first. Taking fewer of a pack can only raise
    the bound, because what it leaves is covered at a dearer rate.
    """
    if not sizes or min(sizes) <= 0:
        raise ValueError("packs hold more than nothing, and there is at least one size")
    order = sorted(range(len(sizes)), key=lambda at: (Fraction(costs[at], sizes[at]), -sizes[at]))
    search = _Search([sizes[at] for at in order], [costs[at] for at in order])
    search.descend(0, needed, 0, ())
    counts = [0] * len(sizes)
    for at, count in zip(order, search.counts, strict=False):
        counts[at] = count
    return tuple(counts)


class _Search:
    def __init__(self, sizes: Sequence[int], costs: Sequence[int]) -> None:
        self.sizes, self.costs = sizes, costs
        self.best: tuple[int, int, int] | None = None  # cost, left over, packs
        self.counts: tuple[int, ...] = ()
        self.looked_at = 0

    def descend(self, at: int, left: int, cost: int, counts: tuple[int, ...]) -> None:
        self.looked_at += 1
        if left <= 0 or at == len(self.sizes):
            found = (cost, -left, sum(counts))
            if left <= 0 and (self.best is None or found < self.best):
                self.best, self.counts = found, counts
            return
        for count in range(packs_for(left, self.sizes[at]), -1, -1):
            rest, spent = left - count * self.sizes[at], cost + count * self.costs[at]
            if self._hopeless(at + 1, rest, spent):
                if rest > 0:
                    break
                continue  # one pack fewer costs less, and may still be covered
            self.descend(at + 1, rest, spent, (*counts, count))

    def _hopeless(self, following: int, left: int, cost: int) -> bool:
        if self.best is None:
            return False
        if self.looked_at > MOST_LOOKED_AT:
            return True
        if left > 0 and following < len(self.sizes):
            cost += -(-left * self.costs[following] // self.sizes[following])
        return cost > self.best[0] or (left > 0 and following == len(self.sizes))
