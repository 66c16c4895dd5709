"""``sumpwise doctor``."""

import argparse
import json
from typing import Any


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "doctor",
        help="look for what keeps the program from working",
        description="Looks at Python and versions, data folder, settings, disk, database, broker, "
        "worker, what waits, schedule, static files, procedures and the last night, and says what "
        "to do: of what is WRONG (then the exit code is 1) and of what somebody should look at. "
        "Changes nothing.",
    )
    parser.add_argument("--json", action="store_true", help="print a JSON list")
    parser.set_defaults(run=run, database=False)


def run(arguments: argparse.Namespace) -> int:
    from config.doctor import examine

    findings = list(examine())
    if arguments.json:
        print(json.dumps([finding.as_json() for finding in findings], indent=1))
    for finding in () if arguments.json else findings:
        mark = finding.state if finding.well else finding.state.upper()
        print(f"{mark:<5}  {finding.subject:<13}{finding.text}")
    return 0 if all(finding.well for finding in findings) else 1
