"""``sumpwise settle``: decide about held readings."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fleet.readings.beside import Beside
    from fleet.readings.models import Reading

ACTIONS = {
    "accept": "accept it as it stands",
    "accept_suggestion": "accept the value suggested, or --value",
    "reject": "reject it",
    "meter_replaced": "the meter was replaced; --value is the vehicle's total then, if known",
}


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "settle",
        help="list held readings, or decide about one",
        description="Lists the readings that are held; with a number and an action, settles one.",
    )
    parser.add_argument("reading", nargs="?", type=int, metavar="READING")
    chosen = parser.add_mutually_exclusive_group()
    for action, words in ACTIONS.items():
        chosen.add_argument(
            f"--{action.replace('_', '-')}",
            dest="action",
            action="store_const",
            const=action.replace("_", " "),
            help=words,
        )
    parser.add_argument("--value", type=float, help="in km, or in h for an hours meter")
    parser.add_argument("--unit", choices=["km", "mi", "h"], help="of --value, where it is another")
    parser.add_argument(
        "--override-reason", default="", metavar="TEXT", help="why a value asked about stands"
    )
    chosen.add_argument(
        "--withdraw",
        type=int,
        metavar="SETTLEMENT",
        help="take back what was decided in one act, by the number it was reported under",
    )
    parser.add_argument("--reason", default="", metavar="TEXT", help="why, in a few words")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    from fleet.faults import Fault

    if arguments.withdraw is not None:
        return withdraw_one(arguments)
    if arguments.reading is None:
        if arguments.action:
            raise Fault("Say which reading: sumpwise settle lists those that are held.")
        return list_held(arguments.json)
    if not arguments.action:
        raise Fault(
            "Say what to do: --accept, --accept-suggestion, --reject or --meter-replaced, "
            "and why by --reason."
        )
    return settle_one(arguments)


def list_held(as_json: bool) -> int:
    from fleet.readings.beside import beside
    from fleet.readings.models import Reading, Verdict

    held = Reading.objects.filter(verdict=Verdict.HELD).select_related("vehicle__depot", "meter")
    held = held.order_by("vehicle__fleet_number", "taken_at")
    looked = beside([reading.pk for reading in held])
    lines = [_line(reading, looked[reading.pk]) for reading in held]
    if as_json:
        print(json.dumps(lines, ensure_ascii=False))
        return 0
    for reading, line in zip(held, lines, strict=True):
        print(
            f"{reading.pk:>8}  {line['vehicle']}  {_taken(reading)}  "
            f"{reading.value:,.15g} {reading.unit}  {line['message']}"
        )
        print(f"{'':>8}  {_about(looked[reading.pk])}")
    if not lines:
        print("No reading is held.")
        return 0
    print(f"{len(lines)} held. To decide: sumpwise settle READING --accept --reason TEXT")
    print("or --accept-suggestion, --reject or --meter-replaced instead of --accept.")
    return 0


def _taken(reading: Reading) -> str:
    """The day, and the time where one was given, by the clock of the vehicle's depot."""
    from zoneinfo import ZoneInfo

    at = reading.taken_at.astimezone(ZoneInfo(reading.vehicle.depot.zone))
    return f"{at:%Y-%m-%d %H:%M}" if reading.time_known else f"{at:%Y-%m-%d}"


def _about(its: Beside) -> str:
    """Last, next and expected value, and what may have been meant, in the vehicle's own unit."""
    from fleet.vehicles.own_unit import in_words

    values = {
        "last": its.before and its.before.value,
        "next": its.after and its.after.value,
        "expected about": its.expected,
    }
    said = [f"{name} {in_words(value, its.unit)}" for name, value in values.items() if value]
    meant = " or ".join(in_words(one.value, its.unit) for one in its.candidates)
    return ", ".join([*said, f"meant perhaps {meant}"] if meant else said)


def _line(reading: Reading, its: Beside) -> dict[str, Any]:
    from fleet.readings.reasons import sentence

    return {
        "reading": reading.pk,
        "vehicle": reading.vehicle.fleet_number,
        "taken_at": reading.taken_at.isoformat(),
        "value": reading.value,
        "unit": reading.unit,
        "reason": its.reason,
        "suggestion": its.suggestion,
        "candidates": [one.value for one in its.candidates],
        "probability": reading.probability,
        "message": sentence(its.reason, its.suggestion, its.unit, shown_by_next=its.shown_by_next),
    }


def settle_one(arguments: argparse.Namespace) -> int:
    from django.utils import timezone

    from fleet import chain
    from fleet.readings.beside import beside
    from fleet.readings.models import Reading
    from fleet.readings.settle import settle
    from fleet.vehicles.own_unit import in_words

    decision = settle(
        reading_id=arguments.reading,
        action=arguments.action,
        person=None,
        reason=arguments.reason,
        value=arguments.value,
        unit=arguments.unit,
        override_reason=arguments.override_reason,
        channel="command",
    )
    vehicle_id = decision.reading.vehicle_id
    chain.refresh([vehicle_id], timezone.now())
    reading = Reading.objects.select_related("vehicle", "meter").get(pk=arguments.reading)
    if arguments.json:
        line = _line(reading, beside([reading.pk])[reading.pk])
        told = {"verdict": reading.verdict, "action": decision.action, "settlement": decision.pk}
        print(json.dumps(line | told))
        return 0
    taken = "" if decision.value is None else f" {in_words(decision.value, reading.meter.unit)}"
    print(
        f"Reading {reading.pk} of {reading.vehicle}: {decision.action}{taken}, "
        f"now {reading.verdict} (settlement {decision.pk})."
    )
    return 0


def withdraw_one(arguments: argparse.Namespace) -> int:
    from django.utils import timezone

    from fleet import chain
    from fleet.faults import Fault
    from fleet.readings import unsettle
    from fleet.readings.models import ReadingDecision

    first = ReadingDecision.objects.filter(pk=arguments.withdraw).first()
    if first is None:
        raise Fault(f"There is no settlement {arguments.withdraw}: its report shows the number.")
    now, reason = timezone.now(), arguments.reason
    kept = unsettle.withdraw(first, person=None, reason=reason, channel="command", now=now)
    chain.follow_withdrawn()
    kept.refresh_from_db()
    if arguments.json:
        told = {"settlement": kept.first_id, "readings": kept.readings, "drafts": kept.drafts}
        print(json.dumps(told))
        return 0
    print(
        f"Settlement {kept.first_id} is withdrawn. Readings judged as if nobody had decided: "
        f"{kept.readings}; drafted orders cancelled: {kept.drafts}."
    )
    return 0
