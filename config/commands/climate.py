"""``sumpwise climate``: the climate of a depot from a weather service's file."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fleet.duty.climate import TakenIn


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "climate",
        help="take in a weather service's daily extremes as the climate of a depot",
        description="Reads a file with a row a day (DATE, TMAX, TMIN; degrees Celsius or tenths "
        "of them; missed days may be blank or -9999) and keeps the monthly means of the depot "
        "with their source. A month with fewer than 20 days is refused.",
    )
    parser.add_argument("file", type=Path, metavar="FILE")
    parser.add_argument("--depot", required=True, metavar="D", help="the depot near the station")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    from fleet.duty.climate import take_in
    from fleet.faults import Fault
    from fleet.vehicles.models import Depot

    depot = Depot.objects.filter(slug=arguments.depot).first()
    if depot is None:
        known = ", ".join(Depot.objects.values_list("slug", flat=True))
        raise Fault(f"There is no depot {arguments.depot}. Known: {known or 'none yet'}.")
    if not arguments.file.is_file():
        raise Fault(f"{arguments.file} cannot be opened: check the name.")
    taken = take_in(arguments.file, depot)
    print(json.dumps(asdict(taken), ensure_ascii=False) if arguments.json else _words(taken))
    return 0


def _words(taken: TakenIn) -> str:
    lines = []
    for month in taken.months:
        if month.mean_daily_max_c is None or month.mean_daily_min_c is None:
            lines.append(f"{month.month}  refused: {month.message}")
            continue
        lines.append(
            f"{month.month}  {month.mean_daily_max_c:6.1f} {month.mean_daily_min_c:6.1f} °C  "
            f"{month.days} days, {month.outcome}"
        )
    given = "tenths of a degree" if taken.tenths else "degrees"
    return "\n".join(
        ["Month    mean maximum and minimum", *lines, f"Read as {given}. Source: {taken.source}."]
    )
