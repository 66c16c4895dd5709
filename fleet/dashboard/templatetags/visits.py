"""How visits read in the templates."""

from collections.abc import Sequence
from typing import Any

from django import template

from fleet.dashboard.visits import lines
from fleet.dashboard.words import THIN_SPACE

register = template.Library()
register.filter("days_late", lines.days_late)
register.filter("to_move", lines.to_move)
register.filter("too_full", lines.too_full)
register.filter("why_then", lines.reason)
register.filter("wanted", lines.wanted)
register.filter("minutes", lines.minutes)
register.filter("parts", lines.parts)


@register.filter
def tenths(share: float) -> str:
    """A small share with a tenth of a percent."""
    return f"{share * 100:.1f}{THIN_SPACE}%"


@register.filter
def at(rows: Sequence[Any], number: int) -> Any:
    """The row of that number, counted from 0."""
    return rows[number]
