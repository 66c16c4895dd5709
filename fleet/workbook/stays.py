"""Where vehicles are based: the newest stay and the vehicle's own row must agree."""

from fleet.workbook.columns import Key, Row, fold
from fleet.workbook.notes import Notes
from fleet.workbook.sheets import BY_NAME
from fleet.workbook.world import World

_VEHICLES, _STAYS = BY_NAME["Vehicles"], BY_NAME["Depot stays"]
_DEPOT, _JOINED_ON = _VEHICLES.at["depot"], _VEHICLES.at["joined_on"]


def settle_stays(world: World, notes: Notes) -> None:
    """Give new vehicles their first stay; let a new stay move a vehicle that has no row itself."""
    newest = _newest(world)
    _keep_first_stays(world)
    _add_first_stays(world, newest)
    _check_depots(world, newest, notes)
    _move(world, newest)


def _newest(world: World) -> dict[str, Row]:
    newest: dict[str, Row] = {}
    for row in world.rows["Depot stays"].values():
        vehicle = fold(row[0])
        if vehicle not in newest or newest[vehicle][1] < row[1]:
            newest[vehicle] = row
    return newest


def _keep_first_stays(world: World) -> None:
    """A first stay that came of a vehicle's own row is not lacking where that row stands."""
    vehicles, stays = world.tables["Vehicles"], world.tables["Depot stays"]
    given = {_STAYS.key_of(row) for row in stays.rows}
    for row, number in zip(vehicles.rows, vehicles.numbers, strict=True):
        key = (fold(row[0]), row[_JOINED_ON])
        stored = world.fleet["Depot stays"].get(key)
        if stored is not None and key not in given:
            stays.rows.append(stored.row)
            stays.numbers.append(number)


def _add_first_stays(world: World, newest: dict[str, Row]) -> None:
    vehicles, stays = world.tables["Vehicles"], world.tables["Depot stays"]
    for row, number in zip(vehicles.rows, vehicles.numbers, strict=True):
        key = _VEHICLES.key_of(row)
        at_known_depot = (fold(row[_DEPOT]),) in world.rows["Depots"]
        if key[0] in newest or key in world.fleet["Vehicles"] or not at_known_depot:
            continue
        stay = (row[0], row[_JOINED_ON], row[_DEPOT])
        newest[key[0]] = stay
        stays.rows.append(stay)
        stays.numbers.append(number)
        world.rows["Depot stays"][_STAYS.key_of(stay)] = stay


def _check_depots(world: World, newest: dict[str, Row], notes: Notes) -> None:
    table = world.tables["Vehicles"]
    for row, number in zip(table.rows, table.numbers, strict=True):
        stay = newest.get(fold(row[0]))
        if stay is not None and stay[2] != row[_DEPOT]:
            message = (
                f"'{row[_DEPOT]}' is not where its newest stay puts it ({stay[2]} from {stay[1]}); "
                "add the move to sheet Depot stays, or write that depot here"
            )
            notes.fault("Vehicles", number, "Depot", message)


def _move(world: World, newest: dict[str, Row]) -> None:
    table, given = world.tables["Vehicles"], world.tables["Depot stays"]
    spoken_for: set[Key] = {_VEHICLES.key_of(row) for row in table.rows}
    moved = {fold(row[0]): number for row, number in zip(given.rows, given.numbers, strict=True)}
    for vehicle, number in moved.items():
        row = world.rows["Vehicles"].get((vehicle,))
        if row is None or (vehicle,) in spoken_for or newest[vehicle][2] == row[_DEPOT]:
            continue
        moved_row = (*row[:_DEPOT], newest[vehicle][2], *row[_DEPOT + 1 :])
        table.rows.append(moved_row)
        table.numbers.append(number)
        world.rows["Vehicles"][(vehicle,)] = moved_row
