"""Whole numbers of an address or a form: rows are named by them, and versions, and places."""

from collections.abc import Iterable

DIGITS = 18  # as many as any database can look for


def whole_number(text: str) -> int:
    """The number in a text; 0, which no row is named, where it is none."""
    return int(text) if text.isdecimal() and len(text) <= DIGITS else 0


def whole_numbers(texts: Iterable[str]) -> list[int]:
    """The numbers among what was chosen."""
    return [found for text in texts if (found := whole_number(text))]
