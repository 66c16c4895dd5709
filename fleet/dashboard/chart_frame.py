"""What every chart of pages but the odometer's shares: colours of the page, margins, the legend."""

from collections.abc import Mapping, Sequence
from typing import Any

TEXT = {"color": "var(--chart-ink)", "size": 13}


def figure(
    traces: Sequence[dict[str, Any]],
    yaxis: Mapping[str, Any],
    xaxis: Mapping[str, Any],
    **more: Any,
) -> Any:
    """Traces as a Plotly figure; ``more`` is layout as Plotly names it."""
    import plotly.graph_objects as go

    axis = {"gridcolor": "var(--chart-grid)", "zeroline": False, "automargin": True}
    layout = {
        "template": "none",
        "paper_bgcolor": "var(--chart-ground)",
        "plot_bgcolor": "var(--chart-ground)",
        "font": TEXT,
        "margin": {"l": 48, "r": 20, "t": 12, "b": 40},
        "hovermode": "closest",
        "legend": {"orientation": "h", "yanchor": "bottom", "y": 1.02, "x": 0},
        "xaxis": {**axis, **_named(xaxis)},
        "yaxis": {**axis, **_named(yaxis)},
        **more,
    }
    return go.Figure(data=[go.Scatter(trace) for trace in traces], layout=layout)


def _named(axis: Mapping[str, Any]) -> dict[str, Any]:
    """An axis whose name is no larger than its figures."""
    title = {"font": {"size": TEXT["size"]}, **axis["title"]} if "title" in axis else None
    return {**axis, "title": title} if title else dict(axis)
