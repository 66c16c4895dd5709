"""What to order: whole packs that bring what is available up to what is needed."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.calc.packs import packs_for, packs_within


@dataclass(frozen=True)
class Order:
    """What to order now."""

    packs: int
    quantity: int
    capped: bool  # less than wanted, for more would go out of date


def to_order(needed: int, available: int, usable: int | None, pack: int) -> Order:
    """
    Whole packs that bring what is available up to what is needed.

    Parameters
    ----------
    needed : int
        Quantile of the demand over lead time and review period.
    available : int
        On hand and on order; negative where more was used than was booked in.
    usable : int or None
        What will be used before a delivery goes out of date, None where it does not.
    pack : int
        Quantity of a pack.

    Returns
    -------
    Order
        Never more than what is usable.
    """
    wanted = packs_for(needed - available, pack)
    packs = wanted if usable is None else packs_within(needed - available, pack, usable - available)
    return Order(packs, packs * pack, packs < wanted)
