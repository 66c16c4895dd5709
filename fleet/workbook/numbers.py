"""Fleet numbers: what a cell names, whatever its case, its lost zeros or its former number."""

from collections import defaultdict
from collections.abc import Mapping, Sequence

from fleet.workbook.columns import Row, Sheet, fold
from fleet.workbook.notes import Notes
from fleet.workbook.read import Table
from fleet.workbook.sheets import BY_NAME
from fleet.workbook.world import Fleet, Stored

_VEHICLES = BY_NAME["Vehicles"]
_NUMBER, _ALIASES = _VEHICLES.at["fleet_number"], _VEHICLES.at["aliases"]
_REGISTRATION, _VIN, _STATUS = (_VEHICLES.at[name] for name in ("registration", "vin", "status"))
_ALIKE = tuple(_VEHICLES.at[name] for name in ("joined_on", "vehicle_type", "depot"))
NO_OTHER = "NONE"  # under previous numbers: the vehicle never had another one
NAMED = 3  # candidates that one sentence names; our choice


def settle_numbers(tables: Mapping[str, Table], fleet: Fleet, notes: Notes) -> None:
    """Write every fleet number as the vehicle's own row spells it; follow renumbered vehicles.

    A vehicle of the book that the fleet knows under one of its previous numbers is renumbered.
    """
    directory = _Directory(fleet)
    table = tables["Vehicles"]
    _ask_about_renamed(table, fleet, directory.former, notes)
    for index, number in enumerate(table.numbers):
        table.rows[index] = _without_answer(table.rows[index])
        table.rows[index] = directory.settle(
            table.rows[index], number, index in table.figures, notes
        )
    names = directory.names()
    for other in tables.values():
        for column in other.sheet.columns:
            if column.refers == "Vehicles":
                at = other.sheet.at[column.name]
                other.rows[:] = [_renamed(row, at, names) for row in other.rows]
                if directory.renumbered:
                    _rekey(other.sheet, at, names, fleet)


def _without_answer(row: Row) -> Row:
    said = tuple(alias for alias in row[_ALIASES] if fold(alias) != NO_OTHER)
    return (*row[:_ALIASES], said, *row[_ALIASES + 1 :])


def _ask_about_renamed(table: Table, fleet: Fleet, former: Mapping[str, str], notes: Notes) -> None:
    """Ask about a new number beside a vehicle just like it that the book no longer has.

    Without its previous number a renumbered vehicle would stand in the fleet twice, and the one
    with the readings would be the other one.
    """
    stored = fleet["Vehicles"]
    said = {key[0] for key in map(_VEHICLES.key_of, table.rows)}
    said |= {fold(alias) for row in table.rows for alias in row[_ALIASES]}
    said |= {_bare(row[_NUMBER]) for row in table.rows} - {""}
    said |= {str(key[0]) for key in table.broken}
    lacking: dict[Row, list[Row]] = defaultdict(list)
    for (number,), known in stored.items():
        if not {number, _bare(number)} & said and known.row[_STATUS] != "sold":
            lacking[_alike(known.row)].append(known.row)
    for row, number in zip(table.rows, table.numbers, strict=True):
        known_number = (fold(row[_NUMBER]),) in stored or fold(row[_NUMBER]) in former
        if not known_number and not row[_ALIASES]:
            old = [one for one in lacking[_alike(row)] if not _another(row, one)]
            if old:
                heading = _VEHICLES.columns[_NUMBER].heading
                notes.fault("Vehicles", number, heading, _asked(row, old))


def _alike(row: Row) -> Row:
    return tuple(fold(row[index]) for index in _ALIKE)


def _another(row: Row, known: Row) -> bool:
    """Whether the papers say that it is another vehicle."""
    pairs = ((fold(row[index]), fold(known[index])) for index in (_REGISTRATION, _VIN))
    return any(new and old and new != old for new, old in pairs)


def _asked(row: Row, old: Sequence[Row]) -> str:
    names = [one[_NUMBER] for one in old]
    listed = " or ".join(names[:NAMED]) + (
        f" or {len(names) - NAMED} more" if names[NAMED:] else ""
    )
    heading = _VEHICLES.columns[_ALIASES].heading
    return (
        f"'{row[_NUMBER]}' is new, and the book no longer has {listed}, which joined on the same "
        f"day and is of the same type and depot; if it was renumbered, write {names[0]} under "
        f"'{heading}', and if this is another vehicle, write none there"
    )


def _renamed(row: Row, at: int, names: Mapping[str, str]) -> Row:
    given = row[at]
    name = names.get(fold(given)) or names.get(_bare(given), given)
    return row if name == given else (*row[:at], name, *row[at + 1 :])


def _bare(number: str) -> str:
    """What a spreadsheet leaves of 001012; a leading blank keeps it apart from full numbers."""
    return f" {number.lstrip('0')}" if number.isdigit() else ""


def _rekey(sheet: Sheet, at: int, names: Mapping[str, str], fleet: Fleet) -> None:
    rows = [Stored(old.id, _renamed(old.row, at, names)) for old in fleet[sheet.name].values()]
    fleet[sheet.name] = {sheet.key_of(stored.row): stored for stored in rows}


class _Directory:
    def __init__(self, fleet: Fleet) -> None:
        self.vehicles = fleet["Vehicles"]
        self.current = {key[0]: stored.row[_NUMBER] for key, stored in self.vehicles.items()}
        self.former = {
            fold(alias): stored.row[_NUMBER]
            for stored in self.vehicles.values()
            for alias in stored.row[_ALIASES]
        }
        self.by_bare: dict[str, list[str]] = {}
        for name in self.current.values():
            if name.isdigit():
                self.by_bare.setdefault(_bare(name), []).append(name)
        self.renumbered = False

    def settle(self, row: Row, number: int, is_figure: bool, notes: Notes) -> Row:
        given = row[_NUMBER]
        if fold(given) not in self.current:
            padded = self.by_bare.get(_bare(given), ()) if is_figure else ()
            if len(padded) == 1:
                row = (padded[0], *row[1:])
            else:
                self._new_number(row, number, padded, notes)
        row = self._with_known_aliases(row)
        self.current[fold(row[_NUMBER])] = row[_NUMBER]
        self._check_aliases(row, number, notes)
        return row

    def _new_number(self, row: Row, number: int, padded: Sequence[str], notes: Notes) -> None:
        given, heading = row[_NUMBER], _VEHICLES.columns[_NUMBER].heading
        old = [alias for alias in row[_ALIASES] if fold(alias) in self.current]
        if padded:
            message = (
                f"'{given}' can mean {' or '.join(padded)}; write it as text with all its zeros"
            )
            notes.fault("Vehicles", number, heading, message)
        elif len(old) == 1:
            self._renumber(fold(old[0]), given)
        elif fold(given) in self.former:
            message = f"'{given}' is a previous number of {self.former[fold(given)]}; write that"
            notes.fault("Vehicles", number, heading, message)

    def _renumber(self, old: str, new: str) -> None:
        self.renumbered = True
        self.vehicles[(fold(new),)] = self.vehicles.pop((old,))
        former = self.current.pop(old)
        self.former = {
            alias: new if name == former else name for alias, name in self.former.items()
        }
        self.former[old] = new

    def _with_known_aliases(self, row: Row) -> Row:
        """A book never takes a previous number away."""
        stored = self.vehicles.get((fold(row[_NUMBER]),))
        known = stored.row[_ALIASES] if stored else ()
        have = {fold(alias) for alias in known}
        new = tuple(alias for alias in row[_ALIASES] if fold(alias) not in have)
        return (*row[:_ALIASES], (*known, *new), *row[_ALIASES + 1 :])

    def _check_aliases(self, row: Row, number: int, notes: Notes) -> None:
        heading = _VEHICLES.columns[_ALIASES].heading
        for alias in row[_ALIASES]:
            taken_by = self.current.get(fold(alias)) or self.former.get(fold(alias))
            if taken_by is not None and fold(taken_by) != fold(row[_NUMBER]):
                message = f"'{alias}' is a number of {taken_by}; take it out here"
                notes.fault("Vehicles", number, heading, message)
            self.former[fold(alias)] = row[_NUMBER]

    def names(self) -> dict[str, str]:
        """Number in capitals, former ones and those with lost zeros included, to the one in use."""
        lost: dict[str, list[str]] = {}
        for name in self.current.values():
            if name.isdigit():
                lost.setdefault(_bare(name), []).append(name)
        unique = {bare: found[0] for bare, found in lost.items() if len(found) == 1}
        return {**unique, **self.former, **self.current}
