"""Both arms side by side, month by month: what is as today, what is changed, and the difference.

Both arms follow the same 99 futures, so the difference is taken future by future; its ends are
those between which four in five of these differences lie.
"""

from datetime import date, timedelta
from typing import Any

import numpy as np

from fleet.calc.arrays import Array
from fleet.stores.models import Item
from fleet.vehicles.models import Depot
from fleet.whatif.year import Year, months_of

ENDS = (0.1, 0.9)
DECIMALS = 4
MINUTES = 60.0
LITRE_ML = 1_000.0
# key → the figures it is the sum of, and how many of these are one of its own
MEASURES: dict[str, tuple[tuple[str, ...], float]] = {
    "work_h": (("work_min",), MINUTES),
    "late_h": (("late_min",), MINUTES),
    "overdue_d": (("overdue_d",), 1.0),
    "visits": (("visits",), 1.0),
    "services": (("services",), 1.0),
    "work_cost_minor": (("labour_minor", "materials_minor"), 1.0),
    "planning_cost_minor": (("visits_minor", "late_minor"), 1.0),
}
Figures = dict[str, float]


def compare(today: Year, changed: Year, depots: list[Depot]) -> dict[str, Any]:
    """What both arms found, as it is kept and shown; every figure is a mean over the futures."""
    _, begins = months_of(today.first_on, today.days)
    return {
        "first_on": today.first_on.isoformat(),
        "last_on": (today.first_on + timedelta(days=today.days - 1)).isoformat(),
        "months": _months(begins, today.first_on + timedelta(days=today.days)),
        "measures": {
            name: _measure(_sum(today, of) / one, _sum(changed, of) / one)
            for name, (of, one) in MEASURES.items()
        },
        "depots": [
            {"depot": depot.slug, "name": depot.name}
            | {
                name: _figures(*(_sum(arm, of)[row].sum(axis=0) / one for arm in (today, changed)))
                for name, (of, one) in MEASURES.items()
            }
            for row, depot in enumerate(depots)
        ],
        "items": _items(today, changed),
        "plans": [
            {"depot": one["depot"], "today": one, "changed": other}
            for one, other in zip(today.plans, changed.plans, strict=True)
        ],
        "wages_minor": None,
        "notes": list(dict.fromkeys([*changed.notes, *today.notes])),
    }


def _months(begins: list[date], end_on: date) -> list[dict[str, str]]:
    lasts = [one - timedelta(days=1) for one in [*begins[1:], end_on]]
    return [
        {"begin_on": begin.isoformat(), "last_on": last.isoformat()}
        for begin, last in zip(begins, lasts, strict=True)
    ]


def _sum(year: Year, of: tuple[str, ...]) -> Array:
    return np.asarray(sum(year.figures[name] for name in of))


def _measure(today: Array, changed: Array) -> dict[str, Any]:
    """By month and in all, of (d, stretches, futures)."""
    one, other = today.sum(axis=0), changed.sum(axis=0)
    return {
        "months": [_figures(*pair) for pair in zip(one, other, strict=True)],
        "total": _figures(one.sum(axis=0), other.sum(axis=0)),
    }


def _figures(today: Array, changed: Array) -> Figures:
    """Means of one sum in both arms, and of its difference with the ends, over the futures."""
    difference = changed - today
    low, high = np.quantile(difference, ENDS)
    means = (today.mean(), changed.mean(), difference.mean(), low, high)
    names = ("today", "changed", "difference", "low", "high")
    return {
        name: round(float(figure), DECIMALS) + 0.0  # and never minus nothing
        for name, figure in zip(names, means, strict=True)
    }


def _items(today: Year, changed: Year) -> list[dict[str, Any]]:
    """Items that either arm uses, those that differ most for their size first."""
    used = sorted({*today.items, *changed.items})
    nothing = np.zeros_like(today.figures["visits"])
    found = []
    for item in Item.objects.filter(pk__in=used).order_by("name"):
        one = LITRE_ML if item.unit == Item.Unit.ML else 1.0
        arms = (arm.items.get(item.pk, nothing) / one for arm in (today, changed))
        measure = _measure(*arms)
        if measure["total"]["today"] or measure["total"]["changed"]:
            unit = "L" if item.unit == Item.Unit.ML else "pieces"
            found.append({"item": item.slug, "name": item.name, "unit": unit, **measure})
    return found
