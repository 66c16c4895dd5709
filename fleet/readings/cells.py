"""Numbers as sheets hold them: one cell, or a whole column at once, to a plain float.

What is a number is passed on even when it is impossible (negative, far too large): the verdict on
it is the judge's. What is no number stays in the sheet's own row with a sentence that says why.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from fleet.calc.arrays import KM_PER_MILE, Array
from fleet.calc.letters import mistyped
from fleet.readings.moments import CellFault, shown
from fleet.readings.unpack import MARK
from fleet.units import DecimalMark, Given, UnitError, number

Unit = Literal["km", "mi", "h"]

KM_PER = {"km": 1.0, "mi": KM_PER_MILE, "h": 1.0}  # of a meter's units
_SPELLINGS: dict[Unit, str] = {
    "km": "km kms k.m. kilometre kilometres kilometer kilometers kilomètre kilomètres "
    "kilómetro kilómetros kilometro kilometros",
    "mi": "mi mi. mile miles meile meilen milla millas",
    "h": "h hr hrs hour hours std std. stunde stunden heure heures hora horas",
}
UNITS = {word: unit for unit, words in _SPELLINGS.items() for word in words.split()}
# digits that mean one thing whichever mark the sheet uses for decimals
_PLAIN = re.compile(r"[0-9]+|[0-9]{4,}\.[0-9]+|[0-9]+\.(?:[0-9]{1,2}|[0-9]{4,})")


@dataclass(slots=True)
class Figures:
    """A column of numbers: values, the unit written in the cell itself, and what is no number."""

    values: Array  # NaN where there is none
    units: dict[int, Unit] = field(default_factory=dict)  # position -> unit
    faults: dict[int, str] = field(default_factory=dict)  # position -> sentence


def unit_of(text: str) -> Unit | None:
    """The unit a word names, or None."""
    return UNITS.get(text.strip().casefold())


def read_unit(cell: object) -> Unit | None:
    """The unit in a cell of a unit column; a blank one names none."""
    if cell == "":
        return None
    unit = unit_of(cell) if isinstance(cell, str) else None
    if unit is None:
        raise CellFault(f"holds {shown(cell)}, which is no unit of a meter: write km or mi")
    return unit


def read_figure(cell: object, decimal_mark: DecimalMark | None = None) -> tuple[float, Unit | None]:
    """The number in a cell, and the unit written behind it."""
    if isinstance(cell, (int, float)):
        return float(cell), None
    if not isinstance(cell, str) or cell.startswith(MARK):
        raise CellFault(f"holds {shown(cell)}, {_remedy(cell)}")
    text = cell.strip()
    if _PLAIN.fullmatch(text) and (decimal_mark != "," or "." not in text):
        return float(text), None
    if asked := mistyped(text, of_meter=True):
        raise CellFault(f"seems to be mistyped. {asked}")
    try:
        given = number(text, decimal_mark)
    except UnitError as fault:
        raise CellFault(f"is no number. {fault}") from None
    unit = unit_of(given.unit) if given.unit else None
    if given.unit and unit is None:
        raise CellFault(f"holds {shown(cell)}, whose unit is not known: write km or mi")
    return given.value, unit


def typed_figure(text: str) -> Given:
    """A meter's figure as somebody types it into a field, with the unit written behind it."""
    if asked := mistyped(text.strip(), of_meter=True):
        raise UnitError(asked)
    return number(text, decimal_mark=".")


def _remedy(cell: object) -> str:
    if isinstance(cell, str):
        return "not a value: open the sheet in a spreadsheet program, recalculate and save it"
    return "which is a date or a time, not a number: format the cell as a number"


_OPEN = re.compile(r"[+-]?[0-9]{1,3}[.,][0-9]{3}(?![0-9.,]).*")  # can mean two numbers
_POINT = re.compile(  # can only be written with a decimal point
    r"[+-]?(?:[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]+|[0-9]{1,3}(?:,[0-9]{3}){2,}|[0-9]{4,}\.[0-9]+"
    r"|[0-9 ']*\.(?:[0-9]{1,2}|[0-9]{4,}))(?![0-9.,]).*"
)
_OTHER_WAY = str.maketrans(".,", ",.")


def decimal_mark_of(cells: Iterable[object]) -> DecimalMark | None:
    """The decimal mark of a column, if some text needs to know and another gives it away."""
    texts = {cell.strip() for cell in cells if isinstance(cell, str)}
    if not any(_OPEN.fullmatch(text) for text in texts):
        return None
    point = any(_POINT.fullmatch(text) for text in texts)
    comma = any(_POINT.fullmatch(text.translate(_OTHER_WAY)) for text in texts)
    if point == comma:
        return None
    return "." if point else ","


def read_figures(cells: Sequence[object], decimal_mark: DecimalMark | None = None) -> Figures:
    """Numbers of a column; a blank cell is NaN without a fault."""
    if set(map(type, cells)) <= {float, int}:
        return Figures(np.array(cells, dtype=np.float64))
    figures = Figures(np.full(len(cells), np.nan))
    known: dict[object, tuple[float, Unit | None]] = {}
    for position, cell in enumerate(cells):
        if cell == "":
            continue
        try:
            if (found := known.get(cell)) is None:
                found = known[cell] = read_figure(cell, decimal_mark)
        except CellFault as fault:
            figures.faults[position] = str(fault)
            continue
        figures.values[position] = found[0]
        if found[1] is not None:
            figures.units[position] = found[1]
    return figures
