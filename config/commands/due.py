"""``sumpwise due`` and ``sumpwise explain``."""

import argparse
import csv
import json
import sys
from collections.abc import Iterable
from datetime import date
from typing import TYPE_CHECKING, Any

from fleet.faults import Fault
from fleet.tables import unlike_a_formula

if TYPE_CHECKING:
    from fleet.due.listing import DueRow
    from fleet.due.models import Service
    from fleet.vehicles.models import Vehicle

KEYS = (
    *("vehicle", "depot", "compartment", "service", "state", "p10", "p50", "p90"),
    *("bring_in_by", "binding_limit", "binding_probability", "life_used", "remaining_km"),
    *("duty_class", "limit_reached"),
)
HEADINGS = {
    "vehicle": "Vehicle",
    "depot": "Depot",
    "service": "Service",
    "state": "State",
    "p10": "Earliest",
    "p50": "Expected",
    "p90": "Latest",
    "bring_in_by": "Bring in by",
    "limit_reached": "Limit reached first",
    "life_used": "Life used",
    "duty_class": "Duty",
}
DECIMALS = {"binding_probability": 4, "life_used": 4, "remaining_km": 1}
OVERDUE = ("overdue", "probably_overdue")


def register(commands: Any) -> None:
    due = commands.add_parser(
        "due",
        help="list what falls due, soonest first",
        description="Lists services by the day they are expected to fall due, soonest first.",
    )
    due.add_argument("--overdue", action="store_true", help="overdue and probably overdue only")
    due.add_argument("--this-month", action="store_true", help="due this month only")
    due.add_argument("--until", type=day, metavar="D", help="expected on or before this date")
    due.add_argument("--depot", action="append", metavar="D", help="one depot; may be repeated")
    due.add_argument("--vehicle", metavar="V", help="one vehicle by fleet number")
    form = due.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print a JSON list")
    form.add_argument("--csv", action="store_true", help="print CSV")
    due.set_defaults(run=list_due, of_vehicles=True)
    explain = commands.add_parser(
        "explain",
        help="say why a service falls due when it does",
        description="Says in a few lines why a service of a vehicle falls due on that date.",
    )
    explain.add_argument("vehicle", metavar="VEHICLE", help="fleet number")
    explain.add_argument("service", metavar="SERVICE", help="as sumpwise due lists it")
    explain.set_defaults(run=explain_one, of_vehicles=True)


def day(text: str) -> date:
    """A date of the command line."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date: write 2026-08-31") from None


def list_due(arguments: argparse.Namespace) -> int:
    from fleet.due.listing import DueFilter, due_rows

    vehicle = arguments.vehicle and _vehicle(arguments.vehicle).fleet_number
    rows = due_rows(
        DueFilter(
            depots=arguments.depot and _depots(arguments.depot),
            vehicle=vehicle,
            states=_states(arguments),
            until=arguments.until,
        ),
    )
    if arguments.json:
        print(json.dumps([_plain(row) for row in rows], indent=1))
    elif arguments.csv:
        _print_csv(rows)
    else:
        print_table(rows)
    return 0


def _states(arguments: argparse.Namespace) -> list[str] | None:
    states = [*OVERDUE] if arguments.overdue else []
    if arguments.this_month:
        states.append("due_this_month")
    return states or None


def _plain(row: "DueRow") -> dict[str, Any]:
    plain: dict[str, Any] = {}
    for key in KEYS:
        value = _told(row, key)
        if isinstance(value, date):
            value = value.isoformat()
        elif isinstance(value, float):
            value = round(value, DECIMALS[key])
        plain[key] = value
    return plain


def _told(row: "DueRow", key: str) -> Any:
    """A field of a row, or its limit in the words of every list."""
    from fleet.due.explain import limit_reached

    if key == "limit_reached":
        return limit_reached(row.binding_limit, called=row.called)
    return getattr(row, key)


def _print_csv(rows: "Iterable[DueRow]") -> None:
    writer = csv.DictWriter(sys.stdout, KEYS, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({key: unlike_a_formula(value) for key, value in _plain(row).items()})


def print_table(rows: "list[DueRow]") -> None:
    """The list for people, and how many there are."""
    lines = [list(HEADINGS.values())]
    lines += [[_shown(row, key) for key in HEADINGS] for row in rows]
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    if rows:
        for line in lines:
            padded = (cell.ljust(width) for cell, width in zip(line, widths, strict=True))
            print("  ".join(padded).rstrip())
    count = "1 service." if len(rows) == 1 else f"{len(rows)} services."
    print(count if rows else "Nothing is due that fits.")


def _shown(row: "DueRow", key: str) -> str:
    value = _told(row, key)
    if value is None:
        return "–"
    if key == "life_used":
        return f"{value:.0%}"
    return str(value).replace("_", " ") if key == "state" else str(value)


def explain_one(arguments: argparse.Namespace) -> int:
    from django.utils import timezone

    from fleet.due import explain

    vehicle = _vehicle(arguments.vehicle)
    service = _service(arguments.service, vehicle)
    print("\n".join(explain.explain(vehicle, service, timezone.now()).lines))
    return 0


def _service(slug: str, vehicle: "Vehicle") -> "Service":
    from fleet.due.models import Service

    services = Service.objects.filter(vehicle_type=vehicle.vehicle_type_id)
    service = services.filter(slug__iexact=slug.strip()).first()
    if service is None:
        known = ", ".join(services.values_list("slug", flat=True)) or "none"
        raise Fault(f"Vehicle {vehicle} has no service {slug!r}; it has: {known}.")
    return service


def _vehicle(fleet_number: str) -> "Vehicle":
    from fleet.vehicles.find import find
    from fleet.vehicles.models import Depot

    vehicle = find(fleet_number, Depot.objects.all())
    if vehicle is None:
        raise Fault(f"No vehicle has the fleet number {fleet_number!r}.")
    return vehicle


def _depots(slugs: list[str]) -> list[str]:
    from fleet.vehicles.models import Depot

    known = set(Depot.objects.values_list("slug", flat=True))
    for slug in slugs:
        if slug.strip().lower() not in known:
            listed = ", ".join(sorted(known)) or "none yet"
            raise Fault(f"There is no depot {slug!r}; there are: {listed}.")
    return [slug.strip().lower() for slug in slugs]
