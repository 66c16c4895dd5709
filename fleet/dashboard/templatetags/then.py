"""The strip of a forecast made before."""

from datetime import date

from django import template

from fleet.dashboard.strip import Scale, Strip
from fleet.dashboard.then_lines import ThenLine

register = template.Library()


@register.inclusion_tag("dashboard/_strip.html")
def then_strip(line: ThenLine, scale: Scale, today: date) -> dict[str, Strip]:
    return {"strip": line.strip(scale, today)}
