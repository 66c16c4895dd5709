"""What stands beside the odometer of an order: the last reading, and what was likely meant."""

from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from fleet.dashboard.orders.changes import in_doubt
from fleet.dashboard.words import day, grouped
from fleet.readings import listing
from fleet.readings.beside import beside, likely_meant
from fleet.readings.models import Reading
from fleet.readings.reasons import SENTENCES
from fleet.reads import Read, reader
from fleet.vehicles.own_unit import in_own, in_words, odometer_unit
from fleet.workorders.models import WorkOrder


@dataclass(frozen=True)
class Likely:
    """The value that was likely meant, on a button, and why."""

    value: str  # in the meter's own unit, as a form sends it back
    unit: str
    words: str
    because: str


@dataclass(frozen=True)
class Stands:
    """What was given first, as the form to read it again begins."""

    value: str
    unit: str


@reader
def facts(order: WorkOrder, open_to: frozenset[str]) -> Read[dict[str, Any]]:
    """The question about a doubtful odometer, the value likely meant, and at the finish the last
    reading that was accepted."""
    doubted = order.reading if in_doubt(order) else None
    last = None
    if "finish" in open_to:
        last = yield from listing.odometer_of.steps(order.vehicle_id)
    return {
        "question": _question(doubted) if doubted else "",
        "stands": Stands(f"{doubted.value:.15g}", doubted.unit) if doubted else None,
        "likely": _likely(doubted) if doubted else None,
        "last_read": _last_read(order, last),
        "odometer_unit": last.meter.unit if last else odometer_unit(order.vehicle_id),
    }


def _question(reading: Reading) -> str:
    return f"{grouped(reading.value)} {reading.unit} is {reading.verdict}. {_why(reading)}"


def _why(reading: Reading) -> str:
    reason = beside([reading.pk])[reading.pk].reason
    return SENTENCES.get(reason, reason.replace("_", " "))


def _likely(reading: Reading) -> Likely | None:
    value, unit = likely_meant(reading), reading.meter.unit
    if value is None:
        return None
    shown = repr(round(in_own(value, unit), 1))
    return Likely(shown, unit, in_words(value, unit), _why(reading))


def _last_read(order: WorkOrder, last: Reading | None) -> str:
    """As '78,210 km on 4 Mar 2026'; empty where none was accepted yet."""
    if last is None:
        return ""
    on = last.taken_at.astimezone(ZoneInfo(order.depot.zone)).date()
    return f"{in_words(last.shown, last.meter.unit)} on {day(on)}"
