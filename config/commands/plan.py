"""``sumpwise plan``."""

import argparse
import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING, Any

from fleet.faults import Fault

if TYPE_CHECKING:
    from fleet.vehicles.models import Depot
    from fleet.visits.listing import PlanRow

HEADINGS = ("Depot", "Cost", "Bound", "Gap", "Visits", "Services", "Left out")


def weeks(text: str) -> int:
    """A number of weeks of the command line."""
    if not text.isdecimal() or not 1 <= int(text) <= 26:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of weeks: write 1 to 26")
    return int(text)


def register(commands: Any) -> None:
    plan = commands.add_parser(
        "plan",
        help="plan which vehicle comes in on which day",
        description="Plans the visits of each depot from today on: which vehicle comes in on which "
        "day and which services are done together. Prints what the plan costs, below what no plan "
        "lies (the bound), the gap between both, and what is left out. The plan is a proposal; no "
        "order changes.",
    )
    plan.add_argument("--depot", action="append", metavar="D", help="one depot; may be repeated")
    plan.add_argument("--weeks", type=weeks, default=8, metavar="N", help="1 to 26; default 8")
    plan.add_argument("--dry-run", action="store_true", help="store nothing")
    plan.add_argument(
        "--fit",
        action="store_true",
        help="say instead about what extra minutes would bring in what is left out, tried by "
        "planning with them; stores nothing",
    )
    plan.add_argument("--json", action="store_true", help="print a JSON list, one row per depot")
    plan.set_defaults(run=run, of_vehicles=True)


def run(arguments: argparse.Namespace) -> int:
    if arguments.fit:
        return _fit(arguments)
    weeks_d = arguments.weeks * 7
    found = [_planned(one, weeks_d, dry=arguments.dry_run) for one in _depots(arguments.depot)]
    if arguments.json:
        told = [{**asdict(row), "lacking": sentences} for row, sentences in found]
        print(json.dumps(told, indent=1))
    else:
        _print_table([row for row, _ in found])
        for _, sentences in found:
            for sentence in sentences:
                print(sentence)
    return 0


def _fit(arguments: argparse.Namespace) -> int:
    from fleet.today import today_at
    from fleet.visits.fit import to_fit

    found = [
        to_fit(depot, today_at(depot.zone), arguments.weeks * 7)
        for depot in _depots(arguments.depot)
    ]
    if arguments.json:
        print(json.dumps([asdict(one) for one in found], indent=1, default=str))
        return 0
    for one in found:
        print(f"{one.depot}: {one.left_out} left out, {one.still_left_out} with what follows")
        for more in one.more:
            print(f"  {more.on} about {more.minutes} min more: {more.what}")
        if one.more:
            print(f"  saves about {one.saves_minor / 100:,.2f}, without the price of those minutes")
    return 0


def _depots(named: Sequence[str] | None) -> "list[Depot]":
    from fleet.vehicles.models import Depot

    known = {depot.slug: depot for depot in Depot.objects.order_by("slug")}
    for slug in named or ():
        if slug not in known:
            raise Fault(f"There is no depot {slug!r}: choose from {', '.join(sorted(known))}.")
    return [known[slug] for slug in dict.fromkeys(named or known)]


def _planned(depot: "Depot", days: int, *, dry: bool) -> "tuple[PlanRow, list[str]]":
    from fleet.today import today_at
    from fleet.visits import listing, plan
    from fleet.visits.gather import gather

    today: date = today_at(depot.zone)
    late = plan.safety_clock(plan.NIGHT_S)
    if dry:
        drawn = plan.draw(gather(depot, today, days), late=late)
        return plan.in_figures(drawn), [*plan.lacking(drawn), *drawn.unfit.values()]
    (stored,) = plan.plan([depot.pk], today, days, late)
    return listing.plan_row(stored), listing.told(stored)


def _print_table(rows: "Sequence[PlanRow]") -> None:
    lines = [
        (
            *(row.depot, f"{row.cost / 100:,.2f}", f"{row.bound / 100:,.2f}", f"{row.gap:.1%}"),
            *(str(row.visits), str(row.services), str(row.left_out)),
        )
        for row in rows
    ]
    widths = [max(map(len, column)) for column in zip(HEADINGS, *lines, strict=True)]
    for line in (HEADINGS, *lines):
        cells = [
            cell.rjust(width) if at else cell.ljust(width)
            for at, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        print("  ".join(cells).rstrip())
