"""Charts of the overview: the work of the weeks ahead, and what is late by service."""

from collections.abc import Sequence
from datetime import date
from statistics import median
from typing import Any

from fleet.dashboard.chart_frame import figure
from fleet.dashboard.words import day, short_day
from fleet.due.periods import Late
from fleet.overview.weeks_shown import Bar, Load, Short
from fleet.tables import Cell

MOST_SERVICES = 12  # with rows of their own, the longest late first; our choice
CARRIED = "late"
FAR_ABOVE = 3.0  # times the work: hours beyond it are told, not drawn; our choice
HEADROOM = 1.15  # above the most work; our choice
MARK_PX = 10  # size of a mark, and how far the name of a service stands from the first


def week_name(on: date) -> str:
    """A week as '49', by the standard's count (ISO 8601)."""
    return f"{on.isocalendar().week}"


def unit_of(services: bool) -> str:
    return "services" if services else "h"


def weeks(load: Load, *, services: bool) -> Any:
    """What is carried over, what falls due in each week with its likely bar, and the hours there
    are."""
    unit = unit_of(services)
    names = [_name(one) for one in load.bars]
    traces = [*_carried(load, unit), _expected(load.bars, names, unit)]
    yaxis: dict[str, Any] = {"rangemode": "tozero"}
    if hours_above(load) is not None:
        yaxis = {"range": [0, HEADROOM * _most_work(load)]}
    elif any(one.capacity is not None for one in load.bars):
        traces.append(_capacity(load.bars, names))
    title = "services" if services else "hours by the book"
    return figure(
        traces,
        {"title": {"text": title, "standoff": 4}, **yaxis},
        {
            "type": "category",
            "categoryorder": "array",
            "categoryarray": [CARRIED, *names],
            "title": {"text": "week", "standoff": 4},
        },
    )


def hours_above(load: Load) -> float | None:
    """The least hours of an open week, where all lie so far above the work that on one scale its
    likely bars could not be seen; else nothing."""
    known = [one.capacity for one in load.bars if one.capacity]
    return min(known) if known and min(known) > FAR_ABOVE * _most_work(load) else None


def _most_work(load: Load) -> float:
    return max(load.overdue + load.probably, *(max(one.high, one.mean) for one in load.bars), 1.0)


def _name(bar: Bar) -> str:
    return week_name(bar.begin_on)


def _carried(load: Load, unit: str) -> list[dict[str, Any]]:
    found = []
    for name, value, symbol, colour in (
        ("overdue", load.overdue, "square", "rejected"),
        ("with probably overdue", load.overdue + load.probably, "square-open", "held"),
    ):
        if value and (name == "overdue" or load.probably):
            mark = _mark(symbol, colour, 12)
            label = f"%{{y:.1f}} {unit} {name}<extra></extra>"
            found.append(
                {"x": [CARRIED], "y": [value], "mode": "markers", "name": name, "marker": mark,
                 "hovertemplate": label}
            )  # fmt: skip
    return found


def _expected(bars: Sequence[Bar], names: Sequence[str], unit: str) -> dict[str, Any]:
    return {
        "x": list(names),
        "y": [one.mean for one in bars],
        "mode": "markers",
        "name": "expected, with four cases in five",
        "marker": _mark("circle", "accepted", 5),  # narrower than the ends of its bar
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": [max(0.0, one.high - one.mean) for one in bars],
            "arrayminus": [max(0.0, one.mean - one.low) for one in bars],
            "color": "var(--chart-accepted)",
            "thickness": 2,
            "width": 8,
        },
        "text": [f"{short_day(one.begin_on)}: {one.low:.0f} to {one.high:.0f}" for one in bars],
        "hovertemplate": f"from %{{text}} {unit}, expected %{{y:.1f}}<extra></extra>",
    }


def _capacity(bars: Sequence[Bar], names: Sequence[str]) -> dict[str, Any]:
    return {
        "x": list(names),
        "y": [one.capacity for one in bars],
        "mode": "lines",
        "name": "hours the workshop has",
        "line": {"shape": "hvh", "width": 2, "dash": "dash", "color": "var(--chart-expected)"},
        "hovertemplate": "%{y:.1f} h there<extra></extra>",
    }


def weeks_finding(load: Load, lacking: Short | None, *, services: bool, unfit: bool) -> str:
    """What the chart shows, in a sentence.

    Parameters
    ----------
    unfit
        Visits do not fit their days: then hours that suffice by the week are no news.
    """
    unit = unit_of(services)
    short = [one for one in load.bars if one.capacity and one.mean >= one.capacity + 1]
    if short:
        one = short[0]
        return (
            f"In week {_name(one)} {one.mean:.0f} h fall due, and the workshop has "
            f"{one.capacity:.0f} h"
        )
    if lacking is not None and not services:
        hours = f"{lacking.hours_h:.0f} h too few in week {week_name(lacking.begin_on)}"
        return f"With what is carried over, {lacking.depot} has {hours}"
    # where no open day is left in a week, its work waits for the next
    open_bars = [one for one in load.bars if one.capacity != 0]
    most = max(open_bars or load.bars, key=lambda one: one.mean)
    known = open_bars and all(one.capacity is not None for one in load.bars)
    enough = known and not services and not unfit
    closed = 0 < len(open_bars) < len(load.bars)
    begins = "Of the weeks with an open day left, most" if closed else "Most"
    said = f"{begins} falls due in week {_name(most)}: {most.mean:.0f} {unit}"
    if round(most.low) < round(most.high):
        said += f", likely {most.low:.0f} to {most.high:.0f}"
    if not enough:
        return said
    return f"{said}; the workshop has hours enough in {'each' if closed else 'every week'}"


def weeks_in_words(load: Load, *, services: bool) -> str:
    """The chart for who does not see it."""
    unit = unit_of(services)
    parts = [f"carried over {load.overdue + load.probably:.0f} {unit}"]
    parts += [f"week {_name(one)} {one.mean:.0f}" for one in load.bars]
    return f"Work of the weeks ahead in {unit}: {', '.join(parts)}."


WEEKS_HEADINGS = ("From", "Before", "Expected", "Low", "High", "Capacity [h]", "Unit")


def weeks_cells(load: Load, *, services: bool) -> list[list[Cell]]:
    unit = unit_of(services)
    late = load.overdue + load.probably
    carried: list[Cell] = [None, load.bars[0].begin_on, round(late, 2), None, None, None, unit]
    return [carried] + [
        [one.begin_on, one.end_on, round(one.mean, 2), round(one.low, 2), round(one.high, 2),
         None if one.capacity is None else round(one.capacity, 2), unit]
        for one in load.bars
    ]  # fmt: skip


# --- late by service -------------------------------------------------------------------------
def late_by_service(found: Sequence[Late]) -> Any:
    """Each late service by its days, a line for each service: filled overdue, hollow probably."""
    names = services_shown(found)
    traces = [
        _late_marks([one for one in found if one.certain and one.service_name in names],
                    "overdue", "circle", "rejected"),
        _late_marks([one for one in found if not one.certain and one.service_name in names],
                    "probably overdue", "circle-open", "held"),
    ]  # fmt: skip
    yaxis = {
        **{"type": "category", "categoryorder": "array", "categoryarray": names[::-1]},
        **{"ticks": "outside", "ticklen": MARK_PX, "tickcolor": "rgba(0, 0, 0, 0)"},
    }
    days = {"title": {"text": "days late", "standoff": 4}, "range": _room(found), "zeroline": False}
    return figure([trace for trace in traces if trace["x"]], yaxis, days)


def _room(found: Sequence[Late]) -> list[float]:
    """From just before none, where a mark of a day or two has room."""
    most = max((one.late_d for one in found), default=1)
    return [-0.03 * most, 1.04 * most]


def services_shown(found: Sequence[Late]) -> list[str]:
    """Names of services, that with the longest late first."""
    return list(dict.fromkeys(one.service_name for one in found))[:MOST_SERVICES]


def _late_marks(found: Sequence[Late], name: str, symbol: str, colour: str) -> dict[str, Any]:
    return {
        "x": [one.late_d for one in found],
        "y": [one.service_name for one in found],
        "text": [f"{one.vehicle}, since {day(one.since_on)}" for one in found],
        "mode": "markers",
        "name": name,
        "marker": _mark(symbol, colour, MARK_PX),
        "cliponaxis": False,
        "hovertemplate": f"%{{text}}: %{{x}} days<extra>{name}</extra>",
    }


def late_finding(found: Sequence[Late]) -> str:
    first = found[0]
    if len(found) == 1:
        return f"{first.vehicle} {first.service_name} is {first.late_d} days late"
    half = median(one.late_d for one in found)
    return (
        f"Half of {len(found)} late services are late by {half:.0f} days or more, "
        f"{first.vehicle} {first.service_name} by {first.late_d}"
    )


def late_in_words(found: Sequence[Late]) -> str:
    """The chart for who does not see it."""
    parts = []
    for name in services_shown(found):
        own = [one.late_d for one in found if one.service_name == name]
        parts.append(f"{name} {len(own)}, the longest by {max(own)} days")
    return f"Late services: {'; '.join(parts)}."


LATE_HEADINGS = ("Vehicle", "Service", "Depot", "Since", "Days late", "State")


def late_cells(found: Sequence[Late]) -> list[list[Cell]]:
    return [
        [one.vehicle, one.service_name, one.depot_name, one.since_on, one.late_d,
         "overdue" if one.certain else "probably overdue"]
        for one in found
    ]  # fmt: skip


def _mark(symbol: str, colour: str, size: int) -> dict[str, Any]:
    shade = f"var(--chart-{colour})"
    return {"symbol": symbol, "size": size, "color": shade, "line": {"width": 2, "color": shade}}
