"""Marks and figures for the templates."""

from datetime import date, datetime
from typing import Any

from django import template

from fleet.dashboard import words
from fleet.dashboard.strip import Scale, Strip, strip

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


@register.inclusion_tag("dashboard/_strip.html")
def interval_strip(row: Any, scale: Scale) -> dict[str, Strip]:
    return {"strip": strip(scale, row.today, row.p10, row.p50, row.p90)}


@register.inclusion_tag("dashboard/_strip_scale.html")
def strip_scale(scale: Scale, today: date) -> dict[str, Any]:
    return {"months": scale.months(), "today": scale.at(today)}
