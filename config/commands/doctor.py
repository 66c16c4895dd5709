"""``sumpwise doctor``."""

import argparse
import json
from dataclasses import asdict
from typing import Any


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "doctor",
        help="look for what keeps the program from working",
        description="Looks at Python and versions, data folder, disk, database, broker, schedule, "
        "static files, procedures and the last night, and says what to do; exit code 1 when "
        "something is wrong. Changes nothing.",
    )
    parser.add_argument("--json", action="store_true", help="print a JSON list")
    parser.set_defaults(run=run, database=False)


def run(arguments: argparse.Namespace) -> int:
    from config.doctor import examine

    findings = list(examine())
    if arguments.json:
        print(json.dumps([asdict(finding) for finding in findings], indent=1))
    for finding in () if arguments.json else findings:
        print(f"{'well ' if finding.well else 'WRONG'}  {finding.subject:<13}{finding.text}")
    return 0 if all(finding.well for finding in findings) else 1
