"""``sumpwise demand``."""

import argparse
import csv
import json
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from config.commands.due import FORMULA_STARTS
from fleet.faults import Fault

if TYPE_CHECKING:
    from fleet.consumables.listing import DemandRow

KEYS = ("depot", "item", "month", "mean", "p50", "p80", "p95", "packs", "order_by")
HEADINGS = ("Depot", "Item", "Month", "Mean", "p50", "p80", "p95", "Unit", "Packs", "Order by")


def months(text: str) -> int:
    """A number of months of the command line."""
    if not text.isdecimal() or not 1 <= int(text) <= 12:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of months: write 1 to 12")
    return int(text)


def register(commands: Any) -> None:
    demand = commands.add_parser(
        "demand",
        help="list what stores will need, month by month",
        description="Lists what each depot will use of each item in the present month and those "
        "after it, as of the last night: mean and the quantities that suffice in 50, 80 and 95 of "
        "100 cases [mL or pieces], the whole packs for p95, and the day to order them by.",
    )
    demand.add_argument("--months", type=months, default=6, metavar="N", help="1 to 12; default 6")
    demand.add_argument("--depot", action="append", metavar="D", help="one depot; may be repeated")
    form = demand.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print a JSON list")
    form.add_argument("--csv", action="store_true", help="print CSV")
    form.add_argument(
        "--xlsx",
        nargs="?",
        const="demand.xlsx",
        metavar="FILE",
        help="write a spreadsheet, by default demand.xlsx in this folder",
    )
    demand.set_defaults(run=list_demand)


def list_demand(arguments: argparse.Namespace) -> int:
    from django.utils import timezone

    from fleet.consumables.listing import demand_rows

    depots = _depots(arguments.depot)
    rows = demand_rows(timezone.now().date(), depots, arguments.months)
    if arguments.json:
        print(json.dumps([_plain(row) for row in rows], indent=1))
    elif arguments.csv:
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow(KEYS)
        writer.writerows([_safe(value) for value in _plain(row).values()] for row in rows)
    elif arguments.xlsx:
        _write(arguments.xlsx, rows)
    else:
        _print_table(rows)
    return 0


def _depots(named: Sequence[str] | None) -> list[str] | None:
    from fleet.vehicles.models import Depot

    if not named:
        return None
    known = set(Depot.objects.values_list("slug", flat=True))
    for slug in named:
        if slug not in known:
            raise Fault(f"There is no depot {slug!r}: choose from {', '.join(sorted(known))}.")
    return list(named)


def _plain(row: "DemandRow") -> dict[str, Any]:
    plain = {key: getattr(row, key) for key in KEYS}
    plain["order_by"] = row.order_by and row.order_by.isoformat()
    return plain


def _safe(value: Any) -> Any:
    """A spreadsheet must not run what somebody typed as a name."""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA_STARTS) else value


def _write(name: str, rows: "Sequence[DemandRow]") -> None:
    import xlsxwriter

    try:
        with xlsxwriter.Workbook(name) as book:
            sheet = book.add_worksheet("Demand")
            bold, day = book.add_format({"bold": True}), book.add_format({"num_format": 14})
            sheet.write_row(0, 0, [*KEYS, "unit"], bold)
            for number, row in enumerate(rows, start=1):
                for column, key in enumerate([*KEYS[:-1], "", "unit"]):
                    value = getattr(row, key) if key else None
                    if isinstance(value, str):
                        sheet.write_string(number, column, value)
                    elif value is not None:
                        sheet.write_number(number, column, value)
                if row.order_by:
                    sheet.write_datetime(number, len(KEYS) - 1, row.order_by, day)
            sheet.freeze_panes(1, 0)
            sheet.autofit()
    except (OSError, xlsxwriter.exceptions.FileCreateError) as error:
        raise Fault(f"{name} cannot be written: {error}. Give another place.") from error
    print(f"{len(rows)} rows written to {name}.")


def _print_table(rows: "Sequence[DemandRow]") -> None:
    if not rows:
        print("Nothing is forecast: load items and procedures, then run sumpwise nightly.")
        return
    lines = [
        [
            *(row.depot, row.item, row.month, f"{row.mean:,.1f}"),
            *(f"{figure:,}" for figure in (row.p50, row.p80, row.p95)),
            row.unit,
            "–" if row.packs is None else str(row.packs),
            str(row.order_by or "–"),
        ]
        for row in rows
    ]
    widths = [max(map(len, column)) for column in zip(HEADINGS, *lines, strict=True)]
    for line in (HEADINGS, *lines):
        cells = [
            cell.rjust(width) if 3 <= at <= 6 or at == 8 else cell.ljust(width)
            for at, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        print("  ".join(cells).rstrip())
    print(f"{len(rows)} rows.")
