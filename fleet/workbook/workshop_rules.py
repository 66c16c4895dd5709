"""What rows about workshops and other work must mean together."""

from datetime import timedelta
from typing import Any

from fleet.vehicles.closures import closed_by
from fleet.visits.fixed_days import NEAR_D, Calendar, doubt
from fleet.visits.models import OtherWork
from fleet.workbook.columns import Row, fold
from fleet.workbook.noted import Record
from fleet.workbook.sheets import BY_NAME
from fleet.workbook.world import World

SHEET = BY_NAME["Other work"]
WHY = SHEET.column("why_it_stands").heading


def ends_not_before_it_begins(world: World, row: Record) -> None:
    if row["until_on"] < row["from_on"]:
        row.fault("until_on", "is before its first day; exchange the two")


def has_one_day(world: World, row: Record) -> None:
    if row["fixed_on"] and row["latest_on"]:
        row.fault("latest_on", "there is a fixed day already; leave one of them empty")


def recall_has_its_number(world: World, row: Record) -> None:
    if row["kind"] == OtherWork.Kind.RECALL and not row["number"]:
        row.fault("number", "a recall has a number; write it as its letter does")


def fixed_day_is_kept(world: World, row: Record) -> None:
    """What page and API ask about; a row that is stored so already is only warned about."""
    stored = world.fleet["Other work"].get(row.sheet.key_of(row.row))
    if text := _fixed_day_doubt(world, row.row):
        (row.warn if stored and stored.row == row.row else row.fault)("fixed_on", text)


def _fixed_day_doubt(world: World, row: Row) -> str:
    """What page and API ask about the fixed day of a row, as a note; empty: nothing."""
    on, depot = row[SHEET.at["fixed_on"]], world.value(SHEET, row, "vehicle.depot")
    if on is None or depot is None or row[SHEET.at["why_it_stands"]]:
        return ""
    question = doubt(_calendar(world, row, fold(depot)), on, world.today)
    return f"{question} If it is right, say why in {WHY}" if question else ""


def _calendar(world: World, row: Row, depot: Any) -> Calendar:
    def of_depot(name: str) -> Any:
        return world.value(SHEET, row, f"vehicle.depot.{name}")

    on, vehicle = row[SHEET.at["fixed_on"]], row[SHEET.at["vehicle"]]
    first, last = on - timedelta(days=NEAR_D), on + timedelta(days=NEAR_D)
    spans = ("from_on", "until_on", "reason")
    closures = _rows(world, "Closures", depot, "on", "open", "note")
    return Calendar(
        depot=of_depot("name"),
        week=of_depot("working_days"),
        closed=closed_by(of_depot("holidays_in"), closures, first, last),
        blocked=_rows(world, "Blocked days", depot, *spans),
        vehicle=vehicle,
        away=_rows(world, "Vehicles away", fold(vehicle), *spans),
    )


def _rows(world: World, sheet: str, place: Any, *names: str) -> list[Any]:
    """Some columns of the rows of one depot or vehicle, which their keys begin with."""
    at = BY_NAME[sheet].at
    rows = (one for key, one in world.rows[sheet].items() if key[0] == place)
    return [tuple(one[at[name]] for name in names) for one in rows]
