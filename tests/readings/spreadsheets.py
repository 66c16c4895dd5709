"""Small spreadsheets made on the spot for the tests of the intake."""

import zipfile
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import xlsxwriter

ODS_KIND = "application/vnd.oasis.opendocument.spreadsheet"
_ODS_HEAD = (
    '<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0">'
    "<office:body><office:spreadsheet>"
)
_ODS_TAIL = "</office:spreadsheet></office:body></office:document-content>"


def write_xlsx(path: Path, **sheets: Iterable[Sequence[Any]]) -> Path:
    workbook = xlsxwriter.Workbook(path, {"strings_to_formulas": False})
    day = workbook.add_format({"num_format": "yyyy-mm-dd"})
    moment = workbook.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
    for name, rows in sheets.items():
        sheet = workbook.add_worksheet(name)
        for number, row in enumerate(rows):
            for column, cell in enumerate(row):
                if isinstance(cell, datetime):
                    sheet.write_datetime(number, column, cell, moment)
                elif isinstance(cell, date):
                    sheet.write_datetime(number, column, cell, day)
                else:
                    sheet.write(number, column, cell)
    workbook.close()
    return path


def write_formulas(path: Path, formulas: Sequence[tuple[str, Any]]) -> Path:
    workbook = xlsxwriter.Workbook(path)
    sheet = workbook.add_worksheet("Formulas")
    for row, (formula, value) in enumerate(formulas):
        sheet.write_formula(row, 0, formula, None, value)
    sheet.write(len(formulas), 0, "end")
    workbook.close()
    return path


def write_ods(path: Path, rows: Iterable[Sequence[Any]], manifest: str = "") -> Path:
    body = "".join(
        f"<table:table-row>{''.join(map(_ods_cell, row))}</table:table-row>" for row in rows
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as workbook:
        workbook.writestr("mimetype", ODS_KIND)
        workbook.writestr("META-INF/manifest.xml", f"<manifest>{manifest}</manifest>")
        workbook.writestr(
            "content.xml",
            f'{_ODS_HEAD}<table:table table:name="Sheet1">{body}</table:table>{_ODS_TAIL}',
        )
    return path


def _ods_cell(cell: Any) -> str:
    if isinstance(cell, date):
        kind = f'office:value-type="date" office:date-value="{cell.isoformat()}"'
    elif isinstance(cell, (int, float)):
        kind = f'office:value-type="float" office:value="{cell}"'
    else:
        kind = 'office:value-type="string"'
    return f"<table:table-cell {kind}><text:p>{escape(str(cell))}</text:p></table:table-cell>"
