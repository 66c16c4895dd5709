"""``sumpwise demand``."""

import argparse
import csv
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fleet.faults import Fault
from fleet.tables import unlike_a_formula, xlsx_bytes

if TYPE_CHECKING:
    from fleet.consumables.listing import DemandRow

HEADINGS = (
    *("Depot", "Item", "Month", "Mean", "Sum", "p95", "Unit", "On hand", "Usable", "Free"),
    *("Pack", "Order", "Order by", "Runs out"),
)
FIGURES = range(3, 12)  # columns of the table that are set to the right
UNIT_AT = 6


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
        "after it, as of the last night: the mean, its sum so far, and what suffices in 50, 80 and "
        "95 of 100 cases [mL or pieces]; beside it the stock as it is now, what of it is usable "
        "before it is too old, what is free once the need to the month's end is met (orders that "
        "come by then counted), the size of a pack, the packs and the day of the order that is "
        "proposed, and the first day without stock.",
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
    demand.set_defaults(run=list_demand, of_vehicles=True)


def list_demand(arguments: argparse.Namespace) -> int:
    from fleet.consumables.listing import demand_rows

    depots = _depots(arguments.depot)
    rows = demand_rows(_today(depots), depots, arguments.months)
    if arguments.json:
        print(json.dumps([_plain(row) for row in rows], indent=1))
    elif arguments.csv:
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow(keys())
        writer.writerows(
            [unlike_a_formula(value) for value in _plain(row).values()] for row in rows
        )
    elif arguments.xlsx:
        _write(arguments.xlsx, rows)
    else:
        _print_table(rows)
    return 0


def _today(depots: Sequence[str] | None) -> date:
    from fleet.today import newest_day
    from fleet.vehicles.models import Depot

    found = Depot.objects.all() if depots is None else Depot.objects.filter(slug__in=depots)
    return newest_day(found.values_list("zone", flat=True))


def _depots(named: Sequence[str] | None) -> list[str] | None:
    from fleet.vehicles.models import Depot

    if not named:
        return None
    known = set(Depot.objects.values_list("slug", flat=True))
    for slug in named:
        if slug not in known:
            raise Fault(f"There is no depot {slug!r}: choose from {', '.join(sorted(known))}.")
    return list(named)


def keys() -> tuple[str, ...]:
    """Headings of the files: the names that the API gives the columns."""
    from fleet.consumables.listing import KEYS

    return KEYS


def _plain(row: "DemandRow") -> dict[str, Any]:
    return {
        key: value.isoformat() if isinstance(value, date) else value
        for key, value in asdict(row).items()
    }


def _write(name: str, rows: "Sequence[DemandRow]") -> None:
    table = xlsx_bytes(keys(), [list(asdict(row).values()) for row in rows], "Demand")
    try:
        Path(name).write_bytes(table)
    except OSError as error:
        raise Fault(f"{name} cannot be written: {error}. Give another place.") from error
    print(f"{len(rows)} rows written to {name}.")


def _print_table(rows: "Sequence[DemandRow]") -> None:
    if not rows:
        print("Nothing is forecast: load items and procedures, then run sumpwise nightly.")
        return
    lines = [_cells(row) for row in rows]
    widths = [max(map(len, column)) for column in zip(HEADINGS, *lines, strict=True)]
    for line in (HEADINGS, *lines):
        cells = [
            cell.rjust(width) if at in FIGURES and at != UNIT_AT else cell.ljust(width)
            for at, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        print("  ".join(cells).rstrip())
    print(f"{len(rows)} rows.")


def _cells(row: "DemandRow") -> list[str]:
    return [
        *(row.depot, row.item, row.month, f"{row.mean:,.1f}", f"{row.cumulative:,.1f}"),
        *(f"{row.p95:,}", row.unit, f"{row.on_hand:,}", f"{row.usable:,}", f"{row.free:,}"),
        *("–" if figure is None else f"{figure:,}" for figure in (row.pack, row.packs)),
        *(str(day or "–") for day in (row.order_by, row.runs_out)),
    ]
