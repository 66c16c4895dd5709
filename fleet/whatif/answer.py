"""The answer to a question in a sentence or two, from what both arms found."""

from collections.abc import Sequence
from typing import Any

from django.conf import settings

from fleet.stores.money import from_minor

MONTHS = 12
LEAST_H = 0.05  # a month; less than three minutes is not told; our choice
LATE_H = 0.5  # a month; where less late work was not what was asked for, it stays in the table
LEAST_VISITS, LEAST_OVERDUE_D = 1, 20  # in the 12 months; our choice
LEAST_PLAN_MINOR = 10_000  # in the eight weeks; our choice
CAPACITY = ("mechanic", "minutes", "bay", "opening")


def answer(result: dict[str, Any], changes: Sequence[dict[str, str]]) -> str:
    """What the changes do, the figure that was most likely asked for first."""
    if _is_same(result):
        return "Nothing changes: every figure of the 12 months is what it is today."
    parts = [part for part in _parts(result) if part]
    if all(one["what"] in CAPACITY for one in changes):
        late = _late(result, LEAST_H)
        parts = [late or "next to no late work goes away", _overdue(result), _work(result)]
        parts = [part for part in parts if part]
    told = [_sentence(parts)] if parts else ["Hardly anything changes in the 12 months."]
    told += [one for one in [_plans(result)] if one]
    wages = result.get("wages_minor")
    if wages:
        way = "more" if wages > 0 else "less"
        told.append(f"About {_rounded(wages)} {way} a month for wages is not counted here.")
    return " ".join(told)


def _is_same(result: dict[str, Any]) -> bool:
    found = [*result["measures"].values(), *result["items"]]
    figures = [one for each in found for one in each["months"]]
    plans = all(one["today"] == one["changed"] for one in result["plans"])
    return plans and all(one["low"] == one["high"] == one["difference"] == 0 for one in figures)


def _parts(result: dict[str, Any]) -> list[str]:
    late = _late(result, LATE_H)
    visits = _more_or_fewer(result, "visits", LEAST_VISITS, "visits in the 12 months")
    return [_work(result), _cost(result), visits, late, _overdue(result)]


def _sentence(parts: list[str]) -> str:
    said = "; ".join(parts)
    return f"{said[0].upper()}{said[1:]}."


def _per_month(result: dict[str, Any], name: str, least: float = LEAST_H) -> str:
    """So many hours a month more or less, and between which ends; empty for next to none."""
    total = result["measures"][name]["total"]
    mean, low, high = (total[one] / MONTHS for one in ("difference", "low", "high"))
    if abs(mean) < least:
        return ""
    way = "more" if mean > 0 else "less"
    ends = [_h(one) for one in sorted((abs(low), abs(high)))]
    spread = f" ({ends[0]} to {ends[1]} in four of five futures)" if ends[0] != ends[1] else ""
    if low * high < 0:
        spread = " (though in some futures it is the other way round)"
    return f"about {_h(abs(mean))} h a month {way}{{}}{spread}"


def _h(figure: float) -> str:
    return f"{figure:,.0f}" if figure >= 10 else f"{figure:.1f}"


def _work(result: dict[str, Any]) -> str:
    return _per_month(result, "work_h").format(" work")


def _late(result: dict[str, Any], least: float) -> str:
    return _per_month(result, "late_h", least).format(" late work")


def _cost(result: dict[str, Any]) -> str:
    minor = result["measures"]["work_cost_minor"]["total"]["difference"] / MONTHS
    if abs(minor) < 100:
        return ""
    way = "more" if minor > 0 else "less"
    return f"about {_rounded(minor)} a month {way} for parts and labour"


def _plans(result: dict[str, Any]) -> str:
    """What the plans count more or less, and that this is another sum than parts and labour."""
    arms = [(one["today"], one["changed"]) for one in result["plans"]]
    minor = sum(changed["cost"] - today["cost"] for today, changed in arms)
    if abs(minor) < LEAST_PLAN_MINOR:
        return ""
    out = sum(changed["left_out"] - today["left_out"] for today, changed in arms)
    way = "more" if out > 0 else "fewer"
    left = f", with {abs(out)} service{'s' * (abs(out) != 1)} {way} left out" if out else ""
    return (
        f"The plan of the next eight weeks counts about {_rounded(minor)} "
        f"{'more' if minor > 0 else 'less'}{left}: that is visits, days late from its first day on "
        "and paid life thrown away, at the prices set for planning; parts and labour are not in it."
    )


def _rounded(minor: float) -> str:
    """Money without its small change."""
    return f"{round(from_minor(round(abs(minor)))):,} {settings.CURRENCY}"


def _overdue(result: dict[str, Any]) -> str:
    what = "days on which a service is overdue in the 12 months"
    return _more_or_fewer(result, "overdue_d", LEAST_OVERDUE_D, what)


def _more_or_fewer(result: dict[str, Any], measure: str, least: float, what: str) -> str:
    number = result["measures"][measure]["total"]["difference"]
    if abs(number) < least:
        return ""
    return f"about {abs(number):,.0f} {'more' if number > 0 else 'fewer'} {what}"
