"""Marks and figures for the templates."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any
from uuid import uuid4

from django import template
from django.template import Context
from django.urls import reverse

from fleet.dashboard import frame, words
from fleet.dashboard.strip import Scale, Strip, strip
from fleet.due.listing import DueRow
from fleet.due.models import CheckFigure
from fleet.people.models import Person

register = template.Library()


@register.filter
def km(number: float | None) -> str:
    return "" if number is None else words.km(number)


@register.filter
def figure(number: float | None) -> str:
    return "" if number is None else words.grouped(number)


@register.filter
def percent(share: float | None) -> str:
    return "" if share is None else words.percent(share)


@register.filter
def chance(probability: float | None) -> str:
    return "" if probability is None else words.chance(probability)


@register.filter
def day(on: date | None) -> str:
    return "" if on is None else words.day(on)


@register.filter
def span(first: date, last: date) -> str:
    return words.span(first, last)


@register.filter
def weekday(on: date | None) -> str:
    return "" if on is None else words.weekday(on)


@register.filter(expects_localtime=True)
def moment(at: datetime | None) -> str:
    return "" if at is None else words.moment(at)


@register.filter
def ago(days: int) -> str:
    return words.ago(days)


@register.filter
def outcomes(counts: dict[str, int]) -> str:
    """Counts of an upload in one line, those that are not zero."""
    return ", ".join(f"{words.grouped(number)} {what}" for what, number in counts.items() if number)


@register.filter
def state_words(state: str) -> str:
    return words.STATE_WORDS[state]


@register.filter
def limit_words(limit: str) -> str:
    return words.LIMIT_WORDS[limit]


@register.filter
def left_or_over(number: float | None, unit: str) -> str:
    return words.left_or_over(number, unit)


@register.inclusion_tag("dashboard/_state.html")
def state_mark(state: str) -> dict[str, str]:
    return {"state": state, "words": words.STATE_WORDS[state]}


@register.inclusion_tag("dashboard/_order_state.html")
def order_state(state: str) -> dict[str, str]:
    return {"words": state, "shape": words.ORDER_SHAPES[state]}


@register.inclusion_tag("dashboard/_outcome.html")
def outcome_mark(outcome: str) -> dict[str, str]:
    return {"outcome": outcome, "shape": words.OUTCOME_SHAPES[outcome]}


@register.filter
def check_limits(figure: CheckFigure) -> str:
    """Which values pass, and which want watching, as 'pass up to 2 %, watch up to 3 %'."""
    return words.check_limits(figure)


@register.filter
def of(found: Mapping[Any, Any] | None, key: Any) -> Any:
    """What a mapping holds under a key."""
    return (found or {}).get(key)


@register.simple_tag
def pages_of(person: object) -> tuple[frame.Page, ...]:
    return frame.pages_of(person) if isinstance(person, Person) else ()


@register.simple_tag
def home_of(person: object) -> str:
    return frame.home_of(person) if isinstance(person, Person) else "due"


@register.simple_tag
def depot_page(page: str) -> str:
    """Where choosing a depot leads: the same page where it lists by depot, else Due."""
    by_depot = {one.name for one in frame.PAGES if one.by_depot}
    return reverse(page if page in by_depot else "due")


@register.filter
def torque(least_nm: float, most_nm: float | None = None) -> str:
    return words.torque(least_nm, most_nm)


@register.filter
def torque_lbfft(least_lbfft: float, most_lbfft: float | None = None) -> str:
    return words.torque(least_lbfft, most_lbfft, "lbf·ft")


@register.filter
def plain(number: float) -> str:
    """A number without zeros that say nothing."""
    return f"{number:g}"


@register.filter
def duration(hours_h: float) -> str:
    return words.duration(hours_h)


@register.simple_tag
def new_key() -> str:
    """A key of its own for a record that a form may send."""
    return uuid4().hex


@register.inclusion_tag("dashboard/_row_work.html", takes_context=True)
def row_work(context: Context, row: DueRow) -> dict[str, Any]:
    """The order, deferral and mark of one due service, or the button that drafts an order."""
    marks, key = context["marks"], (row.vehicle_id, row.service_id)
    return {
        "row": row,
        "number": marks.orders.get(key, ""),
        "deferred": marks.deferred.get(key),
        "stopped": marks.stopped.get(row.vehicle_id, ""),
        "may_release": marks.may_release,
        "beside": marks.beside(*key) if marks.may_release else (),
        "csrf_token": context.get("csrf_token"),
    }


@register.inclusion_tag("dashboard/_recorded.html")
def recorded(kept: dict[str, Any], *place: object) -> dict[str, Any]:
    name = "-".join(map(str, place))
    return {"place": name, "lines": kept.get(name, [])}


@register.inclusion_tag("dashboard/_strip.html")
def interval_strip(row: Any, scale: Scale) -> dict[str, Strip]:
    return {"strip": strip(scale, row.today, row.p10, row.p50, row.p90)}


@register.inclusion_tag("dashboard/_strip_scale.html")
def strip_scale(scale: Scale, today: date) -> dict[str, Any]:
    return {"months": scale.months(), "today": scale.at(today)}
