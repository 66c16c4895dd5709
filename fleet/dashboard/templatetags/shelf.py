"""Figures of shelves."""

from django import template

from fleet.stores.read_off import read_off as as_read

register = template.Library()


@register.filter
def read_off(amount: float) -> float:
    """A sum as a shelf tells it."""
    return as_read(amount)
