"""Charts of a field trial: ratings by fluid age, the comparison, power, cost and the laboratory."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.conf import settings

from fleet.dashboard.chart_frame import figure
from fleet.dashboard.words import km
from fleet.stores.money import digits

SYMBOLS = {"usual": ("circle", "accepted"), "tried": ("diamond", "limit")}
SPREAD = 0.28  # of a grade, so that equal ratings do not hide each other: our choice
REACH = 1.5  # of the break-even interval shown: our choice
POINTS = 60


@dataclass(frozen=True)
class RatingDot:
    side: str
    age_km: float
    value: int
    vehicle: str


def run_in(dots: Sequence[RatingDot], names: dict[str, str], run_in_km: float) -> Any:
    """Every rating by fluid age; what lies inside the run-in period is behind a shade."""
    traces = []
    for side, (symbol, colour) in SYMBOLS.items():
        own = [dot for dot in dots if dot.side == side]
        lift = 0.12 if side == "tried" else -0.12
        traces.append(
            {
                "x": [dot.age_km for dot in own],
                "y": [dot.value + lift + _spread(at) for at, dot in enumerate(own)],
                "text": [f"{dot.vehicle}: {dot.value}" for dot in own],
                "mode": "markers",
                "name": names[side],
                "cliponaxis": False,
                "marker": _marker(symbol, colour, 7),
                "hovertemplate": "%{text}, %{x:,.0f} km<extra></extra>",
            }
        )
    axis = {"title": _title("fluid age [km]"), "rangemode": "tozero", "tickformat": ",.0f"}
    grades = {"title": _title("rating"), "range": [0.5, 5.5], "tickvals": [1, 2, 3, 4, 5]}
    return figure(traces, grades, axis, **_shade(run_in_km))


def _spread(at: int) -> float:
    """A small shift that depends on nothing but the place in the list."""
    return SPREAD * ((at * 0.618034) % 1 - 0.5)


def _shade(until_km: float) -> dict[str, Any]:
    shape = {
        "type": "rect",
        "xref": "x",
        "yref": "paper",
        "x0": 0,
        "x1": until_km,
        "y0": 0,
        "y1": 1,
        "fillcolor": "var(--chart-band)",
        "line": {"width": 0},
        "layer": "below",
    }
    return {"shapes": [shape]}


def equal_age(bands: Sequence[dict[str, Any]], names: dict[str, str]) -> Any:
    """Mean rating of both groups in each band of fluid age."""
    labels = [f"{band['from_km'] / 1_000:.0f} to {band['to_km'] / 1_000:.0f}" for band in bands]
    traces = []
    for side, (symbol, colour) in SYMBOLS.items():
        symbols = [symbol if band["compared"] else f"{symbol}-open" for band in bands]
        traces.append(
            {
                "x": labels,
                "y": [band[side]["mean"] for band in bands],
                "text": [f"{band[side]['vehicles']} vehicles" for band in bands],
                "mode": "lines+markers",
                "name": names[side],
                "cliponaxis": False,
                "marker": {**_marker(symbol, colour, 11), "symbol": symbols},
                "line": {"width": 1.5, "color": f"var(--chart-{colour})"},
                "hovertemplate": "%{x} thousand km: %{y:.2f}, %{text}<extra></extra>",
            }
        )
    axis = {"title": _title("fluid age [1,000 km]"), "type": "category", "tickangle": 0}
    return figure(traces, {"title": _title("mean rating"), "range": [1, 5]}, axis)


def interval(difference: float, low: float, high: float) -> Any:
    """The difference with its 95 % interval, and the line of no difference."""
    bar = {
        "x": [low, high],
        "y": [0, 0],
        "mode": "lines",
        "name": "95 % interval",
        "line": {"width": 6, "color": "var(--chart-edge)"},
        "hoverinfo": "skip",
    }
    point = {
        "x": [difference],
        "y": [0],
        "mode": "markers",
        "name": "difference",
        "marker": _marker("diamond", "limit", 14),
        "hovertemplate": "%{x:+.2f}<extra></extra>",
    }
    zero = {**_line([0, 0], [-1, 1], "expected", "dot"), "name": "no difference"}
    reach = max(1.0, abs(low), abs(high)) * 1.1
    axis = {"title": _title("tried less usual, in grades"), "range": [-reach, reach]}
    hidden = {"visible": False, "range": [-1, 1]}
    return figure([zero, bar, point], hidden, axis)


def power(curve: Sequence[tuple[int, float]], wanted: float, now: int) -> Any:
    """Chance of showing the smallest difference that matters, by vehicles per group."""
    counts, shares = [one[0] for one in curve], [one[1] for one in curve]
    line = {
        "x": counts,
        "y": shares,
        "mode": "lines+markers",
        "name": "chance to show it",
        "marker": _marker("circle", "accepted", 7),
        "line": {"width": 1.5, "color": "var(--chart-accepted)"},
        "hovertemplate": "%{x} per group: %{y:.0%}<extra></extra>",
    }
    level = {**_line([min(counts), max(counts)], [wanted] * 2, "expected", "dot"), "name": "wanted"}
    here = {**_line([now, now], [0, 1], "limit", "dash"), "name": "compared now"}
    axis = {"title": _title("vehicles per group")}
    return figure([level, here, line], {"range": [0, 1.02], "tickformat": ".0%"}, axis)


def cost(costs: dict[str, Any], names: dict[str, str]) -> Any:
    """Cost per 1,000 km of the tried product by its interval, against the usual one."""
    even_km, usual_km = costs["break_even_km"], costs["usual_interval_km"]
    last_km = REACH * max(even_km, usual_km, costs["break_even_fluid_only_km"] or 0)
    grid = [usual_km / 2 + (last_km - usual_km / 2) * at / POINTS for at in range(POINTS + 1)]
    whole = 10 ** digits()  # minor units in one of the currency
    per = [costs["tried_minor"] * 1_000 / whole / at_km for at_km in grid]
    tried = {
        "x": grid,
        "y": per,
        "mode": "lines",
        "name": f"{names['tried']}, by its interval",
        "line": {"width": 2, "color": "var(--chart-limit)"},
        "hovertemplate": "%{x:,.0f} km: %{y:.2f}<extra></extra>",
    }
    level = costs["usual_per_1000_km"] / whole
    usual = {
        **_line([grid[0], grid[-1]], [level] * 2, "accepted", "dash"),
        "name": f"{names['usual']}, changed every {km(usual_km)}",
    }
    even = {
        "x": [even_km],
        "y": [level],
        "mode": "markers",
        "name": f"break-even {km(even_km)}",
        "marker": _marker("x", "rejected", 11),
        "hovertemplate": "%{x:,.0f} km<extra>break-even</extra>",
    }
    axis = {"title": _title("interval [km]"), "tickformat": ",.0f"}
    money = {
        "title": _title(f"{settings.CURRENCY} per 1,000 km"),
        "rangemode": "tozero",
        "tickformat": ",.2f",
    }
    return figure([usual, tried, even], money, axis)


def lab(one: dict[str, Any], names: dict[str, str]) -> Any:
    """Samples of one property by fluid age, with its limits."""
    traces = []
    reached = [point[0] for side in SYMBOLS for point in one[side]["points"]]
    for side, (symbol, colour) in SYMBOLS.items():
        points = one[side]["points"]
        traces.append(
            {
                "x": [point[0] for point in points],
                "y": [point[1] for point in points],
                "mode": "markers",
                "name": names[side],
                "cliponaxis": False,
                "marker": _marker(symbol, colour, 8),
                "hovertemplate": "%{x:,.0f} km: %{y:g}<extra></extra>",
            }
        )
    for end in ("low", "high"):
        if one[end] is not None:
            line = _line([0, max([*reached, 1])], [one[end]] * 2, "rejected", "dot")
            traces.append({**line, "name": f"limit {one[end]:g}"})
    axis = {"title": _title("fluid age [km]"), "rangemode": "tozero", "tickformat": ",.0f"}
    return figure(traces, {"title": _title(one["unit"])}, axis)


def _marker(symbol: str, colour: str, size: int) -> dict[str, Any]:
    shade = f"var(--chart-{colour})"
    return {"symbol": symbol, "size": size, "color": shade, "line": {"width": 1.5, "color": shade}}


def _line(x: list[Any], y: list[Any], colour: str, dash: str) -> dict[str, Any]:
    line = {"width": 1.5, "dash": dash, "color": f"var(--chart-{colour})"}
    return {"x": x, "y": y, "mode": "lines", "line": line, "hoverinfo": "skip"}


def _title(text: str) -> dict[str, Any]:
    return {"text": text, "standoff": 6, "font": {"size": 13}}
