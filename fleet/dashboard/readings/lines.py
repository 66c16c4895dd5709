"""Meter readings as they are listed, with what was found odd and what a person decided."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db.models import Prefetch, QuerySet

from fleet.dashboard.readings.chart import SmallChart, small_chart
from fleet.dashboard.words import THIN_SPACE, day, grouped, moment, percent
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.readings.around import around
from fleet.readings.beside import Beside, Neighbour, beside
from fleet.readings.listing import corrections_into
from fleet.readings.models import (
    OPEN,
    Reading,
    ReadingDecision,
    RowCorrection,
    SettlementWithdrawal,
    UploadRow,
    Verdict,
)
from fleet.readings.other_days import WORDS as DAY_WORDS
from fleet.readings.other_days import OtherDay, other_days, rows_to_correct
from fleet.readings.reasons import SENTENCES, SHOWN_BY_NEXT, WITHDRAWN
from fleet.reads import Asked, Read, Rows, reader, referring
from fleet.vehicles.own_unit import in_own, in_words

MOST_SURE = 0.99  # more is not claimed of a slip that nobody saw; our choice
DECIDED_BESIDE = ("person", "withdrawal__person", "begun_with__withdrawal__person")


@dataclass(frozen=True)
class MeantLine:
    """A value that may have been meant, on a button."""

    value: str  # [km or h], as a form sends it back
    words: str  # in the vehicle's own unit
    off: str  # how far from what is expected
    because: str


@dataclass(frozen=True)
class DayLine:
    """Another day that may have been meant, on a button."""

    on: date
    words: str  # both days, as a question
    because: str


@dataclass(frozen=True)
class BesideLine:
    """What stands beside the field of the right value."""

    facts: Sequence[tuple[str, str]]  # last, next, expected, how far off it is as given
    meant: Sequence[MeantLine]
    none_fits: bool  # something is expected, and nothing that may have been meant is near it
    chart: SmallChart | None
    to_come: bool  # nothing can be accepted of a day that is ahead
    days: Sequence[DayLine] = ()  # on which it would be as expected
    row: tuple[int, int] | None = None  # upload and number of the row to correct them at


@dataclass(frozen=True)
class ReadingLine:
    pk: int
    vehicle: str  # fleet number
    depot_name: str
    taken_at: datetime  # local time of the depot
    time: str  # of it, as '07:45'; empty where only the day is known
    given: str  # value and unit as given
    suggested: str  # in the vehicle's own unit; empty without a suggestion
    total: str  # in the vehicle's own unit
    counts_as: str  # what it adds to the total, where that is another unit than was given
    unit: str  # of the vehicle's own meter: km, mi or h
    stands: str  # the value that counts now, else the one given, in that unit, as a form begins
    verdict: str
    shape: str
    reason: str  # in words
    certainty: str  # probability of the reason, '97 %'
    provisional: bool
    note: str
    source: str
    decided: str  # the newest decision that stands, in words
    withdrawn: str  # the newest decision where it was withdrawn, in words
    taken: str  # the value taken instead of the one sent, in the vehicle's own unit
    may_settle: bool
    beside: BesideLine | None  # of what may be settled
    corrected: str = ""  # how a person's correction of a row of a sheet brought it, in words


def reading_lines(readings: Iterable[Reading], person: Person) -> list[ReadingLine]:
    """Lines of readings fetched with ``with_lines``."""
    found = list(readings)
    depots = {one.vehicle.depot_id for one in found}
    settles = {pk for pk in depots if may(person, Right.SETTLE_READINGS, pk)}
    # what was rejected with its upload waits for nobody
    odd = [one for one in found if one.verdict in OPEN and one.reason != WITHDRAWN]
    looked = beside([one.pk for one in odd])
    settled_here = [one for one in odd if one.vehicle.depot_id in settles]
    history = around(settled_here)
    corrections = corrections_into([one.pk for one in found])
    days = other_days({one.pk: looked[one.pk] for one in settled_here})
    rows = rows_to_correct(days) if days else {}
    lines = []
    for reading in found:
        its, may_settle = looked.get(reading.pk), reading.vehicle.depot_id in settles
        about = _about(reading, its, history[reading.pk]) if its and may_settle else None
        if about and reading.pk in days:
            told = [_day_line(one) for one in days[reading.pk]]
            corrects = may(person, Right.ADD_READINGS, reading.vehicle.depot_id)
            about = replace(about, days=told, row=rows.get(reading.pk) if corrects else None)
        line, made = _line(reading, its, about), corrections.get(reading.pk)
        lines.append(replace(line, corrected=corrected_words(made)) if made else line)
    return lines


def with_lines(readings: QuerySet[Reading]) -> QuerySet[Reading]:
    """Fetch everything that a line needs: two queries whatever the number of readings."""
    told = ReadingDecision.objects.select_related(*DECIDED_BESIDE)
    return placed(readings).prefetch_related(Prefetch("decisions", told))


def placed(readings: QuerySet[Reading]) -> QuerySet[Reading]:
    """Fetch what a line tells of a reading's vehicle and meter."""
    return readings.select_related("vehicle__depot", "meter")


@reader
def lines_of(rows: Rows | Asked, person: Person) -> Read[list[ReadingLine]]:
    """Lines of readings fetched as ``placed``."""
    yield [rows]
    yield from referring(rows, decisions=DECIDED_BESIDE)
    return reading_lines(rows, person)


def _line(reading: Reading, its: Beside | None, about: BesideLine | None) -> ReadingLine:
    told = list(reading.decisions.all())
    decisions = [one for one in told if withdrawal_of(one) is None]
    reason = its.reason if its else reading.reason
    suggestion = its.suggestion if its else reading.suggestion
    own, by_next = reading.meter.unit, its is not None and its.shown_by_next
    certain = reading.probability is not None and not by_next and reason == reading.reason
    certain = certain and not (its and its.contested)
    zone = _zone(reading)
    words, taken_at = SENTENCES.get(reason, ""), reading.taken_at.astimezone(zone)
    return ReadingLine(
        pk=reading.pk,
        vehicle=reading.vehicle.fleet_number,
        depot_name=reading.vehicle.depot.name,
        taken_at=taken_at,
        time=f"{taken_at:%H:%M}" if reading.time_known else "",
        given=f"{grouped(reading.value)}{THIN_SPACE}{reading.unit}",
        suggested="" if suggestion is None else in_words(suggestion, own),
        total="" if reading.total is None else in_words(reading.total, own),
        counts_as=_counts_as(reading),
        unit=own,
        stands=f"{round(in_own(reading.shown, own), 1):.15g}",
        verdict=reading.verdict,
        shape="waiting" if reading.verdict == Verdict.NOT_JUDGED else reading.verdict,
        reason=_first_words(words, about, by_next=by_next, suggested=suggestion is not None),
        certainty=_sure(reading.probability or 0.0) if certain else "",
        provisional=reading.provisional,
        note=reading.note,
        source=reading.source,
        decided=_decided(decisions[0], own, zone) if decisions else "",
        withdrawn="" if not told or told[0] in decisions[:1] else _withdrawn(told[0], own, zone),
        taken=_taken(decisions[0], own) if decisions else "",
        may_settle=about is not None,
        beside=about,
    )


def _sure(probability: float) -> str:
    """A probability as a figure that never claims all of it."""
    return f"over {percent(MOST_SURE)}" if probability > MOST_SURE else percent(probability)


def _first_words(words: str, about: BesideLine | None, *, by_next: bool, suggested: bool) -> str:
    """Why a reading is odd; where values are offered that this does not speak of, those too."""
    if by_next:
        return f"{SHOWN_BY_NEXT} {words}"
    if suggested or about is None or not about.meant:
        return words
    first = about.meant[0]
    return f"{words} Or another value was meant, such as {first.words}: {_inside(first.because)}"


def _inside(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def meant_because(reading: Reading, value: float | None) -> str:
    """Why a value on offer may have been meant, as the reason with which it is taken."""
    offered = beside([reading.pk])[reading.pk].candidates
    return next((SENTENCES[one.reason] for one in offered if one.value == value), "")


def _taken(decision: ReadingDecision, unit: str) -> str:
    instead = decision.action in ReadingDecision.IN_ITS_PLACE
    return in_words(decision.value, unit) if instead and decision.value is not None else ""


def _counts_as(reading: Reading) -> str:
    if reading.verdict != Verdict.ACCEPTED or reading.total is None:
        return ""
    if reading.unit == "mi":
        return in_words(reading.total, "km")
    return in_words(reading.total, reading.meter.unit) if reading.meter.unit == "mi" else ""


def _zone(reading: Reading) -> ZoneInfo:
    return ZoneInfo(reading.vehicle.depot.zone)


def _about(reading: Reading, its: Beside, accepted: Sequence[tuple[date, float]]) -> BesideLine:
    facts = [
        ("last", _neighbour(its.before, its.unit, _zone(reading))),
        ("next", _neighbour(its.after, its.unit, _zone(reading))),
        ("expected", _expected(its)),
        ("as given", _off(reading.meter_value, its)),
    ]
    expected = None if its.expected is None else its.expected + its.offset
    odd = reading.meter_value + its.offset
    return BesideLine(
        facts=[(name, words) for name, words in facts if words],
        meant=[
            MeantLine(
                repr(one.value),
                in_words(one.value, its.unit),
                _off(one.value, its),
                SENTENCES[one.reason],
            )
            for one in its.candidates
        ],
        none_fits=its.expected is not None and not its.candidates,
        chart=small_chart(
            accepted, reading.taken_at.astimezone(_zone(reading)).date(), odd, expected
        ),
        to_come=its.to_come,
    )


def _expected(its: Beside) -> str:
    if its.expected is None or its.likely is None:
        return ""
    low, high = (in_words(value, its.unit) for value in its.likely)
    return f"about {in_words(its.expected, its.unit)}, likely {low} to {high}"


def _off(value: float, its: Beside) -> str:
    """How far a value lies from what is expected, in the vehicle's own unit."""
    if its.expected is None:
        return ""
    apart = in_words(abs(value - its.expected), its.unit)
    return f"{apart} {'more' if value > its.expected else 'less'} than expected"


def _neighbour(one: Neighbour | None, unit: str, zone: ZoneInfo) -> str:
    if one is None:
        return ""
    return f"{in_words(one.value, unit)} on {day(one.taken_at.astimezone(zone).date())}"


def _day_line(one: OtherDay) -> DayLine:
    return DayLine(one.on, f"{day(one.instead_of)} or {day(one.on)}?", DAY_WORDS[one.slip])


def withdrawal_of(decision: ReadingDecision) -> SettlementWithdrawal | None:
    """By what a decision was taken back, together with those of the same act."""
    return getattr(decision.begun_with or decision, "withdrawal", None)


def _withdrawn(decision: ReadingDecision, unit: str, zone: ZoneInfo) -> str:
    its = withdrawal_of(decision)
    if its is None:
        return ""
    who = str(its.person) if its.person else "somebody"
    return (
        f"{_decided(decision, unit, zone)}; withdrawn by {who}, "
        f"{day(its.withdrawn_at.astimezone(zone))} "
        f"({its.reason})"
    )


def _decided(decision: ReadingDecision, unit: str, zone: ZoneInfo) -> str:
    """Who decided what and why, and the value that was taken."""
    who = str(decision.person) if decision.person else "somebody"
    what = decision.get_action_display()
    taken = "" if decision.value is None else f", {in_words(decision.value, unit)} taken"
    if decision.action == ReadingDecision.Action.OTHER_VALUE:
        meant = decision.suggested
        taken += ", nothing" if meant is None else f", {in_words(meant, unit)}"
        taken += " was suggested"
    return f"{who}, {day(decision.decided_at.astimezone(zone))}: {what}{taken} ({decision.reason})"


def corrected_words(one: RowCorrection) -> str:
    """A correction of a row in words: who, when, what stood before, and why."""
    zone = ZoneInfo(one.vehicle.depot.zone)
    was = one.message or one.outcome
    if one.reading:
        on = one.reading.taken_at.astimezone(zone).date()
        was = f"{grouped(one.reading.value)} {one.reading.unit} on {day(on)}, {one.outcome}"
    named = one.outcome == UploadRow.Outcome.UNKNOWN_VEHICLE
    what = f"Read as {one.vehicle}" if named else "Corrected"
    by = f" by {one.person}" if one.person else ""
    why = f"; {one.reason}" if one.reason else ""
    at = moment(one.corrected_at.astimezone(zone))
    return f"{what} {at}{by}; until then: {was.rstrip('.')}{why.rstrip('.')}."
