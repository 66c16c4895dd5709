"""``sumpwise doctor``."""

import argparse
from typing import Any


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "doctor",
        help="look for what keeps the program from working",
        description="Looks at Python, data folder, database, broker, static files and the last "
        "night, and says what to do; exit code 1 when something is wrong. Changes nothing.",
    )
    parser.set_defaults(run=run, database=False)


def run(arguments: argparse.Namespace) -> int:
    from config.doctor import examine

    findings = list(examine())
    for finding in findings:
        print(f"{'well ' if finding.well else 'WRONG'}  {finding.subject:<13}{finding.text}")
    return 0 if all(finding.well for finding in findings) else 1
