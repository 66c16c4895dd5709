"""How much to keep and to order: demand above a level, the best level, order points, whole packs.

Formulas as in L. V. Snyder and Z.-J. M. Shen, *Fundamentals of Supply Chain Theory* (2nd ed. 2019),
chapters 4 and 5. Whole packs are those of `fleet.calc.packs`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from fleet.calc.packs import packs_for, packs_within

FloatArray = NDArray[np.float64]


def standard_loss(z: float) -> float:
    """Give the expected excess of a standard normal variable over z."""
    density = math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    return float(density - z * ndtr(-z))


def normal_loss(level: float, mean: float, sd: float) -> float:
    """Give the expected demand above a level, demand being normal; same unit."""
    return sd * standard_loss((level - mean) / sd)


def expected_shortage(pmf: ArrayLike, level: int) -> float:
    """Give the expected demand above a level; ``pmf[i]`` is the probability of a demand of i."""
    chance = np.asarray(pmf, np.float64)
    above: FloatArray = np.maximum(np.arange(len(chance)) - float(level), 0.0)
    return float(chance @ above)


def level_cost(pmf: ArrayLike, level: int, holding: float, shortage: float) -> float:
    """Give the expected cost of one period that begins with a level in stock."""
    chance = np.asarray(pmf, np.float64)
    short = expected_shortage(chance, level)
    left = level - float(chance @ np.arange(len(chance))) + short
    return holding * left + shortage * short


def best_level(pmf: ArrayLike, holding: float, shortage: float) -> int:
    """Cheapest whole level for one period: the critical-ratio quantile (the newsvendor's)."""
    ratio = shortage / (shortage + holding)
    return int(np.argmax(np.cumsum(np.asarray(pmf, np.float64)) >= ratio - 1e-12))


def best_normal_level(
    mean: float, sd: float, holding: float, shortage: float
) -> tuple[float, float]:
    """Cheapest level and its cost for one period of normal demand."""
    level = mean + sd * float(ndtri(shortage / (shortage + holding)))
    short = normal_loss(level, mean, sd)
    return level, holding * (level - mean + short) + shortage * short


def safety_stock(
    service: float, lead_d: float, per_d: float, sd_per_d: float, lead_sd_d: float = 0.0
) -> float:
    """
    Stock kept against a normal demand and an uncertain lead time.

    Parameters
    ----------
    service : float
        Probability that the stock lasts until the delivery.
    lead_d, lead_sd_d : float
        Mean and spread of the lead time [d].
    per_d, sd_per_d : float
        Mean and spread of a day's demand.
    """
    var = lead_d * sd_per_d**2 + (per_d * lead_sd_d) ** 2
    return float(ndtri(service) * math.sqrt(var))


@dataclass(frozen=True)
class OrderPoint:
    """Order a quantity whenever stock and open orders together have fallen to a point."""

    point: float
    quantity: float
    cost: float  # per unit of time


def best_order_point(
    pmf: ArrayLike, per_time: float, holding: float, shortage: float, per_order: float
) -> OrderPoint:
    """
    Cheapest order point and quantity in whole units (A. Federgruen and Y.-S. Zheng, 1992).

    Parameters
    ----------
    pmf : array_like
        Of the demand during the lead time.
    per_time : float
        Mean demand per unit of time.
    holding, shortage : float
        Per unit and unit of time.
    per_order : float
        Cost of an order.
    """
    cost = [
        level_cost(pmf, level, holding, shortage) for level in range(2 * len(np.atleast_1d(pmf)))
    ]
    low = high = int(np.argmin(cost))
    total = per_order * per_time + cost[low]
    best = total
    while True:
        below = cost[low - 1] if low > 0 else _never_held(pmf, low - 1, shortage)
        cheaper_below = below <= cost[high + 1]
        added = below if cheaper_below else cost[high + 1]
        quantity = high - low + 1
        if added >= best:
            return OrderPoint(low - 1, quantity, best)
        low, high = (low - 1, high) if cheaper_below else (low, high + 1)
        total += added
        best = total / (quantity + 1)


def _never_held(pmf: ArrayLike, level: int, shortage: float) -> float:
    chance = np.asarray(pmf, np.float64)
    return shortage * (float(chance @ np.arange(len(chance))) - level)


def order_point_by_loss(
    lead_mean: float, lead_sd: float, per_time: float, holding: float, shortage: float, order: float
) -> OrderPoint:
    """
    Order point and quantity of a normal demand, by the expected-inventory-level approximation.

    Parameters
    ----------
    lead_mean, lead_sd : float
        Demand during the lead time.
    per_time : float
        Mean demand per unit of time.
    holding, order : float
        Per unit and unit of time; per order.
    shortage : float
        Per unit short.
    """
    quantity, point = math.sqrt(2 * order * per_time / holding), lead_mean
    for _ in range(200):
        point = lead_mean + lead_sd * float(ndtri(1 - quantity * holding / (shortage * per_time)))
        short = normal_loss(point, lead_mean, lead_sd)
        wanted = math.sqrt(2 * per_time * (order + shortage * short) / holding)
        if abs(wanted - quantity) < 1e-12 * quantity:
            break
        quantity = wanted
    held = point - lead_mean + quantity / 2
    cost = holding * held + (order + shortage * short) * per_time / quantity
    return OrderPoint(point, quantity, cost)


def best_order_up_to(
    pmf: ArrayLike, holding: float, shortage: float, per_order: float
) -> tuple[int, int, float]:
    """
    Order up to S whenever the stock is at or below s, for demand period by period.

    The search of Y.-S. Zheng and A. Federgruen, "Finding optimal (s, S) policies is about as simple
    as evaluating a single policy", Operations Research 39 (1991) 654-665.

    Returns
    -------
    tuple
        s, S and the cost per period.
    """
    chance = np.asarray(pmf, np.float64)
    cost = _LevelCosts(chance, holding, shortage)
    start = best_level(chance, holding, shortage)
    renewal = _renewals(chance, 4 * len(chance))
    low = start - 1
    while cost.of(low, start, per_order, renewal) > cost.period(low):
        low -= 1
    best, up_to = cost.of(low, start, per_order, renewal), start
    top = start + 1
    while cost.period(top) <= best:
        found = cost.of(low, top, per_order, renewal)
        if found < best:
            up_to, best = top, found
            while best <= cost.period(low + 1):
                low += 1
                best = cost.of(low, up_to, per_order, renewal)
        top += 1
    return low, up_to, best


@dataclass(frozen=True)
class _LevelCosts:
    chance: FloatArray
    holding: float
    shortage: float

    def period(self, level: int) -> float:
        if level < 0:
            return _never_held(self.chance, level, self.shortage)
        return level_cost(self.chance, level, self.holding, self.shortage)

    def of(self, low: int, top: int, per_order: float, renewal: FloatArray) -> float:
        """Cost per period of ordering up to ``top`` at ``low`` or below."""
        visits = renewal[: top - low]
        periods = np.array([self.period(top - used) for used in range(top - low)])
        return float((per_order + visits @ periods) / visits.sum())


def _renewals(chance: FloatArray, length: int) -> FloatArray:
    """Give the expected number of periods in which exactly so much has been used since ordering."""
    renewal = np.zeros(length)
    stay = 1.0 / (1.0 - chance[0])
    renewal[0] = stay
    for used in range(1, length):
        back = min(used, len(chance) - 1)
        renewal[used] = stay * float(chance[1 : back + 1] @ renewal[used - 1 :: -1][:back])
    return renewal


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
