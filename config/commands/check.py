"""``sumpwise check``."""

import argparse
import json
from dataclasses import asdict
from typing import Any


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "check",
        help="look for what in the fleet's own records cannot be",
        description="Looks for service history that the readings contradict, uploads whose rows "
        "do not add up, readings without a verdict, usage that its readings do not make, services "
        "open on two orders, orders and rows without their history, finished work that lacks "
        "records, stock that is not the sum of its moves and lots or is past its use, and due "
        "dates that a night from scratch would not find; exit code 1 when there is any. Changes "
        "nothing.",
    )
    parser.add_argument("--json", action="store_true", help="print a JSON list")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    from django.utils import timezone

    from fleet.checks import check

    found = check(timezone.now())
    if arguments.json:
        print(json.dumps([asdict(one) for one in found], indent=1))
    else:
        for one in found:
            first, *rest = one.detail.splitlines()
            print(f"{'well ' if one.ok else 'WRONG'}  {one.name:<17}{first}")
            for line in rest:
                print(f"{'':<24}{line}")
    return 0 if all(one.ok for one in found) else 1
