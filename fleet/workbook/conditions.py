"""Monthly conditions of a duty criterion as a person writes them.

"share_of_trips_under_8_km >= 0.5 or stops_per_10_km > 10 and idle_share >= 0.3": ``or`` (or |)
parts alternatives; within one, everything joined by ``and`` (or &) must hold.
"""

import re
from collections.abc import Iterable

from fleet.workbook.cells import Cell, CellFault, Kind, say, text

Condition = tuple[str, str, float]
Conditions = tuple[tuple[Condition, ...], ...]

_ONE = re.compile(r"([a-z][a-z0-9_]*)\s*(>=|<=|>|<)\s*(-?[0-9]+(?:[.,][0-9]+)?)")
EXAMPLE = "mean_daily_max_c >= 32 and mean_speed_km_per_h < 30"


def _read(cell: Cell) -> Conditions:
    given = text(cell).lower().replace("|", " or ").replace("&", " and ")
    return tuple(
        tuple(_condition(part.strip()) for part in re.split(r"\s+and\s+", alternative))
        for alternative in re.split(r"\s+or\s+", given)
    )


def _condition(part: str) -> Condition:
    found = _ONE.fullmatch(part)
    if found is None:
        raise CellFault(f"{say(part)} is not a condition; write e.g. {EXAMPLE}")
    measure, comparison, limit = found.groups()
    return measure, comparison, float(limit.replace(",", "."))


def _show(conditions: Conditions) -> str:
    return " or ".join(
        " and ".join(f"{measure} {sign} {limit:.15g}" for measure, sign, limit in alternative)
        for alternative in conditions
    )


def _tidy(stored: Iterable[Iterable[Iterable[str | float]]]) -> Conditions:
    return tuple(
        tuple((str(measure), str(sign), float(limit)) for measure, sign, limit in alternative)
        for alternative in stored
    )


CONDITIONS = Kind(_read, _show, width=60, empty=(), tidy=_tidy)
