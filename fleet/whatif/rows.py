"""A list of changes: from objects or a sheet, understood row by row, all its faults at once."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from fleet.faults import Fault
from fleet.readings.spreadsheet import read_spreadsheet
from fleet.today import day
from fleet.vehicles.models import Depot
from fleet.whatif import capacity, duty, limits, products, vehicles
from fleet.whatif.amounts import Misunderstood
from fleet.whatif.kinds import Act, RowFault, World, near
from fleet.workbook.cells import DATE, MONTH, CellFault

FIELDS = ("what", "which", "value", "from")
KINDS = {
    kind.what: kind
    for kind in (
        *limits.KINDS,
        *duty.KINDS,
        *capacity.KINDS,
        *products.KINDS,
        *vehicles.KINDS,
    )
}
YEAR_D = 365
MOST_ROWS = 200  # our choice
LONGEST = 200


@dataclass(frozen=True)
class Found:
    """A fault of one row: its number from 1, of a sheet the sheet's own; the field, and the
    sentence."""

    row: int
    field: str
    text: str

    def __str__(self) -> str:
        end = "" if self.text.endswith((".", "?")) else "."
        return f"Row {self.row}, {self.field}: {self.text}{end}"


class SheetRow(dict[str, Any]):
    """A row of a sheet, numbered as the sheet numbers it: its headings and empty rows count."""

    number: int


class ChangesRefused(Fault):
    """Every fault of a list of changes."""

    def __init__(self, faults: Sequence[Found]) -> None:
        super().__init__(" ".join(map(str, faults)))
        self.faults = tuple(faults)


@dataclass(frozen=True)
class Change:
    """One row as it was given, and what it does."""

    what: str
    which: str
    value: str
    from_on: date
    act: Act

    @property
    def plain(self) -> dict[str, str]:
        """The row as files and answers show it."""
        given = (self.what, self.which, self.value, self.from_on.isoformat())
        return dict(zip(FIELDS, given, strict=True))

    def __str__(self) -> str:
        value = f" {self.value}" if self.value else ""
        return f"{self.what}, {self.which}:{value} from {day(self.from_on)}"


def understood(rows: Sequence[Any], depots: Sequence[Depot], today: date) -> list[Change]:
    """
    Understand a list of changes.

    Parameters
    ----------
    rows : sequence of mappings
        With ``what``, ``which``, ``value`` and, where it is not today, ``from``.

    Raises
    ------
    ChangesRefused
        With the fault of every row.
    """
    if not rows or len(rows) > MOST_ROWS:
        raise Fault(f"Write 1 to {MOST_ROWS} changes, each with {', '.join(FIELDS)}.")
    world = World({one.slug: one for one in depots})
    changes, faults = [], []
    for number, row in enumerate(rows, 1):
        try:
            changes.append(_one(row, world, today))
        except RowFault as fault:
            own = row.number if isinstance(row, SheetRow) else number
            faults.append(Found(own, fault.about, str(fault)))
    if faults:
        raise ChangesRefused(faults)
    return changes


def _one(row: Any, world: World, today: date) -> Change:
    given = _texts(row)
    kind = KINDS.get(" ".join(given["what"].casefold().split()))
    if kind is None:
        raise RowFault("what", f"{given['what']!r} cannot be changed; "
                       f"{near(given['what'].casefold(), list(KINDS))}")  # fmt: skip
    if not given["which"]:
        raise RowFault("which", f"it is empty; write {kind.which}")
    try:
        act = kind.understand(given["which"], given["value"], world)
    except Misunderstood as fault:
        raise RowFault("value", str(fault)) from fault
    return Change(kind.what, given["which"], given["value"], _from(row.get("from"), today), act)


def _texts(row: Any) -> dict[str, str]:
    if not isinstance(row, dict):
        raise RowFault("what", f"it is no object; write {', '.join(FIELDS)}")
    if unknown := sorted(set(row) - set(FIELDS)):
        raise RowFault(str(unknown[0]), f"nothing is called so; write {', '.join(FIELDS)}")
    texts = {name: _text(row.get(name), name) for name in FIELDS[:3]}
    return texts


def _text(given: Any, name: str) -> str:
    if isinstance(given, bool) or not isinstance(given, str | int | float | None):
        raise RowFault(name, "it is neither text nor a number")
    text = "" if given is None else f"{given:.12g}" if isinstance(given, float) else str(given)
    if len(text) > LONGEST:
        raise RowFault(name, f"it is longer than {LONGEST} signs; shorten it")
    return text.strip()


def _from(given: Any, today: date) -> date:
    """A day, or a month for its first; nothing means today."""
    if given in (None, ""):
        return today
    on = _day(given)
    last = today + timedelta(days=YEAR_D - 1)
    if on is None:
        raise RowFault("from", f"{given!r} is no day; write it like 2027-03-01")
    if on < today:
        raise RowFault("from", f"{day(on)} is over; write a day from {day(today)} on")
    if on > last:
        raise RowFault("from", f"{day(on)} is beyond the 12 months; write one up to {day(last)}")
    return on


def _day(given: Any) -> date | None:
    for kind in (DATE, MONTH):
        try:
            found = kind.read(given)
        except (CellFault, TypeError, ValueError):
            continue
        return found.date() if isinstance(found, datetime) else found
    return None


# --- files ---------------------------------------------------------------------------------
def from_file(path: Path, name: str = "") -> list[Any]:
    """
    Rows of a file: a JSON list, or the first sheet of an .xlsx, .ods or .csv file.

    Raises
    ------
    Fault
        It can be read as neither.
    """
    name = name or path.name
    if name.casefold().endswith(".json"):
        try:
            found = json.loads(path.read_text("utf-8-sig"))
        except (ValueError, OSError) as error:
            raise Fault(f"{name} is no JSON: {error}. Write a list of objects.") from error
        if not isinstance(found, list):
            raise Fault(f'{name} is no list: write [{{"what": …, "which": …}}].')
        return found
    if not path.exists():
        raise Fault(f"There is no file {name}.")
    return _of_sheet(next(iter(read_spreadsheet(path).values()), []), name)


def _of_sheet(grid: Sequence[Sequence[Any]], name: str) -> list[Any]:
    filled = [
        (number, row)
        for number, row in enumerate(grid, 1)
        if any(cell not in ("", None) for cell in row)
    ]
    headings = [str(cell).strip().casefold() for cell in filled[0][1]] if filled else []
    if missing := [one for one in FIELDS[:3] if one not in headings]:
        raise Fault(f"{name} lacks the heading {missing[0]!r}: the first row holds "
                    f"{', '.join(FIELDS)}.")  # fmt: skip
    place = {one: headings.index(one) for one in FIELDS if one in headings}
    return [_numbered(number, {one: row[at] for one, at in place.items()})
            for number, row in filled[1:]]  # fmt: skip


def _numbered(number: int, given: dict[str, Any]) -> SheetRow:
    row = SheetRow(given)
    row.number = number
    return row
