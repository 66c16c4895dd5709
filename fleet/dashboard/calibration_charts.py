"""Charts of how often the dates came true."""

from collections.abc import Sequence
from typing import Any

from fleet.dashboard.method_facts import ScoreLine

TARGETS = ((0.8, "80 % of them should"), (0.95, "95 % of them should"))


def coverage(lines: Sequence[ScoreLine]) -> Any:
    """Share of dates inside the 80 % and 95 % bands, by distance, beside what it should be."""
    names = [line.name for line in lines]
    bands = (
        ("inside the 80 % band", "circle", "accepted", [line.coverage_80 for line in lines]),
        ("inside the 95 % band", "diamond", "limit", [line.coverage_95 for line in lines]),
    )
    traces = [
        _points(name, symbol, colour, names, shares) for name, symbol, colour, shares in bands
    ]
    traces += [_level(name, names, share) for share, name in TARGETS]
    return _figure(traces, {"range": [0.5, 1.02], "tickformat": ".0%"})


def skill(lines: Sequence[ScoreLine]) -> Any:
    """How much closer than two plain rules the dates came, by distance."""
    names = [line.name for line in lines]
    rivals = (
        ("against the last 90 days' average", "circle", "accepted",
         [line.skill_last_90 for line in lines]),
        ("against the lifetime average", "diamond", "limit",
         [line.skill_lifetime for line in lines]),
    )  # fmt: skip
    traces = [
        _points(name, symbol, colour, names, values) for name, symbol, colour, values in rivals
    ]
    traces.append(_level("no better than they", names, 0.0))
    return _figure(traces, {"tickformat": ".0%", "zeroline": False})


def pit(bars: Sequence[float]) -> Any:
    """Where in its forecast each outcome fell: level when the bands are neither narrow nor wide."""
    count = len(bars)
    edges = [at / count for at in range(count + 1)]
    steps = {
        "x": edges,
        "y": [*bars, bars[-1]],
        "mode": "lines",
        "line": {"shape": "hv", "width": 2, "color": "var(--chart-accepted)"},
        "fill": "tozeroy",
        "fillcolor": "var(--chart-band)",
        "name": "outcomes",
    }
    even = {**_line([0, 1], [1 / count] * 2), "name": "even"}
    return _figure([steps, even], {"tickformat": ".0%", "rangemode": "tozero"})


def _points(
    name: str, symbol: str, colour: str, names: Sequence[str], values: Sequence[float | None]
) -> dict[str, Any]:
    return {
        "x": list(names),
        "y": list(values),
        "mode": "lines+markers",
        "name": name,
        "marker": {"symbol": symbol, "size": 10, "color": f"var(--chart-{colour})"},
        "line": {"width": 1, "color": f"var(--chart-{colour})"},
        "hovertemplate": "%{x}: %{y:.0%}<extra></extra>",
    }


def _level(name: str, names: Sequence[str], share: float) -> dict[str, Any]:
    return {**_line(list(names), [share] * len(names)), "name": name}


def _line(x: Sequence[Any], y: Sequence[float]) -> dict[str, Any]:
    dotted = {"width": 1.5, "dash": "dot", "color": "var(--chart-expected)"}
    return {"x": list(x), "y": list(y), "mode": "lines", "line": dotted, "hoverinfo": "skip"}


def _figure(traces: Sequence[dict[str, Any]], yaxis: dict[str, Any]) -> Any:
    import plotly.graph_objects as go

    axis = {"gridcolor": "var(--chart-grid)", "zeroline": False, "automargin": True}
    layout = {
        "template": "none",
        "paper_bgcolor": "var(--chart-ground)",
        "plot_bgcolor": "var(--chart-ground)",
        "font": {"color": "var(--chart-ink)", "size": 13},
        "margin": {"l": 56, "r": 16, "t": 12, "b": 40},
        "legend": {"orientation": "h", "yanchor": "bottom", "y": 1.02, "x": 0},
        "xaxis": axis,
        "yaxis": {**axis, **yaxis},
    }
    return go.Figure(data=[go.Scatter(trace) for trace in traces], layout=layout)
