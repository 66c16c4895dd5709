"""``sumpwise trial``: whether a dearer fluid is worth its price."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from config.commands.due import day
from fleet.faults import Fault

if TYPE_CHECKING:
    from fleet.people.actor import Actor
    from fleet.trials.models import Trial, TrialResult
    from fleet.trials.take_in import TakenIn

KEYS = (
    *("state", "difference", "low", "high", "p_value", "verdict"),
    *("vehicles_needed", "break_even_km"),
)
LISTED = 20  # refused rows: our choice
SET_UP = (
    ("--service", "TYPE/SERVICE", "the change that both products are for"),
    ("--usual", "PRODUCT", "slug of the usual product"),
    ("--tried", "PRODUCT", "slug of the product that is tried"),
    ("--usual-price", "P", "price per litre, as 12.50"),
    ("--tried-price", "P", "price per litre, as 16.25"),
    ("--vehicles", "N,N,…", "fleet numbers to draw groups from"),
    ("--source", "TEXT", "where prices and intervals come from"),
)


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "trial",
        help="compare two fluids on the road, at equal fluid age",
        description="Evaluates a field trial and prints what it shows. Without a name it lists "
        "the trials. --set-up begins one, --ratings and --samples take in a sheet.",
    )
    parser.add_argument("name", nargs="?", metavar="NAME", help="of the trial, or its slug")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--as-of", type=day, metavar="D", help="count ratings up to this date")
    parser.add_argument(
        "--ratings", type=Path, metavar="FILE", help="take in a sheet: fleet number, date, rating"
    )
    parser.add_argument(
        "--samples",
        type=Path,
        metavar="FILE",
        help="take in a sheet of lab samples: fleet number, date, property, value, report",
    )
    parser.add_argument(
        "--property",
        action="append",
        default=[],
        metavar="SLUG:UNIT:LOW:HIGH:SOURCE",
        help="a property that samples are tested for; LOW or HIGH may be empty",
    )
    parser.add_argument(
        "--end-early", metavar="REASON", help="end it before its time; --by says who decides"
    )
    parser.add_argument("--by", metavar="NAME", help="the supervisor who decides")
    _add_set_up(parser)
    parser.set_defaults(run=run)


def _add_set_up(parser: Any) -> None:
    group = parser.add_argument_group("beginning a trial")
    group.add_argument("--set-up", action="store_true", help="set up NAME and draw its groups")
    for flag, metavar, told in SET_UP:
        group.add_argument(flag, metavar=metavar, help=told)
    group.add_argument("--starts", type=day, metavar="D", help="default: today")
    group.add_argument("--ends", type=day, metavar="D", help="default: a year later")
    group.add_argument("--pairs", action="store_true", help="draw matched pairs, not at random")
    group.add_argument("--open", action="store_true", help="raters may know the product")
    group.add_argument("--interval", type=float, metavar="KM", help="over which to compare")
    group.add_argument("--proposed-interval", type=float, metavar="KM", help="to be shown to last")
    group.add_argument("--difference", type=float, default=1.0, metavar="X", help="that matters")
    group.add_argument("--labour", default="0", metavar="P", help="of one change")
    group.add_argument("--materials", default="0", metavar="P", help="of one change")
    group.add_argument("--visit", default="0", metavar="P", help="of bringing a vehicle in")
    group.add_argument("--few-because", default="", metavar="REASON", help="draw fewer than needed")
    group.add_argument("--seed", type=int, metavar="N", help="of the draw; default: drawn")


def run(arguments: argparse.Namespace) -> int:
    if arguments.name is None:
        return _list(as_json=arguments.json)
    trial = _begin(arguments) if arguments.set_up else _find(arguments.name)
    _name_properties(trial, arguments.property)
    refused = _take_in(trial, arguments)
    result = _result(trial, arguments)
    if arguments.json:
        print(json.dumps({key: getattr(result, key) for key in KEYS}, ensure_ascii=False))
    else:
        print("\n".join(_lines(trial, result)))
    return 1 if refused else 0


def _actor() -> Actor:
    from django.utils import timezone

    from fleet.people.actor import Actor

    return Actor(person=None, channel="command", now=timezone.now())


def _list(*, as_json: bool) -> int:
    from fleet.trials.models import Trial

    trials = Trial.objects.select_related("service")
    if as_json:
        print(json.dumps([{"name": one.name, "slug": one.slug} for one in trials]))
        return 0
    for one in trials:
        print(f"{one.slug:<30} {one.starts_on} to {one.ends_on}  {one.name}, {one.service}")
    if not trials:
        print("There is no trial yet: sumpwise trial NAME --set-up begins one.")
    return 0


def _find(name: str) -> Trial:
    from django.db.models import Q

    from fleet.trials.models import Trial

    found = Trial.objects.filter(Q(slug__iexact=name) | Q(name__iexact=name.strip())).first()
    if found is None:
        known = ", ".join(Trial.objects.values_list("slug", flat=True)) or "none yet"
        raise Fault(f"There is no trial {name}. Known: {known}.")
    return found


def _result(trial: Trial, arguments: argparse.Namespace) -> TrialResult:
    from dataclasses import replace

    from fleet.trials.evaluate import end_early
    from fleet.trials.outcome import as_shown

    if arguments.end_early is None:
        return as_shown(_evaluate(trial, arguments.as_of))
    actor = replace(_actor(), person=_person(arguments.by or ""))
    return end_early(actor, trial, reason=arguments.end_early)


def _person(name: str) -> Any:
    from fleet.people.models import Person

    found = Person.objects.filter(username__iexact=name).first()
    if found is None:
        raise Fault("Ending a trial early is a supervisor's decision: say who with --by NAME.")
    return found


def _evaluate(trial: Trial, as_of: date | None) -> TrialResult:
    from datetime import UTC, datetime, time

    from fleet.trials.evaluate import evaluate
    from fleet.trials.outcome import today_of

    now = _actor().now
    until = datetime.combine(as_of, time(23, 59, 59), UTC) if as_of else now
    if as_of and as_of > today_of(trial, now):
        raise Fault(f"{as_of} has not come yet: a trial is evaluated as of a day that has.")
    return evaluate(trial, min(until, now))


# --- beginning -----------------------------------------------------------------------------
def _begin(arguments: argparse.Namespace) -> Trial:
    from fleet.trials.assign import assign
    from fleet.trials.set_up import set_up
    from fleet.vehicles.models import Vehicle

    missing = [
        flag for flag, *_ in SET_UP if getattr(arguments, flag[2:].replace("-", "_")) is None
    ]
    if missing:
        raise Fault(f"To set up a trial, also say {', '.join(missing)}.")
    numbers = [number.strip() for number in arguments.vehicles.split(",") if number.strip()]
    vehicles = list(Vehicle.objects.filter(fleet_number__in=numbers).select_related("vehicle_type"))
    unknown = set(numbers) - {one.fleet_number for one in vehicles}
    if unknown:
        raise Fault(f"There is no vehicle {sorted(unknown)[0]}: check the fleet number.")
    from django.db import transaction

    with transaction.atomic():
        trial = set_up(_actor(), _given(arguments))
        drawn = assign(_actor(), trial, vehicles, few_because=arguments.few_because)
    if drawn.left_over and not arguments.json:
        print(f"Left over, without a counterpart: {', '.join(drawn.left_over)}.")
    return trial


def _today() -> date:
    from fleet.hindcast.backtest import newest_day_of_fleet

    return newest_day_of_fleet()


def _given(arguments: argparse.Namespace) -> Any:
    from fleet.trials.set_up import Costs, SetUp

    starts_on = arguments.starts or _today()
    return SetUp(
        name=arguments.name,
        service=_service(arguments.service),
        usual=_product(arguments.usual),
        tried=_product(arguments.tried),
        usual_price_minor_per_l=_minor(arguments.usual_price),
        tried_price_minor_per_l=_minor(arguments.tried_price),
        starts_on=starts_on,
        ends_on=arguments.ends or date.fromordinal(starts_on.toordinal() + 365),
        source=arguments.source,
        costs=Costs(*(_minor(getattr(arguments, name)) for name in COSTS)),
        pairs=arguments.pairs,
        blinded=not arguments.open,
        interval_km=arguments.interval,
        proposed_interval_km=arguments.proposed_interval,
        smallest_difference=arguments.difference,
        seed=arguments.seed,
    )


COSTS = ("labour", "materials", "visit")


def _service(text: str) -> Any:
    from fleet.due.models import Service

    kind, _, slug = text.partition("/")
    found = Service.objects.filter(vehicle_type__slug=kind, slug=slug).first()
    if found is None:
        known = ", ".join(
            "/".join(pair)
            for pair in Service.objects.filter(kind="change").values_list(
                "vehicle_type__slug", "slug"
            )
        )
        raise Fault(f"There is no service {text}. Known: {known or 'none yet'}.")
    return found


def _product(slug: str) -> Any:
    from fleet.stores.models import Product

    found = Product.objects.filter(slug=slug).first()
    if found is None:
        known = ", ".join(Product.objects.values_list("slug", flat=True)) or "none yet"
        raise Fault(f"There is no product {slug}. Known: {known}.")
    return found


def _minor(text: str) -> int:
    """Money as typed, in minor units."""
    from decimal import Decimal, InvalidOperation

    try:
        minor = Decimal(text) * 100
    except InvalidOperation:
        minor = Decimal("NaN")
    if not minor.is_finite() or minor < 0 or minor != int(minor) or minor > 10**9:
        raise Fault(f"“{text}” is no price: write it as 12.50.")
    return int(minor)


# --- sheets --------------------------------------------------------------------------------
def _name_properties(trial: Trial, given: list[str]) -> None:
    from fleet.trials.rate import LabLimits, name_property

    for text in given:
        parts = text.split(":", 4)
        if len(parts) != 5:
            raise Fault(f"“{text}” is no property: write SLUG:UNIT:LOW:HIGH:SOURCE.")
        slug, unit, low, high, source = parts
        try:
            limits = [float(limit) if limit.strip() else None for limit in (low, high)]
        except ValueError:
            raise Fault(f"The limits of “{slug}” are no numbers: write them as 13.5.") from None
        name_property(
            _actor(),
            trial,
            LabLimits(
                slug=slug,
                name=slug.replace("-", " ").capitalize(),
                unit=unit,
                low=limits[0],
                high=limits[1],
                source=source,
            ),
        )


def _take_in(trial: Trial, arguments: argparse.Namespace) -> int:
    """Take in the sheets that were named; give the number of rows refused."""
    from fleet.trials.take_in import take_in_ratings, take_in_samples

    refused = 0
    for path, take in ((arguments.ratings, take_in_ratings), (arguments.samples, take_in_samples)):
        if path is None:
            continue
        if not path.is_file():
            raise Fault(f"{path} cannot be opened: check the name.")
        told = take(_actor(), trial, path)
        refused += told.counts["refused"]
        if not arguments.json:
            print("\n".join(_told(path, told)))
    return refused


def _told(path: Path, told: TakenIn) -> Iterator[str]:
    yield f"{path.name}: " + ", ".join(f"{n} {what}" for what, n in told.counts.items() if n) + "."
    refused = [row for row in told.rows if row.outcome == "refused"]
    for row in refused[:LISTED]:
        yield f"  row {row.row}: {row.message}"
    if len(refused) > LISTED:
        yield f"  and {len(refused) - LISTED} more"


# --- what it shows -------------------------------------------------------------------------
def _lines(trial: Trial, result: TrialResult) -> Iterator[str]:
    from fleet.trials.paying import in_words

    details = result.details
    yield f"{trial}, {trial.service}, as of {result.as_of_on}"
    yield f"Verdict on the tried product: {result.verdict}"
    if result.ended_reason:
        yield f"  ended early by {result.ended_by}: {result.ended_reason}"
    if result.difference is not None:
        sure = (
            f", 95 % interval {result.low:+.2f} to {result.high:+.2f}, p {result.p_value:.4f}"
            if result.low is not None
            else ", without interval or p"
        )
        yield f"  difference {result.difference:+.2f} on the scale of 1 to 5{sure}"
    if details["start"]["unequal"]:
        yield "  unequal start: only one group was changed"
    yield from _vehicle_lines(details)
    power = details["power"]
    yield (
        f"Power: {power['reached']:.0%} to show a difference of {power['difference']:g}; "
        f"needed: {result.vehicles_needed or 'more than 800'} vehicles."
    )
    if result.break_even_km:
        fluid_only = details["cost"]["break_even_fluid_only_km"]
        yield (
            f"Pays from {result.break_even_km:,.0f} km, labour and visit included"
            + (f"; {fluid_only:,.0f} km by the fluid alone." if fluid_only else ".")
        )
        yield from (f"  {line}" for line in in_words(details["cost"].get("paying")))


def _vehicle_lines(details: dict[str, Any]) -> Iterator[str]:
    vehicles = details["vehicles"]
    for side, letter in details["letters"].items():
        ratings = details["ratings"][side]
        yield (
            f"{side.capitalize()} ({letter}): {vehicles['compared'][side]} of "
            f"{vehicles['drawn'][side]} vehicles compared, "
            f"{ratings['by standing']['after run-in']} of {ratings['given']} ratings after run-in"
        )
    for words in ("never rated", "rated, but never after run-in"):
        if vehicles[words]:
            yield f"  {words}: {', '.join(vehicles[words])}"
