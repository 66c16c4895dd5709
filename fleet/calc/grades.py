"""Whether the figures of a data sheet fit the grade on its label.

A grade is one part or two, such as 5W-30: cold and hot. Each part's limits come as data, with the
table and edition they are from, because tables change: in an older one SAE 20 began at 5.6 mm²/s.
Gear and engine grades are different scales and are never compared with each other.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

ALONE = "alone"  # a hot part without a cold one


@dataclass(frozen=True)
class Limit:
    """What a grade asks of one property.

    Parameters
    ----------
    table, edition
        Where it is from; of a table the newest edition counts.
    grade
        One part of a label, e.g. 5W, 30 or VG 32.
    name
        The property: kv40, kv100 [mm²/s], ccs or hths [mPa·s].
    least, most
        Its limits in ``unit``; None where there is none.
    least_included, most_included
        Whether the limit itself still fits.
    unit, at_c
        Unit, and temperature of the measurement [°C].
    beside
        Cold parts this limit holds beside ("alone": without one); empty: always.
    """

    table: str
    edition: str
    grade: str
    name: str
    least: float | None
    most: float | None
    least_included: bool
    most_included: bool
    unit: str
    at_c: float
    beside: tuple[str, ...] = ()

    def fits(self, value: float) -> bool:
        """Say whether a value lies within."""
        low = self.least is None or value > self.least
        high = self.most is None or value < self.most
        at_low = self.least_included and value == self.least
        at_high = self.most_included and value == self.most
        return (low or at_low) and (high or at_high)

    @property
    def words(self) -> str:
        """The limits as people read them."""
        least = f"{'from' if self.least_included else 'above'} {self.least:g}" if self.least else ""
        most = f"{'up to' if self.most_included else 'below'} {self.most:g}" if self.most else ""
        return f"{' '.join(part for part in (least, most) if part)} {self.unit} at {self.at_c:g} °C"


@dataclass(frozen=True)
class Misfit:
    """A figure that does not fit its grade.

    Parameters
    ----------
    name
        The property.
    text
        One sentence with the limits, their table and edition.
    """

    name: str
    text: str


def parts_of(grade: str) -> tuple[str, ...]:
    """Split a label into its parts; empty where it is no viscosity grade.

    Parameters
    ----------
    grade
        As printed, e.g. "SAE 5W-30", "75W90", "ISO VG 32".

    Examples
    --------
    >>> parts_of("SAE 5W-30"), parts_of("75w90"), parts_of("ISO VG 32"), parts_of("DOT 4")
    (('5W', '30'), ('75W', '90'), ('VG 32',), ())
    """
    plain = " ".join(grade.upper().replace("–", "-").split())
    if found := re.fullmatch(r"(?:ISO )?VG ?(\d+)", plain):
        return (f"VG {found[1]}",)
    found = re.fullmatch(r"(?:SAE )?(?:(\d+W)(?: ?[-/]? ?(\d+))?|(\d+))", plain)
    return tuple(part for part in found.groups() if part) if found else ()


def misfits(grade: str, figures: Mapping[str, float], limits: Iterable[Limit]) -> list[Misfit]:
    """Compare the figures of a data sheet with its grade.

    Parameters
    ----------
    grade
        As the label prints it; one that no table knows has no limits.
    figures
        Property to value, in the unit of its limit.
    limits
        The rows of all tables.
    """
    parts = parts_of(grade)
    table = _table_of(parts, list(limits))
    cold = next((part for part in parts if part.endswith("W")), ALONE)
    return [
        Misfit(row.name, _sentence(row, figures[row.name]))
        for part in parts
        for row in table
        if row.grade == part
        and row.name in figures
        and (not row.beside or cold in row.beside)
        and not row.fits(figures[row.name])
    ]


def _table_of(parts: Sequence[str], limits: Sequence[Limit]) -> list[Limit]:
    """Rows of the newest edition of the one table that knows every part."""
    known: dict[tuple[str, str], set[str]] = {}
    for row in limits:
        known.setdefault((row.table, row.edition), set()).add(row.grade)
    fitting = [key for key, grades in known.items() if parts and set(parts) <= grades]
    if len({table for table, _ in fitting}) != 1:
        return []
    table, edition = max(fitting)
    return [row for row in limits if (row.table, row.edition) == (table, edition)]


def _sentence(row: Limit, value: float) -> str:
    return (
        f"{value:g} {row.unit} does not fit grade {row.grade}: {row.words} "
        f"({row.table}, edition {row.edition}). A data sheet prints typical values"
    )
