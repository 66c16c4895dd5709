"""A value that a person gives for a reading is held against the readings about it."""

from datetime import datetime
from zoneinfo import ZoneInfo

from fleet.calc.verdicts import fits_between
from fleet.faults import Question
from fleet.readings.beside import Beside, Neighbour, beside
from fleet.readings.models import Reading, ReadingDecision
from fleet.vehicles.own_unit import in_words

SECONDS_PER_DAY = 86_400


def ask(reading: Reading, action: str, value: float) -> None:
    """Ask about a value that cannot follow from the readings about it [km or h].

    Raises
    ------
    Question
        It falls, goes beyond the next reading, or is more than the vehicle covers in the time.
    """
    found = beside([reading.pk])[reading.pk]
    replaced = action == ReadingDecision.Action.METER_REPLACED
    number = value - found.offset if replaced else value  # a replaced meter's value is a total
    after = None if replaced else found.after  # which shows the numbers of the new one
    text = _doubt(reading, number, found, after)
    if text:
        meant = [in_words(one.value, found.unit) for one in found.candidates]
        raise Question(f"{text}. Is it right?", meant, about="value")


def _doubt(reading: Reading, number: float, found: Beside, after: Neighbour | None) -> str:
    zone, said = ZoneInfo(reading.vehicle.depot.zone), in_words(number, found.unit)
    if found.before and not _passes(found, found.before, reading.taken_at, number, forward=True):
        if number < found.before.value:
            return f"{said} is {_off(number, found, found.before, zone, 'less')}"
        return f"{said} is {_too_fast(reading, number, found, found.before, zone)}"
    if after and not _passes(found, after, reading.taken_at, number, forward=False):
        if number > after.value:
            return f"{said} is {_off(number, found, after, zone, 'more')}"
        return f"{said} is {_too_fast(reading, number, found, after, zone)}"
    return ""


def _passes(
    found: Beside, other: Neighbour, taken_at: datetime, number: float, *, forward: bool
) -> bool:
    """Whether a vehicle can get from one of two readings to the other."""
    here, beside = (_days(taken_at), number), (_days(other.taken_at), other.value)
    nothing = (float("nan"), float("nan"))
    about = (*beside, *nothing) if forward else (*nothing, *beside)
    return bool(fits_between(*here, *about, found.top_per_day, found.grain))


def _days(at: datetime) -> float:
    return at.timestamp() / SECONDS_PER_DAY


def _off(number: float, found: Beside, other: Neighbour, zone: ZoneInfo, word: str) -> str:
    apart = in_words(abs(number - other.value), found.unit)
    return f"{apart} {word} than the reading of {_said(found, other, zone)}"


def _too_fast(
    reading: Reading, number: float, found: Beside, other: Neighbour, zone: ZoneInfo
) -> str:
    days = abs((reading.taken_at - other.taken_at).total_seconds()) / SECONDS_PER_DAY
    apart = in_words(abs(number - other.value), found.unit)
    most = in_words(found.top_per_day, found.unit)
    return (
        f"{apart} in {days:.3g} {'day' if days == 1 else 'days'} from the reading of "
        f"{_said(found, other, zone)}; this vehicle covers at most {most} a day"
    )


def _said(found: Beside, other: Neighbour, zone: ZoneInfo) -> str:
    on = other.taken_at.astimezone(zone)
    return f"{on.day} {on:%b %Y} ({in_words(other.value, found.unit)})"
