"""``sumpwise export``: all of one depot, for whoever takes it over."""

import argparse
from pathlib import Path
from typing import Any


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "export",
        help="write all rows, photos and papers of one depot as tables that any program reads",
        description="Writes the rows, photos and papers of one depot into a zip archive of CSV "
        "tables, as of one moment; the program may run meanwhile. It holds no passwords, tokens "
        "or field trials, and is not for restoring: that is what a backup is for.",
    )
    parser.add_argument("--depot", required=True, metavar="D", help="the depot's slug")
    parser.add_argument("--force", action="store_true", help="overwrite an existing file")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("file", type=Path, metavar="FILE.zip")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    import json

    from config import depot_export
    from config.commands.backup import may_write, tell, told

    path: Path = arguments.file
    may_write(path, arguments.force)
    done = depot_export.export(arguments.depot, path, tell)
    told()
    if arguments.json:
        made_at = done.made_at.isoformat(timespec="seconds")
        shown = {"depot": done.depot, "made_at": made_at, "rows": done.rows}
        print(json.dumps({**shown, "files": done.files, "missing": done.missing}, indent=2))
        return 0
    rows, tables = sum(done.rows.values()), len(done.rows)
    print(f"{path}: {rows:,} rows in {tables} tables and {done.files:,} files of {done.depot}.")
    for name in done.missing:
        print(f"A row names the file {name}, which is not there.")
    return 0
