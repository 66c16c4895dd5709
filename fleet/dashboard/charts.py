"""Figures built from dataclasses; colours are names from tokens.css, filled in by the page."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from math import inf
from typing import Any

from fleet.dashboard.words import km

# marker shapes differ as well as colours, so that verdicts are told apart without either
MARKERS = {
    "accepted": ("circle", "var(--chart-accepted)"),
    "held": ("diamond-open", "var(--chart-held)"),
    "rejected": ("x", "var(--chart-rejected)"),
    "not judged": ("square-open", "var(--chart-waiting)"),
}
FAR_SHARE = (
    0.6  # a limit further above what counts than this part of it: told, not drawn; our choice
)
DAY = "%e %b %Y"
TICKS = [{"dtickrange": [None, "M1"], "value": DAY}, {"dtickrange": ["M1", None], "value": "%b %Y"}]
MARGIN_SHARE = 0.04  # of the height, above and below: our choice
NAME_SHARE = 0.07  # of the height that the name of a limit takes: a line of text in 250 pixels
TRACE_TYPES = frozenset({"scatter"})  # the library draws an unknown type as scatter, silently


@dataclass(frozen=True)
class ReadingPoint:
    taken_at: datetime
    shown: float  # total where it counts, else the meter value [km, mi or h]
    verdict: str
    note: str  # as given, for the label under the pointer


@dataclass(frozen=True)
class FanPoint:
    on: date
    p10: float  # total [km, mi or h]
    p50: float
    p90: float


@dataclass(frozen=True)
class LimitLine:
    services: str  # one, or several that share it
    total: float  # [km, mi or h]
    passed: bool


@dataclass(frozen=True)
class Odometer:
    """What the odometer chart of a vehicle shows."""

    vehicle: str
    unit: str  # km, mi or h
    readings: Sequence[ReadingPoint]
    fan: Sequence[FanPoint]
    limits: Sequence[LimitLine]  # lowest first


def odometer(chart: Odometer) -> Any:
    """Readings by verdict, the forecast fan and every limit as a Plotly figure."""
    import plotly.graph_objects as go

    traces = [*_fan(chart), *_readings(chart), *_limits(chart)]
    return go.Figure(data=[go.Scatter(trace) for trace in traces], layout=_layout(chart))


def _fan(chart: Odometer) -> list[dict[str, Any]]:
    if not chart.fan:
        return []
    days = [point.on.isoformat() for point in chart.fan]
    edge = {"width": 1, "color": "var(--chart-edge)"}
    low = {
        "x": days,
        "y": [point.p10 for point in chart.fan],
        "mode": "lines",
        "line": edge,
        "hoverinfo": "skip",
        "showlegend": False,
    }
    high = {
        **low,
        "y": [point.p90 for point in chart.fan],
        "fill": "tonexty",
        "fillcolor": "var(--chart-band)",
        "showlegend": True,
        "name": "likely (4 in 5)",
    }
    middle = {
        "x": days,
        "y": [point.p50 for point in chart.fan],
        "mode": "lines",
        "line": {"width": 2, "dash": "dash", "color": "var(--chart-expected)"},
        "name": "expected",
        "hovertemplate": f"%{{x|{DAY}}}: expected %{{y:,.0f}} {chart.unit}<extra></extra>",
    }
    return [low, high, middle]


def _readings(chart: Odometer) -> list[dict[str, Any]]:
    low, high = shown_range(chart)
    traces: list[dict[str, Any]] = []
    for verdict, (symbol, colour) in MARKERS.items():
        points = [point for point in chart.readings if point.verdict == verdict]
        if points:
            heights = [min(max(point.shown, low), high) for point in points]
            traces.append(_reading_trace(verdict, points, heights, (symbol, colour)))
    return traces


def shown_range(chart: Odometer) -> tuple[float, float]:
    """Heights that the chart shows: what counts, what is to come, and a margin.

    A slip of the decimal point must not flatten everything else, so readings beyond are drawn
    at the edge.
    """
    counting = [point.shown for point in chart.readings if point.verdict == "accepted"]
    counting += [height for point in chart.fan for height in (point.p10, point.p90)]
    counting = counting or [point.shown for point in chart.readings] or [0.0]
    low, high = min(counting), max(counting)
    far = high + FAR_SHARE * (high - low)
    near = [limit.total for limit in chart.limits if limit.total <= far]
    low, high = min([low, *near]), max([high, *near])
    margin = MARGIN_SHARE * (high - low) or 1.0
    return low - margin, high + margin


def _reading_trace(
    verdict: str, points: Sequence[ReadingPoint], heights: list[float], mark: tuple[str, str]
) -> dict[str, Any]:
    symbol, colour = mark
    return {
        "x": [f"{point.taken_at:%Y-%m-%d %H:%M}" for point in points],
        "y": heights,
        "text": [point.note for point in points],
        "mode": "markers",
        "name": verdict,
        "marker": {
            "symbol": symbol,
            "color": colour,
            "size": 7 if verdict == "accepted" else 11,
            "line": {"width": 2, "color": colour},
        },
        "cliponaxis": False,
        "hovertemplate": f"%{{x|{DAY}}}<br>%{{text}}<extra>" + verdict + "</extra>",
    }


def _limits(chart: Odometer) -> list[dict[str, Any]]:
    """One line for each limit that the chart reaches, solid where it is passed."""
    days = [f"{point.taken_at:%Y-%m-%d}" for point in chart.readings]
    days += [point.on.isoformat() for point in chart.fan]
    if not days:
        return []
    return [
        {
            "x": [min(days), max(days)],
            "y": [limit.total] * 2,
            "mode": "lines",
            "line": {
                "width": 1.5,
                "dash": "solid" if limit.passed else "dot",
                "color": "var(--chart-rejected)" if limit.passed else "var(--chart-limit)",
            },
            "name": _limit_words(limit, chart.unit),
            "showlegend": False,
            "hovertemplate": f"{_limit_words(limit, chart.unit)}<extra></extra>",
        }
        for limit in _shown_limits(chart)
    ]


def _shown_limits(chart: Odometer) -> list[LimitLine]:
    low, high = shown_range(chart)
    return [limit for limit in chart.limits if low <= limit.total <= high]


def _limit_words(limit: LimitLine, unit: str) -> str:
    return f"{limit.services} at {_amount(limit.total, unit)}{', passed' if limit.passed else ''}"


def _labels(chart: Odometer) -> list[dict[str, Any]]:
    """The name of each limit at its line; of those beyond the chart in its empty corner."""
    shown = _shown_limits(chart)
    beyond = [_limit_words(one, chart.unit) for one in chart.limits if one not in shown]
    plain = {"xref": "paper", "x": 0, "xanchor": "left", "showarrow": False, "align": "left"}
    groups = _neighbours(shown, chart)
    ends = [(one[0].total, one[-1].total) for one in groups]
    found = [
        {
            **plain,
            "y": ends[at][0 if side == "top" else 1],
            "yanchor": side,
            "text": "<br>".join(_limit_words(one, chart.unit) for one in reversed(group)),
            "font": {"size": 12},
        }
        for at, group in enumerate(groups)
        for side in [_clear_of(ends, at)]
    ]
    if beyond:
        text = "<br>".join(["Further up:", *beyond])
        corner = {"yref": "paper", "x": 1, "xanchor": "right", "y": 0, "yanchor": "bottom"}
        found.append({**plain, **corner, "align": "right", "text": text})
    return found


def _neighbours(limits: Sequence[LimitLine], chart: Odometer) -> list[list[LimitLine]]:
    """Limits, lowest first, together where their names would lie on each other."""
    low, high = shown_range(chart)
    groups: list[list[LimitLine]] = []
    for one in limits:
        if groups and one.total - groups[-1][-1].total < NAME_SHARE * (high - low):
            groups[-1].append(one)
        else:
            groups.append([one])
    return groups


def _clear_of(ends: Sequence[tuple[float, float]], at: int) -> str:
    """Which edge of a name lies at its line: it stands on the side with more room."""
    below = ends[at][0] - ends[at - 1][1] if at else inf
    above = ends[at + 1][0] - ends[at][1] if at + 1 < len(ends) else inf
    return "top" if above < below else "bottom"


def _amount(number: float, unit: str) -> str:
    return km(number) if unit == "km" else f"{number:,.0f} {unit}"


def _layout(chart: Odometer) -> dict[str, Any]:
    axis = {"gridcolor": "var(--chart-grid)", "zeroline": False, "fixedrange": False}
    return {
        "template": "none",
        "paper_bgcolor": "var(--chart-ground)",
        "plot_bgcolor": "var(--chart-ground)",
        "font": {"color": "var(--chart-ink)", "size": 13},
        "margin": {"l": 80, "r": 16, "t": 12, "b": 36},
        "hovermode": "closest",
        "annotations": _labels(chart),
        "legend": {"orientation": "h", "yanchor": "bottom", "y": 1.02, "x": 0},
        "xaxis": {**axis, "type": "date", "hoverformat": DAY, "tickformatstops": TICKS},
        "yaxis": {
            **axis,
            "range": list(shown_range(chart)),
            "automargin": True,
            "tickformat": ",.0f",
            "ticksuffix": f" {chart.unit}",
        },
    }
