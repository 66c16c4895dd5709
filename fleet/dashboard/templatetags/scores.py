"""Words of the tables that show how often dates came true."""

from django import template

from fleet.dashboard.words import percent

register = template.Library()


@register.filter
def closer(skill: float) -> str:
    """How the program compares with a plain rule."""
    if round(100 * skill) == 0:
        return "as close"
    return f"{percent(abs(skill))} {'closer' if skill > 0 else 'further off'}"


@register.filter
def early_or_late(bias_d: float) -> str:
    """Expected day less the day it happened [d], as how much too early or late it was named."""
    if abs(bias_d) < 0.05:
        return "on the day"
    return f"{abs(bias_d):.1f} days too {'late' if bias_d > 0 else 'early'}"
