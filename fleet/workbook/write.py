"""The workbook file: an empty template, or the fleet as it stands."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import xlsxwriter
from xlsxwriter.utility import xl_rowcol_to_cell

from fleet.today import newest_day
from fleet.vehicles.models import Depot
from fleet.workbook.cells import Cell
from fleet.workbook.columns import Column, Row, Sheet
from fleet.workbook.duty_sheets import CRITERIA
from fleet.workbook.read import READ_ME, explanation
from fleet.workbook.sheets import BY_NAME, SHEETS
from fleet.workbook.usual import usual_criteria
from fleet.workbook.world import World, whole_fleet

LAST_ROW = 1_048_575
HEADING_ROW, EXPLANATION_ROW, FIRST_ROW = 0, 1, 2
EXPLANATION_LINES = 5
NUMBER_FORMATS = {
    "text": "@",
    "number": "General",
    "whole": "0",
    "date": "yyyy-mm-dd",
    "month": "yyyy-mm",
    "instant": "yyyy-mm-dd hh:mm:ss",
}
MOST_LISTED = 255  # signs of a drop-down that a spreadsheet keeps in the cell itself
HOW_TO = (
    "One row per thing; a sheet per subject. The first row holds the headings with their units, "
    "the second says what belongs there.",
    "Dark headings must be filled in. Leave empty what nobody knows: never guess.",
    "Columns may be moved, but not renamed. Rows may stand in any order; blank rows do no harm.",
    "A column with a light heading may be left out: rows the fleet has keep what they have there. "
    "Columns that tell rows apart or say a unit must stay.",
    "Loading is all or nothing: every fault is named with sheet, row and column, and nothing is "
    "changed until all are put right.",
    "Loading adds and changes; it never deletes. Rows that the fleet has and the book lacks are "
    "listed, with the way to take one away: a vehicle that is gone keeps its row with the status "
    "sold.",
    "Dates: 2025-03-31. Numbers: 12500 or 12.5 without a unit behind. Every figure needs a source: "
    "a document, 'common practice, no source' or 'our choice'.",
)


def write_template(path: Path) -> None:
    """A book with headings, explanations and drop-downs, and the usual duty criteria, off."""
    write_cells(path, {CRITERIA.name: usual_criteria()})


def export(path: Path) -> dict[str, int]:
    """The fleet as it stands; gives the number of rows by sheet."""
    fleet = whole_fleet()
    world = World({}, fleet, newest_day(Depot.objects.values_list("zone", flat=True)))
    rows = {sheet.name: _rows(world, sheet) for sheet in SHEETS}
    _write(path, rows)
    return {name: len(found) for name, found in fleet.items()}


def write_cells(path: Path, rows: Mapping[str, Iterable[Sequence[Cell]]]) -> None:
    """A book with these cells under the headings, by sheet."""
    _write(path, {sheet.name: rows.get(sheet.name, ()) for sheet in SHEETS})


def write_some(path: Path, rows: Mapping[str, Iterable[Sequence[Cell]]]) -> None:
    """A book of these sheets alone: nothing is said of what stands on the others."""
    _write(path, {sheet.name: rows[sheet.name] for sheet in SHEETS if sheet.name in rows})


def _rows(world: World, sheet: Sheet) -> Iterator[list[Cell]]:
    for _, stored in sorted(world.fleet[sheet.name].items(), key=_by_key):
        yield _shown(world, sheet, stored.row)


def _by_key(item: tuple[tuple[Any, ...], Any]) -> tuple[str, ...]:
    return tuple(f"{part:06}" if isinstance(part, int) else str(part) for part in item[0])


def _shown(world: World, sheet: Sheet, row: Row) -> list[Cell]:
    return [
        _local(world, sheet, row, column, value) if column.zone_of else column.kind.show(value)
        for column, value in zip(sheet.columns, row, strict=True)
    ]


def _local(world: World, sheet: Sheet, row: Row, column: Column, value: datetime) -> Cell:
    """A moment by the clock of the vehicle's depot; written out where that clock shows it twice."""
    zone = ZoneInfo(world.value(sheet, row, f"{column.zone_of}.depot.zone"))
    local = value.astimezone(zone)
    naive = local.replace(tzinfo=None, fold=0)
    unique = naive.replace(tzinfo=zone).astimezone(UTC) == value
    return naive if unique else local.isoformat()


def _write(path: Path, rows: Mapping[str, Iterable[Sequence[Cell]]]) -> None:
    with xlsxwriter.Workbook(path, {"constant_memory": True}) as workbook:
        styles = _styles(workbook)
        sheets = [sheet for sheet in SHEETS if sheet.name in rows]
        _write_read_me(workbook, styles, sheets)
        for sheet in sheets:
            page = workbook.add_worksheet(sheet.name)
            _lay_out(page, sheet, styles, rows)
            for index, row in enumerate(rows[sheet.name], FIRST_ROW):
                for place, cell in enumerate(row):
                    _write_cell(page, index, place, cell, styles[sheet.columns[place].kind.style])


def _styles(workbook: Any) -> dict[str, Any]:
    heading = {"bold": True, "text_wrap": True, "valign": "vcenter", "border": 1}
    styles = {
        name: workbook.add_format({"num_format": number_format, "valign": "top"})
        for name, number_format in NUMBER_FORMATS.items()
    }
    return styles | {
        "title": workbook.add_format({"bold": True, "font_size": 16}),
        "wrapped": workbook.add_format({"text_wrap": True, "valign": "top"}),
        "required": workbook.add_format(heading | {"bg_color": "#1F3A4D", "font_color": "#FFFFFF"}),
        "optional": workbook.add_format(heading | {"bg_color": "#D8E2E8"}),
        "explanation": workbook.add_format(
            {"italic": True, "text_wrap": True, "valign": "top", "font_color": "#555555"}
        ),
    }


def _write_read_me(workbook: Any, styles: Mapping[str, Any], sheets: Sequence[Sheet]) -> None:
    page = workbook.add_worksheet(READ_ME)
    page.set_column(0, 0, 22)
    page.set_column(1, 1, 100)
    page.write_string(0, 0, "Fleet workbook", styles["title"])
    for row, line in enumerate(HOW_TO, 2):
        page.write_string(row, 1, line, styles["wrapped"])
    start = len(HOW_TO) + 3
    page.write_string(start, 0, "Sheet", styles["required"])
    page.write_string(start, 1, "What it holds", styles["required"])
    for row, sheet in enumerate(sheets, start + 1):
        page.write_url(row, 0, f"internal:'{sheet.name}'!A1", string=sheet.name)
        page.write_string(row, 1, sheet.explanation, styles["wrapped"])
    for row, column in enumerate(_long_lists(), _row_of_lists()):
        page.write_string(row, 1, f"May stand under {column.heading}:", styles["wrapped"])
        for place, choice in enumerate(column.kind.choices, 2):
            page.write_string(row, place, choice)


def _long_lists() -> list[Column]:
    """Columns whose choices are too many for the cell: they stand in a row of their own."""
    columns = (column for sheet in SHEETS for column in sheet.columns)
    return [one for one in columns if len(",".join(one.kind.choices)) > MOST_LISTED]


def _row_of_lists() -> int:
    return len(HOW_TO) + len(SHEETS) + 6  # below the sheets, after a blank row


def _choices(column: Column) -> Any:
    """The choices of a column themselves, or where they stand."""
    lists = _long_lists()
    if column not in lists:
        return list(column.kind.choices)
    row, last = _row_of_lists() + lists.index(column), 1 + len(column.kind.choices)
    return f"='{READ_ME}'!{xl_rowcol_to_cell(row, 2, True, True)}:" + xl_rowcol_to_cell(
        row, last, True, True
    )


def _lay_out(page: Any, sheet: Sheet, styles: Mapping[str, Any], beside: Collection[str]) -> None:
    page.freeze_panes(FIRST_ROW, 1)
    for index, column in enumerate(sheet.columns):
        page.set_column(index, index, _width(column), styles[column.kind.style])
        _offer_choices(page, index, column, beside)
    page.set_row(HEADING_ROW, 32)
    for index, column in enumerate(sheet.columns):
        style = styles["required" if column.required else "optional"]
        page.write_string(HEADING_ROW, index, column.heading, style)
    page.set_row(EXPLANATION_ROW, 15 * (EXPLANATION_LINES + 1))
    for index, column in enumerate(sheet.columns):
        page.write_string(EXPLANATION_ROW, index, explanation(column), styles["explanation"])


def _width(column: Column) -> int:
    """Wide enough for what is typed there, and to read the explanation without scrolling."""
    return max(column.kind.width, len(explanation(column)) // EXPLANATION_LINES + 3)


def _offer_choices(page: Any, index: int, column: Column, beside: Collection[str]) -> None:
    """The choices of a column, or the keys of a sheet that stands ``beside`` it in the book."""
    if column.kind.choices:
        source: Any = _choices(column)
        severity = "stop"
    elif column.refers in beside and not isinstance(column.empty, tuple):
        target = BY_NAME[column.refers]
        letter = chr(ord("A") + target.key_at[0])
        source = f"='{target.name}'!${letter}${FIRST_ROW + 1}:${letter}$2000"
        severity = "warning"
    else:
        return
    page.data_validation(
        FIRST_ROW,
        index,
        LAST_ROW,
        index,
        {
            "validate": "list",
            "source": source,
            "error_type": severity,
            "error_title": column.heading[:32],
            "error_message": "Choose one from the list.",
        },
    )


def _write_cell(page: Any, row: int, place: int, cell: Cell, style: Any) -> None:
    if cell is None or cell == "":
        return
    if isinstance(cell, str):  # always as text, also where it looks like a formula
        page.write_string(row, place, cell, style)
    elif isinstance(cell, bool):
        page.write_boolean(row, place, cell, style)
    elif isinstance(cell, (int, float)):
        page.write_number(row, place, cell, style)
    else:
        page.write_datetime(row, place, _moment(cell), style)


def _moment(cell: Any) -> datetime:
    return cell if isinstance(cell, datetime) else datetime.combine(cell, time())
