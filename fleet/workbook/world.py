"""The fleet and the book side by side: rows of both, found by their natural keys."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from difflib import get_close_matches
from typing import Any
from zoneinfo import ZoneInfo

from fleet.calc.grades import Limit
from fleet.stores.grades import grade_limits
from fleet.vehicles.models import Alias, Meter
from fleet.workbook.columns import Column, Key, Link, Row, Sheet, fold
from fleet.workbook.notes import Notes
from fleet.workbook.read import Table
from fleet.workbook.sheets import BY_NAME, SHEETS

FETCH_ROWS = 20_000


@dataclass(frozen=True, slots=True)
class Stored:
    id: int
    row: Row


Fleet = dict[str, dict[Key, Stored]]


def _aliases() -> dict[int, tuple[str, ...]]:
    found: dict[int, tuple[str, ...]] = {}
    for vehicle_id, number in Alias.objects.order_by("id").values_list(
        "vehicle_id", "fleet_number"
    ):
        found[vehicle_id] = (*found.get(vehicle_id, ()), number)
    return found


def _instruments() -> dict[int, str]:
    meters = Meter.objects.filter(kind=Meter.Kind.KM)
    return dict(meters.values_list("vehicle_id", "unit"))


# Columns kept in a table beside the sheet's own: vehicle id -> value.
_BESIDE: Mapping[str, Callable[[], Mapping[int, Any]]] = {
    "aliases": _aliases,
    "shows": _instruments,
}


def fleet_rows(sheet: Sheet) -> dict[Key, Stored]:
    """Every row the fleet has for a sheet, as if it had been read from a book."""
    paths = [column.source for column in sheet.columns if column.source]
    query = sheet.model._default_manager.filter(**sheet.only).order_by("pk")
    takers = [_taker(column) for column in sheet.columns]
    rows: dict[Key, Stored] = {}
    for pk, *values in query.values_list("pk", *paths).iterator(chunk_size=FETCH_ROWS):
        given = iter(values)
        row = sheet.as_stated(tuple(take(pk, given) for take in takers))
        rows[sheet.key_of(row)] = Stored(pk, row)  # the newest of a key holds
    return rows


def _taker(column: Column) -> Callable[[int, Iterator[Any]], Any]:
    empty, tidy = column.kind.empty, column.kind.tidy
    if column.torque_in:
        tidy = None  # rounded only when it is back in the unit of its source
    if not column.source:
        beside = _BESIDE[column.name]() if column.name in _BESIDE else {}
        return lambda pk, given: beside.get(pk, column.empty)

    def take(pk: int, given: Iterator[Any]) -> Any:
        value = next(given)
        if value is None:
            return empty
        return value if tidy is None else tidy(value)

    return take


def whole_fleet() -> Fleet:
    return {sheet.name: fleet_rows(sheet) for sheet in SHEETS}


class World:
    """The fleet as it will stand when the book is loaded.

    ``fleet`` holds what is stored, ``rows`` the same with the book's rows laid over it.
    """

    def __init__(self, tables: Mapping[str, Table], fleet: Fleet, today: date) -> None:
        self.tables = tables
        self.fleet = fleet
        self.today = today
        self.rows: dict[str, dict[Key, Row]] = {
            sheet.name: {key: stored.row for key, stored in fleet[sheet.name].items()}
            for sheet in SHEETS
        }
        self._with_hours: set[str] | None = None
        self._accepted: dict[Key, dict[str, set[str]]] | None = None
        self._grade_limits: list[Limit] | None = None
        self._claimed: dict[str, set[str]] | None = None

    def lay(self, notes: Notes) -> None:
        """Lay the book's rows over the fleet's; two rows of one key are a fault.

        Depots and vehicles come first: by their clocks the other rows' moments are read.
        """
        for name in ("Depots", "Vehicles"):
            table = self.tables[name]
            table.with_stored(self._stored(name))
            self.rows[name].update((table.sheet.key_of(row), row) for row in table.rows)
        self._set_clocks()
        for name, table in self.tables.items():
            table.with_stored(self._stored(name))
            first: dict[Key, int] = {}
            for row, number in zip(table.rows, table.numbers, strict=True):
                key = table.sheet.key_of(row)
                if key in first:
                    shown = table.sheet.shown_key(row)
                    message = f"{shown}: the same as row {first[key]}; keep one of them"
                    heading = table.sheet.columns[table.sheet.key_at[-1]].heading
                    notes.fault(name, number, heading, message)
                first.setdefault(key, number)
                self.rows[name][key] = row

    def _stored(self, name: str) -> Callable[[Key], Row | None]:
        rows = self.fleet[name]
        return lambda key: rows[key].row if key in rows else None

    def value(self, sheet: Sheet, row: Row, dotted: str) -> Any:
        """A column's value; "vehicle.depot.zone" follows references, None if one leads nowhere."""
        name, _, rest = dotted.partition(".")
        value = row[sheet.at[name]]
        if not rest:
            return value
        target = BY_NAME[sheet.column(name).refers]
        found = self.rows[target.name].get((fold(value),))
        return None if found is None else self.value(target, found, rest)

    def key(self, sheet: Sheet, row: Row, link: Link) -> Key | None:
        """The key of the row a link leads to; None when the columns that name it are empty."""
        parts = tuple(fold(self.value(sheet, row, dotted)) for dotted in link.by)
        return None if parts[-1] == "" or None in parts else parts

    def target(self, sheet: Sheet, row: Row, link: Link) -> Row | None:
        key = self.key(sheet, row, link)
        return None if key is None else self.rows[link.to].get(key)

    def has_hours(self, fleet_number: str) -> bool:
        """Whether the fleet already has an hour meter for a vehicle."""
        if self._with_hours is None:
            meters = Meter.objects.filter(kind=Meter.Kind.HOURS)
            numbers = meters.values_list("vehicle__fleet_number", flat=True)
            self._with_hours = {fold(number) for number in numbers}
        return fold(fleet_number) in self._with_hours

    def grade_limits(self) -> list[Limit]:
        """The limits of every viscosity grade."""
        if self._grade_limits is None:
            self._grade_limits = grade_limits()
        return self._grade_limits

    def accepted(self) -> dict[Key, dict[str, set[str]]]:
        """Grades by specification ("" = any) that each compartment accepts."""
        if self._accepted is None:
            self._accepted = {}
            for owner, compartment, specification, grade in self.rows["Accepted fluids"]:
                grades = self._accepted.setdefault((owner, compartment), {})
                grades.setdefault(specification, set()).add(grade)
        return self._accepted

    def claimed(self) -> dict[str, set[str]]:
        """Specifications that each product claims."""
        if self._claimed is None:
            self._claimed = {}
            for product, specification in self.rows["Product claims"]:
                self._claimed.setdefault(product, set()).add(specification)
        return self._claimed

    def check_links(self, notes: Notes) -> None:
        for table in self.tables.values():
            for column in table.sheet.columns:
                if column.refers and not self._nameless(column.refers):
                    self._check_names(table, column, notes)
            for link in table.sheet.links:
                if len(link.by) > 1 and link.to in self.rows and not self._nameless(link.to):
                    self._check_pairs(table, link, notes)

    def _broken(self, name: str) -> set[Key]:
        """Rows left out for a fault of their own: one sentence about them is enough."""
        table = self.tables.get(name)
        return table.broken if table else set()

    def _nameless(self, name: str) -> bool:
        """Whether nobody can tell what the book's rows are, for want of a heading."""
        return name in self.tables and self.tables[name].nameless

    def _check_names(self, table: Table, column: Column, notes: Notes) -> None:
        known, at = self.rows[column.refers], table.sheet.at[column.name]
        broken = self._broken(column.refers)
        names = [str(row[BY_NAME[column.refers].key_at[0]]) for row in known.values()]
        for row, number in zip(table.rows, table.numbers, strict=True):
            for name in row[at] if isinstance(row[at], tuple) else (row[at],):
                if name and (fold(name),) not in known and (fold(name),) not in broken:
                    message = f"'{name}' is not in sheet {column.refers}; {_offer(name, names)}"
                    notes.fault(table.sheet.name, number, column.heading, message)

    def _check_pairs(self, table: Table, link: Link, notes: Notes) -> None:
        sheet, known, broken = table.sheet, self.rows[link.to], self._broken(link.to)
        column = sheet.column(link.by[-1])
        for row, number in zip(table.rows, table.numbers, strict=True):
            key = self.key(sheet, row, link)
            if key is None or key in known or key in broken:
                continue
            owner = self.value(sheet, row, link.by[0])
            names = [other.lower() for kind, other in known if kind == key[0]]
            given = f"{column.heading.lower()} '{key[1].lower()}'"
            message = f"{owner} has no {given} in sheet {link.to}"
            notes.fault(sheet.name, number, column.heading, f"{message}; {_offer(key[1], names)}")

    def _set_clocks(self) -> None:
        """Read moments without a zone by the clock of the vehicle's depot."""
        for table in self.tables.values():
            for index, column in enumerate(table.sheet.columns):
                if column.zone_of:
                    table.rows[:] = [self._clocked(table.sheet, row, index) for row in table.rows]

    def _clocked(self, sheet: Sheet, row: Row, index: int) -> Row:
        moment: datetime = row[index]
        if moment.tzinfo is not None:
            return row
        zone = self.value(sheet, row, f"{sheet.columns[index].zone_of}.depot.zone")
        known = zone is not None and is_zone(zone)
        at = moment.replace(tzinfo=ZoneInfo(zone) if known else UTC).astimezone(UTC)
        return (*row[:index], at, *row[index + 1 :])


def is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _offer(given: str, known: list[str]) -> str:
    near = get_close_matches(given.lower(), known, n=3) if len(known) <= 1000 else []
    listed = near or known[:8]
    return f"add it there, or write e.g. {', '.join(listed)}" if listed else "add it there first"
