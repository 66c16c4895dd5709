"""Charts of how often the dates came true."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from fleet.dashboard.chart_frame import figure
from fleet.dashboard.score_lines import ScoreLine, Twentieth
from fleet.dashboard.words import THIN_SPACE

AHEAD = {
    "title": {"text": "km ahead", "standoff": 4, "font": {"size": 13}},
    "type": "category",
    "tickangle": 0,
}
LEAST_SHOWN = 0.5  # of the coverage axis, unless a share lies below: our choice


@dataclass(frozen=True)
class Series:
    """One line of points, told apart by colour, shape and dash."""

    name: str
    values: Sequence[float | None]
    symbol: str
    colour: str


def coverage(lines: Sequence[ScoreLine]) -> Any:
    """Share of outcomes inside the 80 % and 95 % bands, by distance, beside what it should be."""
    names = _distances(lines)
    in_80, in_95 = [line.coverage_80 for line in lines], [line.coverage_95 for line in lines]
    traces = [
        _level("should be 95 %", names, 0.95, "accepted") | {"showlegend": False},
        _points(names, Series("inside the 95 % band", in_95, "circle", "accepted")),
        _level("should be 80 %", names, 0.8, "limit") | {"showlegend": False},
        _points(names, Series("inside the 80 % band", in_80, "diamond", "limit")),
    ]
    lowest = min([LEAST_SHOWN, *(share for share in in_80 if share is not None)])
    return figure(traces, {"range": [lowest - 0.02, 1.02], "tickformat": ".0%"}, AHEAD)


def skill(lines: Sequence[ScoreLine]) -> Any:
    """How much closer than two plain rules the expected day came, by distance."""
    names = _distances(lines)
    rivals = (
        Series("than the last 90 days", [line.saved_last_90 for line in lines],
               "circle", "accepted"),
        Series("than the lifetime", [line.saved_lifetime for line in lines],
               "diamond-open", "limit"),
    )  # fmt: skip
    traces = [_level("no closer", names, 0.0, "expected")]
    traces += [_points(names, rival) for rival in rivals]
    return figure(traces, {"tickformat": ".0%", "rangemode": "tozero"}, AHEAD)


def pit(cells: Sequence[Twentieth]) -> Any:
    """Where in its forecast each outcome fell: level when the bands are as wide as they should."""
    steps = {
        "x": [*(cell.low for cell in cells), 1.0],
        "y": [*(cell.share for cell in cells), cells[-1].share],
        "mode": "lines",
        "line": {"shape": "hv", "width": 2, "color": "var(--chart-accepted)"},
        "fill": "tozeroy",
        "fillcolor": "var(--chart-band)",
        "name": "outcomes",
        "hovertemplate": "from %{x:.0%}: %{y:.1%}<extra></extra>",
    }
    even = {**_dotted([0, 1], [1 / len(cells)] * 2, "expected"), "name": "as it should be"}
    axis = {"tickvals": [0.1, 0.5, 0.9], "ticktext": ["earliest", "expected", "latest likely"]}
    return figure([steps, even], {"tickformat": ".0%", "rangemode": "tozero"}, axis)


def _distances(lines: Sequence[ScoreLine]) -> list[str]:
    return [line.name.removesuffix(f"{THIN_SPACE}km") for line in lines]


def _points(names: Sequence[str], series: Series) -> dict[str, Any]:
    colour = f"var(--chart-{series.colour})"
    return {
        "x": list(names),
        "y": list(series.values),
        "mode": "lines+markers",
        "name": series.name,
        "cliponaxis": False,
        "marker": {
            "symbol": series.symbol,
            "size": 11,
            "color": colour,
            "line": {"width": 2, "color": colour},
        },
        "line": {"width": 1.5, "color": colour},
        "hovertemplate": "%{x} km: %{y:.0%}<extra>" + series.name + "</extra>",
    }


def _level(name: str, names: Sequence[str], share: float, colour: str) -> dict[str, Any]:
    return {**_dotted(list(names), [share] * len(names), colour), "name": name}


def _dotted(x: Sequence[Any], y: Sequence[float], colour: str) -> dict[str, Any]:
    line = {"width": 1.5, "dash": "dot", "color": f"var(--chart-{colour})"}
    return {"x": list(x), "y": list(y), "mode": "lines", "line": line, "hoverinfo": "skip"}
