"""What a column and a sheet of the workbook are."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from django.db.models import Model

from fleet.readings.spreadsheet import ERROR_VALUE, WITHOUT_VALUE
from fleet.units import torque_in, torque_nm
from fleet.workbook.cells import Cell, CellFault, Kind, is_empty, rounded

Row = tuple[Any, ...]
Key = tuple[Any, ...]


@dataclass(frozen=True)
class Column:
    name: str  # the field it is stored in, unless ``path`` says otherwise
    heading: str  # with its unit in brackets
    kind: Kind
    explanation: str
    required: bool = False
    key: bool = False  # part of what tells one row of the sheet from another
    path: str | None = None  # where the fleet keeps it; "" when nowhere
    default: Any = None  # the value of an empty cell, when not the kind's own
    refers: str = ""  # the sheet whose key it names
    unit_in: str = ""  # the column that says km or miles; the value is kept in km
    torque_in: str = ""  # the column with its unit as the source states it; stored in N·m
    zone_of: str = ""  # the column with the vehicle whose depot's clock it is
    past: bool = False  # a day after today is a fault

    @property
    def source(self) -> str:
        return self.name if self.path is None else self.path

    @property
    def empty(self) -> Any:
        return self.kind.empty if self.default is None else self.default

    def take(self, cell: Cell) -> Any:
        """The value of a cell; CellFault with the remedy when there is none."""
        if cell in (WITHOUT_VALUE, ERROR_VALUE):
            raise CellFault(f"holds a {str(cell)[1:]}; put the value itself there")
        if not is_empty(cell):
            return self.kind.read(cell)
        if self.required:
            raise CellFault("is empty; it must be filled in")
        return self.empty


@dataclass(frozen=True)
class Link:
    """A stored reference: the row of sheet ``to`` whose key these columns give.

    "vehicle.vehicle_type" is the vehicle type of the vehicle named in column "vehicle".
    """

    attribute: str
    to: str
    by: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    name: str
    model: type[Model]
    explanation: str
    columns: tuple[Column, ...]
    links: tuple[Link, ...] = ()
    append_only: bool = False  # a change is a newer row of the same key
    only: Mapping[str, Any] = field(default_factory=dict)  # rows of the model that hold

    @cached_property
    def at(self) -> dict[str, int]:
        return {column.name: index for index, column in enumerate(self.columns)}

    @cached_property
    def key_at(self) -> tuple[int, ...]:
        return tuple(index for index, column in enumerate(self.columns) if column.key)

    @cached_property
    def stored(self) -> tuple[int, ...]:
        """Columns that the model keeps under their own name."""
        linked = {link.attribute.removesuffix("_id") for link in self.links}
        return tuple(
            index
            for index, column in enumerate(self.columns)
            if column.source and "__" not in column.source and column.name not in linked
        )

    @cached_property
    def torques(self) -> tuple[tuple[int, int], ...]:
        """Columns of torque figures, each with the column of its unit."""
        return tuple(
            (index, self.at[column.torque_in])
            for index, column in enumerate(self.columns)
            if column.torque_in
        )

    @cached_property
    def needed(self) -> frozenset[int]:
        """Columns that no book may leave out: required, telling rows apart, or saying a unit."""
        units = {name for column in self.columns for name in (column.unit_in, column.torque_in)}
        return frozenset(
            index
            for index, column in enumerate(self.columns)
            if column.required or column.key or column.name in units
        )

    def as_stored(self, row: Row) -> Row:
        """A row with its torque figures in N·m, as the fleet keeps them."""
        return self._converted(row, torque_nm)

    def as_stated(self, row: Row) -> Row:
        """A stored row with its torque figures as their source states them."""
        return self._converted(row, lambda nm, unit: rounded(torque_in(nm, unit)))

    def _converted(self, row: Row, convert: Callable[[float, str], float | None]) -> Row:
        if not self.torques:
            return row
        values = list(row)
        for index, unit_index in self.torques:
            if row[index] is not None:
                values[index] = convert(row[index], row[unit_index])
        return tuple(values)

    def key_of(self, row: Row) -> Key:
        return tuple(fold(row[index]) for index in self.key_at)

    def column(self, name: str) -> Column:
        return self.columns[self.at[name]]

    def shown_key(self, row: Row) -> str:
        """The key as a person reads it, e.g. 'van-l, engine-oil'."""
        parts = (str(self.columns[index].kind.show(row[index])) for index in self.key_at)
        return ", ".join(part for part in parts if part and part != "None")


def fold(value: Any) -> Any:
    """Texts that differ only in case name the same thing."""
    return value.upper() if isinstance(value, str) else value


def by_name(sheets: Sequence[Sheet]) -> dict[str, Sheet]:
    return {sheet.name: sheet for sheet in sheets}
