"""The command line: ``sumpwise`` and ``python -m config``."""

import argparse
import importlib
import os
import pkgutil
import sys
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version

from config import commands, garbage, whereabouts
from fleet.faults import Fault

INTERRUPTED = 130  # what a shell reports for SIGINT
READER_GONE = 141  # what a shell reports for SIGPIPE


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; give its exit code: 0 done, 1 a fault, 2 wrong usage."""
    try:
        code = _code(argv)
        sys.stdout.flush()
        return code
    except Fault as fault:
        print(f"sumpwise: {fault}", file=sys.stderr)
        return fault.exit_code
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        # the interpreter flushes once more on its way out, and would complain then
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return READER_GONE


def _code(argv: Sequence[str] | None) -> int:
    """Run the command; help and wrong usage end here too, so that all output is flushed once."""
    try:
        return _run(parser().parse_args(argv))
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 0


def parser() -> argparse.ArgumentParser:
    """Every command of every file in ``config/commands``."""
    whole = argparse.ArgumentParser(
        prog="sumpwise",
        description="Schedules the fluid services of a vehicle fleet.",
        epilog="The data folder is SUMPWISE_DATA, by default .sumpwise in the current folder.",
    )
    whole.add_argument("--version", action="version", version=f"sumpwise {_version()}")
    listed = whole.add_subparsers(metavar="COMMAND", title="commands", dest="command")
    for module in sorted(pkgutil.iter_modules(commands.__path__), key=lambda found: found.name):
        importlib.import_module(f"{commands.__name__}.{module.name}").register(listed)
    whole.set_defaults(run=None, database=True, begins="", new=False, of_vehicles=False)
    return whole


def _version() -> str:
    try:
        return version("sumpwise")
    except PackageNotFoundError:
        return "(not installed)"


def _run(arguments: argparse.Namespace) -> int:
    if arguments.run is None:
        parser().print_help()
        return 2
    tell_at_once(arguments.begins)
    if not arguments.new:
        whereabouts.must_be_there()
    garbage.look_less_often()
    multiply_on_one_core()
    set_up_django()
    from django.db import DatabaseError, OperationalError

    try:
        if arguments.database:
            from config.database import bring_up_to_date

            bring_up_to_date(tell_at_once if arguments.begins else None)
        if arguments.of_vehicles:
            whereabouts.must_have_vehicles()
        return int(arguments.run(arguments))
    except OperationalError as error:
        from config.database import in_words

        raise Fault(in_words(error)) from error
    except DatabaseError as error:
        if type(error) is not DatabaseError:  # its own kinds are faults of the program
            raise
        raise Fault(
            f"The database is damaged ({' '.join(str(error).split())}): put a backup in its place."
        ) from error


def tell_at_once(words: str) -> None:
    """Say on a terminal what takes its time, before it begins."""
    if words and sys.stderr.isatty():
        print(f"{words} …", file=sys.stderr, flush=True)


def multiply_on_one_core() -> None:
    """Matrices are small here: a second thread would wait for the first, at full load, for longer
    than it helps. Read when NumPy is first imported; whoever runs it may say otherwise."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def set_up_django() -> None:
    """Make models importable; the settings read the environment here."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
