"""Figures of a change: so much, or so much more or less than there is."""

import re
from collections.abc import Callable

GIVEN = re.compile(
    r"(?P<how>[+\-\u2212]|x|\u00d7)?\s*(?P<figure>\d[\d.,\u00a0\u202f ]*)\s*(?P<unit>%|[a-z/]*)",
    re.IGNORECASE,
)
THOUSANDS = re.compile(r"\d{1,3}(?:[,\u00a0\u202f ]\d{3})+(?:\.\d+)?")
WAYS = "write 20000 for so much, -5000 or +5000 for less or more, -10 % or x 0.5 for a share"
Amount = Callable[[float], float]


class Misunderstood(ValueError):
    """A value that cannot be meant; its text says what to write."""


def amount(text: str, units: tuple[str, ...] = ()) -> Amount:
    """
    Understand a figure, as a function of what there is now.

    Parameters
    ----------
    text : str
        ``20000``, ``20,000 km``, ``-5000``, ``+10 %``, ``x 0.5``.
    units : tuple of str
        Units that may stand behind it.

    Raises
    ------
    Misunderstood
        It is no such figure.
    """
    found = GIVEN.fullmatch(text.strip())
    if found is None or found["unit"].lower() not in ("", "%", *units):
        behind = f" (in {units[0]})" if units else ""
        raise Misunderstood(f"{text!r} is no figure{behind}: {WAYS}")
    figure = number(found["figure"])
    sign = -1.0 if found["how"] in ("-", "\u2212") else 1.0
    if found["how"] in ("x", "X", "\u00d7"):
        return lambda now: now * figure
    if found["unit"] == "%":
        if not found["how"]:
            raise Misunderstood(f"{text!r} may be more or less: write +{text} or -{text}")
        return lambda now: now * (1 + sign * figure / 100)
    if found["how"]:
        return lambda now: now + sign * figure
    return lambda now: figure


def number(text: str) -> float:
    """A figure with a point before its fraction, its thousands apart or not."""
    tidy = text.strip()
    if THOUSANDS.fullmatch(tidy):
        tidy = re.sub(r"[,\u00a0\u202f ]", "", tidy)
    try:
        return float(tidy)
    except ValueError:
        raise Misunderstood(f"{text!r} is no number: write it like 12500 or 12.5") from None


def whole(text: str, least: int, most: int, what: str) -> int:
    """A whole number within bounds."""
    figure = number(text)
    if figure != int(figure) or not least <= figure <= most:
        raise Misunderstood(f"{text!r} is no number of {what}: write {least} to {most}")
    return int(figure)


def positive(found: float, what: str) -> float:
    """What a change leads to, where it must stay above nothing."""
    if found <= 0:
        raise Misunderstood(f"{what} would fall to {found:g}: take less away")
    return found
