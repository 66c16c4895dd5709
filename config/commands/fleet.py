"""``sumpwise fleet``: the fleet workbook, out and in."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from config.bar import bar

if TYPE_CHECKING:
    from fleet.workbook.load import Count, Loaded

LISTED = 20  # our choice: more rows than that are counted, not named


def register(commands: Any) -> None:
    fleet = commands.add_parser(
        "fleet",
        help="the fleet workbook: template, load, export",
        description="Describes the whole fleet in one workbook.",
    )
    verbs = fleet.add_subparsers(metavar="VERB", dest="verb", required=True)
    template = verbs.add_parser("template", help="write an empty workbook")
    template.set_defaults(run=write_template, database=False, new=True)
    load = verbs.add_parser(
        "load",
        help="load a workbook: all or nothing",
        description="Adds and changes what the workbook says; never deletes. All or nothing.",
    )
    load.add_argument("--json", action="store_true", help="print one JSON object")
    load.add_argument(
        "--withdraw",
        type=int,
        metavar="LOAD",
        help="take a load back where nothing came since, by the number under which it was reported",
    )
    load.add_argument("--reason", default="", metavar="TEXT", help="why it is withdrawn")
    load.add_argument(
        "--look",
        action="store_true",
        help="with --withdraw: say what goes and what stays, do nothing",
    )
    load.add_argument("file", nargs="?", type=Path, metavar="FILE.xlsx")
    load.set_defaults(run=load_workbook, new=True, begins="Loading the workbook")
    export = verbs.add_parser("export", help="write the fleet as it stands")
    export.set_defaults(run=export_workbook)
    for parser in (template, export):
        parser.add_argument("file", type=Path, metavar="FILE.xlsx")
        parser.add_argument("--force", action="store_true", help="overwrite an existing file")


def write_template(arguments: argparse.Namespace) -> int:
    from fleet.workbook import write

    path = _target(arguments)
    write.write_template(path)
    print(
        f"{path}: an empty workbook but for the usual duty criteria, which are off. "
        f"Fill it in, then: sumpwise fleet load {path}"
    )
    return 0


def export_workbook(arguments: argparse.Namespace) -> int:
    from fleet.workbook import write

    path = _target(arguments)
    rows = write.export(path)
    print(f"{path}: {rows['Vehicles']} vehicles, {sum(rows.values())} rows in all.")
    return 0


def load_workbook(arguments: argparse.Namespace) -> int:
    from django.utils import timezone

    from fleet.faults import Fault
    from fleet.workbook.load import load
    from fleet.workbook.use import decide_again

    if arguments.withdraw is not None:
        return withdraw_load(arguments)
    if arguments.file is None:
        raise Fault("Name the workbook to load.")
    if not arguments.file.is_file():
        raise Fault(f"There is no file {arguments.file}: check the name.")
    with bar() as tell:
        reason = f"fleet workbook {arguments.file.name}"
        loaded = load(arguments.file, now=timezone.now(), reason=reason, progress=tell)
        decide_again(loaded.use_changed, timezone.now())
    _print_json(loaded) if arguments.json else _print(loaded)
    return 0


def withdraw_load(arguments: argparse.Namespace) -> int:
    import json

    from django.utils import timezone

    from fleet.faults import Fault
    from fleet.workbook.models import Load
    from fleet.workbook.withdraw import foreseen, in_words, withdraw

    load = Load.objects.filter(pk=arguments.withdraw).first()
    if load is None:
        raise Fault(f"There is no load {arguments.withdraw}: its report shows the number.")
    now = timezone.now()
    if arguments.look:
        found = foreseen(load, now=now)
    else:
        found = withdraw(load, person=None, reason=arguments.reason, now=now)
    if arguments.json:
        told = {"restored": found.restored, "removed": found.removed}
        print(json.dumps({"load": load.pk, **told, "stays": found.stays}, ensure_ascii=False))
        return 0
    if arguments.look:
        print(f"Would be as before: {found.restored}; removed: {found.removed}. Nothing is done.")
        for sheet, number, key, what in found.goes:
            print(f"  {sheet}{f', row {number}' if number else ''} ({key}): {what}")
    else:
        print(in_words(found))
    for sheet, number, key, why in found.stays:
        print(f"  {sheet}{f', row {number}' if number else ''} ({key}): {why}")
    return 0


def _target(arguments: argparse.Namespace) -> Path:
    from fleet.faults import Fault

    path: Path = arguments.file
    if path.suffix.lower() != ".xlsx":
        raise Fault(f"{path.name}: write a name that ends in .xlsx.")
    if path.exists() and not arguments.force:
        raise Fault(f"{path} exists already: choose another name, or add --force.")
    if not path.absolute().parent.is_dir():
        raise Fault(f"There is no folder {path.absolute().parent}: make it first.")
    return path


def _print(loaded: "Loaded") -> None:
    print(f"{'Sheet':<18}{'added':>9}{'changed':>9}{'unchanged':>11}{'not in book':>13}")
    for name, count in loaded.counts.items():
        figures = (count.added, count.changed, count.unchanged, len(count.lacking))
        print("{:<18}{:>9}{:>9}{:>11}{:>13}".format(name, *figures))
    for name, count in loaded.counts.items():
        _print_lacking(name, count)
    if loaded.warnings:
        print(f"\nLoaded, but look at {len(loaded.warnings)} doubtful places:")
        for warning in loaded.warnings[: 5 * LISTED]:
            print(f"  {warning}")
        if len(loaded.warnings) > 5 * LISTED:
            print(f"  … and {len(loaded.warnings) - 5 * LISTED} more (--json lists all).")
    if loaded.changes:
        print(f"\nTo take it back: sumpwise fleet load --withdraw {loaded.number} --reason TEXT")
        print("Due dates follow in the next night, or at once with: sumpwise nightly")
    else:
        print("\nNothing changed.")


def _print_lacking(name: str, count: "Count") -> None:
    if not count.lacking:
        return
    from fleet.workbook.removing import how_to_remove

    print(f"\n{name}: in the fleet, but not in the book. Loading never deletes; if one is to go,")
    print(f"{how_to_remove(name)}:")
    for row in count.lacking[:LISTED]:
        print(f"  {row}")
    if len(count.lacking) > LISTED:
        print(f"  … and {len(count.lacking) - LISTED} more (--json lists all).")


def _print_json(loaded: "Loaded") -> None:
    import json

    from fleet.workbook.removing import how_to_remove

    sheets = {
        name: {
            "added": count.added,
            "changed": count.changed,
            "unchanged": count.unchanged,
            "not_in_book": list(count.lacking),
            "to_remove_one": how_to_remove(name) if count.lacking else "",
        }
        for name, count in loaded.counts.items()
    }
    told = {"load": loaded.number, "sheets": sheets, "warnings": list(map(str, loaded.warnings))}
    print(json.dumps(told, indent=2))
