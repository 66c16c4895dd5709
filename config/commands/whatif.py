"""``sumpwise whatif``."""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fleet.whatif.models import WhatIf

COLUMNS = (
    ("work_h", "Work [h]"),
    ("late_h", "Late work [h]"),
    ("overdue_d", "Overdue days"),
    ("visits", "Visits"),
)


def register(commands: Any) -> None:
    whatif = commands.add_parser(
        "whatif",
        help="work out what a list of changes would do in the next 12 months",
        description="Works out the next 12 months twice, as the fleet stands and as a list of "
        "changes would have it, on copies: workload, late work, visits, cost and what stores would "
        "use, with the spread of the difference. FILE is a JSON list of objects or a sheet (.xlsx, "
        ".ods, .csv), each row with what, which, value and from. The fleet is only read; the "
        "answer is kept under What if.",
    )
    whatif.add_argument("file", metavar="FILE", help="the changes; - for the kinds there are")
    whatif.add_argument("--json", action="store_true", help="print the whole answer as JSON")
    whatif.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    if arguments.file == "-":
        return _print_kinds()
    from fleet.faults import Fault

    asked = _worked_out(Path(arguments.file))
    if asked.state != asked.State.DONE:
        raise Fault(asked.error)
    if arguments.json:
        print(json.dumps(asked.result, indent=1))
    else:
        _print(asked)
    return 0


def _worked_out(path: Path) -> "WhatIf":
    from django.utils import timezone

    from fleet import jobs
    from fleet.runs import ledger
    from fleet.vehicles.models import Depot
    from fleet.whatif import ask
    from fleet.whatif.listing import asked_on
    from fleet.whatif.rows import from_file

    now = timezone.now()
    depots = list(Depot.objects.order_by("slug"))
    asked = ask.ask(from_file(path), depots, now, person=None, channel="command")
    with ledger.work(jobs.WHAT_IF, asked_on(asked.pk), str(asked.pk), again=True) as run:

        def tell(share: float) -> None:
            ledger.renew(run, share)
            if sys.stderr.isatty():
                print(f"\r{share:.0%} ", end="", file=sys.stderr, flush=True)

        asked = ask.work_out(asked.pk, now, tell)
    if sys.stderr.isatty():
        print("\r", end="", file=sys.stderr)
    return asked


def _print(asked: "WhatIf") -> None:
    from fleet.stores.money import words as money

    result = asked.result
    print(result["answer"])
    for depot in result["plans"]:
        one, other = depot["today"], depot["changed"]
        print(f"Plan of {depot['depot']}, 8 weeks: cost {money(one['cost'])} → "
              f"{money(other['cost'])}, {one['visits']} → {other['visits']} visits, "
              f"{one['left_out']} → {other['left_out']} left out")  # fmt: skip
    shown = [result["measures"][key] for key, _ in COLUMNS]
    print()
    print(f"{'Month':<10}" + "".join(f"{name:>26}" for _, name in COLUMNS))
    for at, month in enumerate(result["months"]):
        _print_row(month["begin_on"][:7], [one["months"][at] for one in shown])
    _print_row("In all", [one["total"] for one in shown])
    for note in result["notes"]:
        print(note)


def _print_row(name: str, cells: "list[dict[str, float]]") -> None:
    figures = "".join(
        f"{one['today']:>9,.1f} →{one['changed']:>8,.1f} {one['difference']:>+7,.1f}"
        for one in cells
    )
    print(f"{name:<10}{figures}")


def _print_kinds() -> int:
    from fleet.whatif.rows import KINDS

    for kind in KINDS.values():
        print(f"{kind.what}\n    which: {kind.which}\n    value: {kind.value}\n"
              f"    such as: {kind.example[0]}, {kind.example[1]}".rstrip(", "))  # fmt: skip
    return 0
