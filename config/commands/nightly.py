"""``sumpwise nightly``."""

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from config.bar import bar
from config.commands.due import day

if TYPE_CHECKING:
    from fleet.runs.models import Run


def register(commands: Any) -> None:
    nightly = commands.add_parser(
        "nightly",
        help="do the night's work now",
        description="Judges new readings and brings usage, duty classes and due dates up to date. "
        "By itself this happens at 02:30 of each depot: while sumpwise serve runs, on a server "
        "while beat and a worker do.",
    )
    nightly.add_argument("--date", type=day, metavar="D", help="the night of this day; else today")
    nightly.add_argument("--json", action="store_true", help="print a JSON list of the runs")
    nightly.set_defaults(run=run_night)


def run_night(arguments: argparse.Namespace) -> int:
    from fleet.runs.models import Run

    runs = do_night(arguments.date)
    if arguments.json:
        print(json.dumps([_plain(run) for run in runs], indent=1))
    else:
        for run in runs:
            counts = ", ".join(f"{name} {count}" for name, count in run.counts.items())
            print(f"Night of {run.on}, {run.part}: {run.state}. {counts}".rstrip())
        if not runs:
            print("There is no depot yet, so no night: load a fleet workbook first.")
    return 0 if all(run.state == Run.State.DONE for run in runs) else 1


def do_night(on: Any = None) -> "list[Run]":
    """The night of every time zone that has a depot, with a progress bar on a terminal; where
    somebody is at it already, as it stands."""
    from django.utils import timezone

    from fleet import chain
    from fleet.faults import Fault
    from fleet.runs import ledger
    from fleet.runs.models import Run
    from fleet.today import today_at
    from fleet.vehicles.models import Depot

    runs = []
    zones = sorted(set(Depot.objects.values_list("zone", flat=True)))
    newest = {zone: today_at(zone, timezone.now()) for zone in zones}
    for zone, today in newest.items():
        if on and on > today:
            raise Fault(f"{on} has not come in {zone}: give {today} or a day before it.")
    ledger.let_go_of_the_dead()
    for zone in zones:
        night = on or newest[zone]
        try:
            with bar() as tell:
                runs.append(chain.nightly(night, zone, tell, again=True))
        except ledger.Taken as fault:  # the other zones are free
            print(f"sumpwise: {fault}", file=sys.stderr)
            runs.append(Run.objects.get(job=ledger.NIGHT, on=night, part=zone))
    return runs


def _plain(run: "Run") -> dict[str, Any]:
    return {
        "job": run.job,
        "date": run.on.isoformat(),
        "part": run.part,
        "state": run.state,
        "counts": run.counts,
        "error": run.error,
    }
