"""``sumpwise backup`` and ``sumpwise restore``."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from config.backup import About


def register(commands: Any) -> None:
    backup = commands.add_parser(
        "backup",
        help="write everything into one file, while the program runs",
        description="Writes all rows, photos, papers and files sent in into one file, as of one "
        "moment; the program may run meanwhile. The secret key is not in it, nor is who is signed "
        "in; passwords and tokens are, as digests: keep the file where you keep such things.",
    )
    backup.add_argument("file", type=Path, metavar="FILE")
    backup.add_argument("--force", action="store_true", help="overwrite an existing file")
    backup.set_defaults(run=back_up)
    restore = commands.add_parser(
        "restore",
        help="bring everything back from a backup, or over from another data folder",
        description="Brings all of a backup into an empty data folder or database, and compares. "
        "Named a data folder instead, it moves all of an embedded installation over: into "
        "PostgreSQL when SUMPWISE_DATABASE_URL is set. What was named stays as it is.",
    )
    restore.add_argument("source", type=Path, metavar="FROM", help="a backup, or a data folder")
    restore.set_defaults(run=bring_back, database=False, new=True)
    for parser in (backup, restore):
        parser.add_argument("--json", action="store_true", help="print one JSON object")


def back_up(arguments: argparse.Namespace) -> int:
    from config import backup

    path: Path = arguments.file
    may_write(path, arguments.force)
    about = backup.back_up(path, tell)
    _print(about, arguments.json, f"{path}: {about.in_words}.")
    return 0


def may_write(path: Path, force: bool) -> None:
    """Refuse a place where no file can be made, or where one is that nobody said to replace.

    Raises
    ------
    Fault
        With what to do instead.
    """
    from fleet.faults import Fault

    if path.is_dir():
        raise Fault(f"{path} is a folder: name a file in it.")
    if path.exists() and not force:
        raise Fault(f"{path} exists already: choose another name, or add --force.")
    if not path.absolute().parent.is_dir():
        raise Fault(f"There is no folder {path.absolute().parent}: make it first.")


def bring_back(arguments: argparse.Namespace) -> int:
    from config import backup

    about = backup.restore(arguments.source, tell)
    said = f"Restored {about.in_words}; every row is as in the backup. Everybody signs in anew."
    _print(about, arguments.json, said)
    return 0


def tell(words: str) -> None:
    if sys.stderr.isatty():
        print(f"\r\033[K{words} …", end="", file=sys.stderr, flush=True)


def told() -> None:
    """Take the last words told away again."""
    if sys.stderr.isatty():
        print("\r\033[K", end="", file=sys.stderr)


def _print(about: "About", as_json: bool, said: str) -> None:
    import json

    told()
    if not as_json:
        print(said)
        return
    shown = {"made_at": about.made_at, "rows": about.rows, "files": about.files}
    print(json.dumps(shown, indent=2))
