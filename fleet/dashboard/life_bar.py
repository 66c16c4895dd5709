"""How much of a service's life each duty class used, drawn to one scale with the limit."""

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.dashboard.words import day, percent
from fleet.due.split import Part


@dataclass(frozen=True)
class Stretch:
    """A piece of the bar, in percent of its width, and in words."""

    at: float
    width: float
    duty_class: str
    words: str


@dataclass(frozen=True)
class LifeBar:
    stretches: Sequence[Stretch]
    limit_at: float  # where the whole life is used, in percent of the width
    text: str


def life_bar(parts: Sequence[Part]) -> LifeBar | None:
    """The bar of a life; None where nothing is used, or nothing known."""
    used = sum(part.life_used for part in parts)
    if used <= 0:
        return None
    whole, at, stretches = max(used, 1.0), 0.0, []
    for part in parts:
        width = 100 * part.life_used / whole
        ended = part.until_on and f"from {day(part.from_on)} to {day(part.until_on)}"
        when = ended or f"since {day(part.from_on)}"
        told = f"{percent(part.life_used)} in {part.duty_class} duty {when}"
        stretches.append(Stretch(round(at, 2), round(width, 2), part.duty_class, told))
        at += width
    text = f"Life used {percent(used)}: {'; '.join(one.words for one in stretches)}."
    return LifeBar(stretches, round(100 / whole, 2), text)
