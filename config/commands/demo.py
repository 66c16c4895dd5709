"""``sumpwise demo``."""

import argparse
import shutil
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from config.bar import bar
from config.commands.due import OVERDUE, print_table
from config.commands.nightly import do_night
from config.commands.serve import add_address

if TYPE_CHECKING:
    from fleet.due.listing import DueRow


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "demo",
        help="load an invented fleet, run the night and serve it",
        description="On the first start an invented parcel company with 48 vans lives through "
        "three years; then the night runs, what is overdue and due this month is printed, and all "
        "of it is served. A later start keeps the data.",
    )
    parser.add_argument(
        "--months", type=at_least(1), default=36, metavar="N", help="of past (default 36)"
    )
    parser.add_argument(
        "--vehicles",
        type=at_least(48),
        default=48,
        metavar="N",
        help="48 have a story (the default); more are there for trying at scale",
    )
    parser.add_argument("--no-serve", action="store_true", help="stop after the summary")
    add_address(parser)
    parser.set_defaults(run=run, new=True)


def at_least(least: int) -> Callable[[str], int]:
    """Read a whole number that is not too small."""

    def read(text: str) -> int:
        if not text.isdigit() or int(text) < least:
            raise argparse.ArgumentTypeError(f"{text!r}: give a whole number from {least} up")
        return int(text)

    return read


def run(arguments: argparse.Namespace) -> int:
    bring_demo(arguments.months, arguments.vehicles)
    do_night()
    _print_summary()
    if arguments.no_serve:
        print("To sign in, serve the demo with: sumpwise demo (it prints a link for each role)")
        return 0
    from config.serving import serve

    return serve(arguments.port, arguments.host)


def bring_demo(months: int = 36, vehicles: int = 48) -> None:
    """Load the demo unless it is there; refuse a data folder with another fleet."""
    from django.conf import settings
    from django.utils import timezone

    from config.serving import only_one
    from fleet.demo import build
    from fleet.faults import Fault

    if build.belongs_to_others():
        raise Fault(
            f"{settings.DATA_DIR} holds a fleet that is no demo: name another folder in "
            "SUMPWISE_DATA, or use sumpwise serve."
        )
    if build.is_loaded():
        print(f"The demo is already in {settings.DATA_DIR}; its data are kept.")
        return
    with only_one():
        if build.was_cut_short():
            _clear()
        print(f"Loading an invented fleet into {settings.DATA_DIR} …")
        with bar() as tell:
            build.build(timezone.now(), tell, months, vehicles)


def _clear() -> None:
    """Take away what a start that was cut short left in the demo's own data folder."""
    from django.conf import settings
    from django.db import connection

    from config.database import migrate
    from fleet.faults import Fault

    if settings.SERVED:
        raise Fault(
            "The demo was cut short while it was loaded: name an empty database in "
            "SUMPWISE_DATABASE_URL, and start again."
        )
    print("The demo was cut short while it was loaded: it begins again.")
    connection.close()
    for path in settings.DATA_DIR.glob("sumpwise.sqlite3*"):
        path.unlink()
    for folder in (settings.MEDIA_ROOT, settings.DATA_DIR / "uploads"):
        shutil.rmtree(folder, ignore_errors=True)
    migrate()


def _print_summary() -> None:
    from fleet.due.listing import DueFilter, due_counts, due_rows

    _print_part("Overdue or probably so", due_rows(DueFilter(states=OVERDUE)))
    _print_part("Due this month", due_rows(DueFilter(states=["due_this_month"])))
    unknown = sum(n for (_, state), n in due_counts().items() if state == "history_unknown")
    print(f"\nHistory unknown: {unknown} services. All names and figures are invented.\n")


def _print_part(title: str, rows: "list[DueRow]") -> None:
    if rows:
        print(f"\n{title}")
        print_table(rows)
