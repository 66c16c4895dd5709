"""``sumpwise migrate``."""

import argparse
from typing import Any


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "migrate",
        help="bring the database up to the program",
        description="Brings the database up to the program. An embedded one does so by itself.",
    )
    parser.set_defaults(run=run, database=False, new=True)


def run(arguments: argparse.Namespace) -> int:
    from config.database import migrate, must_not_be_newer, steps_behind

    must_not_be_newer()
    behind = steps_behind()
    migrate()
    print(told(behind))
    return 0


def told(applied: int) -> str:
    """How many steps a database was brought on, in a sentence."""
    if not applied:
        return "Nothing to do."
    return f"{applied} step{'s' if applied > 1 else ''} applied."
