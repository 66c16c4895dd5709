"""What the book makes of procedures: none may come out of it that its family forbids.

A procedure is looked at as it would stand with the book laid over the fleet, if the book has a
row of it, or changes a caution or what drives the vehicle.
"""

from collections import defaultdict
from typing import Any

from fleet.workbook.columns import Key, Row, Sheet
from fleet.workbook.notes import Notes
from fleet.workbook.sheets import BY_NAME
from fleet.workbook.world import World
from fleet.workorders.families import wrongs
from fleet.workorders.fit import misfits
from fleet.workorders.wrong import Wrong

PARTS = ("Steps", "Fasteners", "Materials", "Tools")
OWN = ("Procedures", *PARTS)
AROUND = ("Cautions", "Vehicle types", "Compartments")


def check_procedures(world: World, notes: Notes) -> None:
    """Name everything that a procedure lacks, with the row where to put it right."""
    touched = _touched(world)
    if not touched or _cannot_tell(world, notes):
        return
    parts = {name: _by_procedure(world, name) for name in PARTS}
    cautions = [_instance(BY_NAME["Cautions"], row) for row in world.rows["Cautions"].values()]
    broken, own = _broken(world), _own(world)
    before = World({}, world.fleet, world.today)
    for key in sorted(touched - broken):
        row, vehicle_type = world.rows["Procedures"].get(key), _vehicle_type(world, key)
        if row is not None and vehicle_type is not None:
            steps, fasteners, materials, tools = (parts[name][key] for name in PARTS)
            procedure = _instance(BY_NAME["Procedures"], row)
            powertrain = vehicle_type[BY_NAME["Vehicle types"].at["powertrain"]]
            rows = (steps, fasteners, materials)
            found = wrongs(procedure, *rows, cautions, powertrain, _system(world, key))
            unfit = misfits(procedure, steps, fasteners, materials, tools)
            stood = set() if key in own else _stood(before, key, rows)
            for wrong in (wrong for wrong in (*found, *unfit) if wrong.text not in stood):
                _note(world, notes, key, wrong)


def _touched(world: World) -> set[Key]:
    """Procedures of which the book has a row, or all that a change around them concerns."""
    known = world.rows["Procedures"].keys()
    if any(_changes(world, name) for name in AROUND):
        return set(known)
    return _own(world) & known


def _own(world: World) -> set[Key]:
    """Procedures of which the book has a row."""
    rows = ((world.tables[name], row) for name in OWN for row in world.tables[name].rows)
    return {table.sheet.key_of(row)[:2] for table, row in rows}


def _stood(before: World, key: Key, rows: tuple[list[Any], list[Any], list[Any]]) -> set[str]:
    """What is wrong already with a procedure that the book leaves as it is."""
    vehicle_type, procedure = _vehicle_type(before, key), before.rows["Procedures"].get(key)
    if vehicle_type is None or procedure is None:
        return set()
    cautions = [_instance(BY_NAME["Cautions"], row) for row in before.rows["Cautions"].values()]
    powertrain = vehicle_type[BY_NAME["Vehicle types"].at["powertrain"]]
    row = _instance(BY_NAME["Procedures"], procedure)
    found = wrongs(row, *rows, cautions, powertrain, _system(before, key))
    return {wrong.text for wrong in found}


def _changes(world: World, name: str) -> bool:
    table, stored = world.tables[name], world.fleet[name]
    pairs = ((row, stored.get(table.sheet.key_of(row))) for row in table.rows)
    return any(known is None or known.row != row for row, known in pairs)


def _cannot_tell(world: World, notes: Notes) -> bool:
    """Whether a heading is missing, or a caution is wrong: then much would only seem to lack."""
    sheets = {*OWN, *AROUND}
    headings = {name: min(world.tables[name].numbers, default=2) for name in sheets}
    missing = any(note.row < headings[note.sheet] for note in notes.faults if note.sheet in sheets)
    return missing or bool(world.tables["Cautions"].broken)


def _broken(world: World) -> set[Key]:
    """Procedures with a row left out for a fault of its own: that must be put right first."""
    return {key[:2] for name in OWN for key in world.tables[name].broken}


def _by_procedure(world: World, name: str) -> defaultdict[Key, list[Any]]:
    found: defaultdict[Key, list[Any]] = defaultdict(list)
    for key, row in world.rows[name].items():
        found[key[:2]].append(_instance(BY_NAME[name], row))
    return found


def _instance(sheet: Sheet, row: Row) -> Any:
    stored = sheet.as_stored(row)
    return sheet.model(**{sheet.columns[index].name: stored[index] for index in sheet.stored})


def _vehicle_type(world: World, key: Key) -> Row | None:
    return world.rows["Vehicle types"].get(key[:1])


def _system(world: World, key: Key) -> str:
    """The kind of the compartment that a service is done on; empty where it cannot be told."""
    service = world.rows["Services"].get(key)
    if service is None:
        return ""
    slug = service[BY_NAME["Services"].at["compartment"]]
    found = world.rows["Compartments"].get((key[0], str(slug).upper()))
    return str(found[BY_NAME["Compartments"].at["kind"]]) if found else ""


def _note(world: World, notes: Notes, key: Key, wrong: Wrong) -> None:
    name, number, column = _place(world, key, wrong)
    vehicle_type, service, *_ = world.rows["Procedures"][key]
    heading = BY_NAME[name].column(column).heading
    notes.fault(name, number, heading, f"{vehicle_type} {service}: {wrong.text}")


def _place(world: World, key: Key, wrong: Wrong) -> tuple[str, int, str]:
    """Sheet, row and column where to look: the nearest that the book has a row of."""
    if wrong.caution and (number := _row_of(world, "Cautions", (wrong.caution.upper(),))):
        return "Cautions", number, "step_kinds"
    if wrong.step is not None and (number := _row_of(world, "Steps", (*key, wrong.step))):
        return "Steps", number, "kind"
    fastener = wrong.fastener.upper()
    if fastener and (number := _row_of(world, "Fasteners", (*key, fastener))):
        return "Fasteners", number, wrong.column
    return "Procedures", _row_of(world, "Procedures", key), "family"


def _row_of(world: World, name: str, key: Key) -> int:
    """The number of a row in the book; 0 when the book does not have it."""
    table = world.tables[name]
    for row, number in zip(table.rows, table.numbers, strict=True):
        if table.sheet.key_of(row) == key:
            return number
    return 0
