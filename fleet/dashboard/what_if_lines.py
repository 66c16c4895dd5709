"""How answers to "what if" read: measures in words and units, tables, charts."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.conf import settings

from fleet.dashboard.chart_frame import figure
from fleet.dashboard.words import grouped, short_day
from fleet.stores.money import from_minor
from fleet.stores.money import words as money
from fleet.tables import Cell
from fleet.whatif.models import WhatIf

SHOWN = ("work_h", "late_h", "overdue_d", "visits", "services", "work_cost_minor")
NAMES = {
    "work_h": ("Workshop time", "h"),
    "late_h": ("Late work", "h"),
    "overdue_d": ("Days of services beyond their due date, from today on", "days"),
    "visits": ("Visits", "visits"),
    "services": ("Services done, rounds among them", "services"),
    "work_cost_minor": ("Parts and labour", ""),
    "planning_cost_minor": ("Visits and lateness at the plan's prices", ""),
}
COUNTED = ("overdue_d", "visits", "services")  # their names say what is counted
HEADINGS = ("What", "Unit", "From", "Until", "Today", "Changed", "Difference", "Low", "High")
FINE = 100.0  # figures below it are shown with a tenth
Figures = dict[str, float]


@dataclass(frozen=True)
class Line:
    """One row of a table, in words: a month, a depot, an item."""

    name: str
    today: str
    changed: str
    difference: str
    spread: str  # where it is not the same in every future

    @property
    def differs(self) -> bool:
        return self.difference != "0" or bool(self.spread)


def unit_of(name: str) -> str:
    """The unit of a measure, of money its code."""
    return NAMES[name][1] or settings.CURRENCY


def heading_of(name: str) -> str:
    """A measure with its unit, of what its name counts without."""
    return NAMES[name][0] + ("" if name in COUNTED else f" [{unit_of(name)}]")


def in_unit(name: str, figure: float) -> float:
    """A figure as it is shown: money in whole units of the currency."""
    return from_minor(round(figure)) if name.endswith("_minor") else figure


def amount(figure: float, *, signed: bool = False) -> str:
    """A figure with as many digits as matter; a real minus sign before one that is below."""
    plain = f"{abs(figure):.1f}" if abs(figure) < FINE else grouped(round(abs(figure)))
    if float(f"{figure:.1f}") == 0:
        return "0"
    sign = "\N{MINUS SIGN}" if figure < 0 else "+" if signed else ""
    return sign + plain.removesuffix(".0")


def line(name: str, measure: str, figures: Figures) -> Line:
    """One row from the figures of a month, a depot or a year."""
    shown = {key: in_unit(measure, value) for key, value in figures.items()}
    low, high = (amount(shown[one], signed=True) for one in ("low", "high"))
    return Line(
        name,
        amount(shown["today"]),
        amount(shown["changed"]),
        amount(shown["difference"], signed=True),
        "" if low == high else f"{low} to {high}",
    )


def month_names(result: dict[str, Any]) -> list[str]:
    """Months as 'Dec 2026'; the first and the last with the days that are in it."""
    names = []
    for one in result["months"]:
        begin, last = (date.fromisoformat(one[key]) for key in ("begin_on", "last_on"))
        whole = begin.day == 1 and (last.toordinal() + 1 - begin.toordinal()) >= 28
        part = "" if whole else f", {begin.day} to {last.day}"
        names.append(f"{begin:%b %Y}{part}")
    return names


def month_lines(result: dict[str, Any], measure: str) -> list[Line]:
    """The months of a measure, and the year."""
    found = result["measures"][measure]
    pairs = zip(month_names(result), found["months"], strict=True)
    lines = [line(name, measure, figures) for name, figures in pairs]
    return [*lines, line("12 months", measure, found["total"])]


def totals(result: dict[str, Any]) -> list[Line]:
    """The year of each measure."""
    return [
        line(heading_of(name), name, found["total"]) for name, found in result["measures"].items()
    ]


def depot_lines(result: dict[str, Any], measure: str) -> list[Line]:
    """The year of each depot."""
    return [line(one["name"], measure, one[measure]) for one in result["depots"]]


def item_lines(result: dict[str, Any]) -> list[Line]:
    """What stores would use in the year, what differs most for its size first."""

    def size(one: dict[str, Any]) -> tuple[float, str]:
        total = one["total"]
        most = max(total["today"], total["changed"])
        return -abs(total["difference"]) / most, one["name"]

    return [
        line(f"{one['name']} [{one['unit']}]", "items", one["total"])
        for one in sorted(result["items"], key=size)
    ]


@dataclass(frozen=True)
class PlanLine:
    """The plan of a depot's next eight weeks in both arms, in words."""

    depot: str
    cost: tuple[str, str]
    visits: tuple[int, int]
    left_out: tuple[int, int]


def plan_lines(result: dict[str, Any]) -> list[PlanLine]:
    """Plans by depot."""
    names = {one["depot"]: one["name"] for one in result["depots"]}
    return [
        PlanLine(
            names[one["depot"]],
            (money(one["today"]["cost"]), money(one["changed"]["cost"])),
            (one["today"]["visits"], one["changed"]["visits"]),
            (one["today"]["left_out"], one["changed"]["left_out"]),
        )
        for one in result["plans"]
    ]


def late_before(result: dict[str, Any]) -> tuple[str, str] | None:
    """What was late before the first day comes to in both arms; None: an answer from before it was
    told apart."""
    plans = result["plans"]
    if not plans or "before" not in plans[0]["today"]:
        return None
    today, changed = (sum(one[arm]["before"] for one in plans) for arm in ("today", "changed"))
    return money(today), money(changed)


def change_rows(asked: WhatIf) -> list[dict[str, Any]]:
    """The changes as they were asked, their days as dates."""
    return [
        {**one, "from": date.fromisoformat(one["from"]) if one["from"] else None}
        for one in asked.changes
    ]


@dataclass(frozen=True)
class AskedLine:
    """A question in the list, with the year's differences beside those of the others."""

    asked: WhatIf
    cells: Sequence[tuple[str, str]]  # heading, difference


COMPARED = ("work_h", "late_h", "overdue_d", "visits", "work_cost_minor")
COMPARED_HEADINGS = [heading_of(name) for name in COMPARED]


def asked_lines(found: Sequence[WhatIf]) -> list[AskedLine]:
    """Questions with what they came to, so that they can be compared."""
    return [
        AskedLine(one, list(zip(COMPARED_HEADINGS, _differences(one), strict=True)))
        for one in found
    ]


def _differences(asked: WhatIf) -> list[str]:
    if asked.state != WhatIf.State.DONE:
        return [""] * len(COMPARED)
    found = asked.result["measures"]
    return [line("", name, found[name]["total"]).difference for name in COMPARED]


def cells(result: dict[str, Any]) -> list[list[Cell]]:
    """Every figure, as rows of a file."""
    rows: list[list[Cell]] = []
    for name, found in result["measures"].items():
        rows += _rows(NAMES[name][0], unit_of(name), name, found, result)
    for one in result["items"]:
        rows += _rows(one["name"], one["unit"], "items", one, result)
    return rows


def _rows(
    what: str, unit: str, measure: str, found: dict[str, Any], result: dict[str, Any]
) -> list[list[Cell]]:
    spans = [
        *((one["begin_on"], one["last_on"]) for one in result["months"]),
        (result["first_on"], result["last_on"]),
    ]
    keys = ("today", "changed", "difference", "low", "high")
    return [
        [what, unit, *map(date.fromisoformat, span), *(in_unit(measure, one[key]) for key in keys)]
        for span, one in zip(spans, [*found["months"], found["total"]], strict=True)
    ]


# --- charts ---------------------------------------------------------------------------------
def difference_chart(result: dict[str, Any], measure: str) -> Any:
    """The difference of each month, with the ends of four in five futures."""
    months = result["measures"][measure]["months"]
    shown = [{key: in_unit(measure, value) for key, value in one.items()} for one in months]
    shade = "var(--chart-accepted)"
    trace = {
        "x": _short_months(result),
        "y": [one["difference"] for one in shown],
        "mode": "markers",
        "name": "difference, with four futures in five",
        "marker": {"symbol": "circle", "size": 7, "color": shade},
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": [max(0.0, one["high"] - one["difference"]) for one in shown],
            "arrayminus": [max(0.0, one["difference"] - one["low"]) for one in shown],
            "color": shade,
            "thickness": 2,
            "width": 8,
        },
        "text": [
            f"{amount(one['low'], signed=True)} to {amount(one['high'], signed=True)}"
            for one in shown
        ],
        "hovertemplate": "%{x}: %{y:+.1f} " + unit_of(measure) + " (%{text})<extra></extra>",
    }
    return _by_month([trace], f"difference [{unit_of(measure)}]", {"zeroline": True})


def both_chart(result: dict[str, Any], measure: str) -> Any:
    """Each month as it is today, hollow, and as it would be, filled."""
    months = result["measures"][measure]["months"]
    unit = unit_of(measure)
    traces = [
        {
            "x": _short_months(result),
            "y": [in_unit(measure, one[key]) for one in months],
            "mode": "lines+markers",
            "name": words,
            "line": {"width": 2, "dash": dash, "color": f"var(--chart-{colour})"},
            "marker": {"symbol": symbol, "size": 9, "color": f"var(--chart-{colour})"},
            "hovertemplate": f"%{{x}}: %{{y:.1f}} {unit}<extra>{words}</extra>",
        }
        for key, words, symbol, colour, dash in (
            ("today", "as it is", "circle-open", "expected", "dot"),
            ("changed", "changed", "diamond", "held", "solid"),
        )
    ]
    return _by_month(traces, f"{NAMES[measure][0].lower()} [{unit}]", {"rangemode": "tozero"})


def _short_months(result: dict[str, Any]) -> list[str]:
    begins = [date.fromisoformat(one["begin_on"]) for one in result["months"]]
    return [short_day(begin) if begin.day > 1 else f"{begin:%b %Y}" for begin in begins]


def _by_month(traces: Sequence[dict[str, Any]], title: str, zero: Mapping[str, Any]) -> Any:
    yaxis = {"title": {"text": title, "standoff": 4}, "zerolinecolor": "var(--chart-edge)", **zero}
    return figure(traces, yaxis, {"type": "category"})


def in_words(result: dict[str, Any], measure: str) -> str:
    """The charts for who does not see them."""
    names = month_names(result)
    months = result["measures"][measure]["months"]
    parts = [
        f"{name} {amount(in_unit(measure, one['difference']), signed=True)}"
        for name, one in zip(names, months, strict=True)
    ]
    return f"{NAMES[measure][0]}, difference in {unit_of(measure)}: {', '.join(parts)}."
