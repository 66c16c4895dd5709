"""Say in a few lines why a service is due when it is, for a sceptical mechanic."""

from calendar import month_name
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
from django.db.models import Q

from fleet.due.calls import by_call, standing
from fleet.due.listing import STATES, life_used, state_on
from fleet.due.models import (
    BindingLimit,
    DueDate,
    DueEarlier,
    Fill,
    Limit,
    Service,
    ServiceDone,
)
from fleet.due.read_off import unread, unread_words
from fleet.due.rules import (
    ANY_PRODUCT,
    LIMIT_FIGURES,
    NORMAL,
    OCCASIONS,
    SEVERE,
    as_rows,
    rules_of,
)
from fleet.due.running import CERTAIN, known_of, sum_words, usage_words
from fleet.due.split import Part, split, words
from fleet.duty.lacking import lacking
from fleet.duty.models import Criterion, DutyAssessment, DutyClass, DutyOverride
from fleet.faults import Fault
from fleet.today import day, today_at
from fleet.units import percent
from fleet.vehicles.models import Vehicle
from fleet.vehicles.own_unit import figures, odometer_unit

STATE_WORDS = dict(
    zip(
        STATES,
        ("history unknown", "overdue", "probably overdue", "due this month", "later"),
        strict=True,
    )
)
LIMIT_WORDS = {
    BindingLimit.KM: "distance",
    BindingLimit.HOURS: "engine hours",
    BindingLimit.CALENDAR: "calendar",
}
BY_CLASS_ONLY, BY_CLASS_TOO = "; a change of duty class would", ", and with a change of duty class"


@dataclass(frozen=True)
class Explanation:
    """Why a due date is what it is; every line stands alone."""

    vehicle: str
    service: str
    state: str
    lines: tuple[str, ...]
    p10: date | None
    p50: date | None
    p90: date | None
    binding_limit: str
    binding_probability: float | None
    duty_class: str
    life_by_class: tuple[Part, ...]  # since it was last done, one after the other


def explain(
    vehicle: Vehicle, service: Service, now: datetime, *, hide_fluid: bool = False
) -> Explanation:
    """Explain one due date from the rows it rests on.

    Parameters
    ----------
    hide_fluid
        Leave out which fluid is inside, for who must not know.

    Raises
    ------
    Fault
        The service has not been forecast for this vehicle.
    """
    row = (
        DueDate.objects.filter(vehicle=vehicle, service=service)
        .select_related("anchor__reading", "limit", "service__compartment", "limit__product")
        .first()
    )
    if row is None:
        raise Fault(
            f"{vehicle.fleet_number} has no due date for {service.slug} yet: "
            "run sumpwise nightly, or check that its vehicle type has this service."
        )
    today = today_at(vehicle.depot.zone, now)
    state = state_on(vars(row), today)
    parts = split(vehicle, service, today) if row.history_known and row.limit else []
    unit, known = odometer_unit(vehicle.pk), known_of(vehicle)
    lines = [
        _headline(row, state, today),
        _counted_from(row, vehicle, unit, hide_fluid=hide_fluid),
        _limit_and_class(row, vehicle, today, unit),
        words(parts),
        _called_for(row, unit),
        usage_words(vehicle, known, today),
        _unread(vehicle, unit),
        _what_binds(row, unit, today) + sum_words(row, unit, known, today),
        _what_would_move_it(row, state),
    ]
    return Explanation(
        vehicle=vehicle.fleet_number,
        service=service.slug,
        state=state,
        lines=tuple(line for line in lines if line),
        p10=row.p10,
        p50=row.p50,
        p90=row.p90,
        binding_limit=row.binding_limit,
        binding_probability=row.binding_probability,
        duty_class=row.duty_class,
        life_by_class=tuple(parts),
    )


def _headline(row: DueDate, state: str, today: date) -> str:
    words = STATE_WORDS[state]
    if not row.history_known:
        return f"{row.service.name}: {words}. No date is given, because none would be honest."
    if row.p50 is None:
        return f"{row.service.name}: {words}; no limit in sight within ten years."
    used = life_used(vars(row), today)
    life = "" if used is None else f" Life used {percent(used)}."
    if row.beyond_by_reading:
        return f"{row.service.name}: {words} since {day(row.p50)}, by an accepted reading.{life}"
    if row.p10 == row.p90:
        return f"{row.service.name}: {words}, on {day(row.p50)}.{life}"
    return (
        f"{row.service.name}: {words}. Earliest likely {_day(row.p10)}, expected (50:50) "
        f"{day(row.p50)}, latest likely {_day(row.p90)}.{life}"
    )


def _day(on: date | None) -> str:
    return "unknown" if on is None else day(on)


def _counted_from(row: DueDate, vehicle: Vehicle, unit: str, *, hide_fluid: bool) -> str:
    fill = (
        Fill.objects.filter(vehicle=vehicle, compartment=row.service.compartment)
        .select_related("product")
        .first()
    )
    shown = fill is not None and not hide_fluid
    inside = f" In the {row.service.compartment.name.lower()}: {fill}." if shown else ""
    if row.anchor is not None:
        at = "" if row.anchor.total_km is None else f" at {figures(row.anchor.total_km, unit)}"
        return (
            f"Last done {day(row.anchor.done_on)}{at} "
            f"({row.anchor.evidence}: {row.anchor.source}).{_unsettled(row.anchor)}{inside}"
        )
    if _is_only_called(row):
        return f"It has no limit of its own: it is due only where something calls for it.{inside}"
    if row.history_known and (since := vehicle.in_service_on) is not None:
        return (
            "Never recorded as done: counted from the start of use on "
            f"{day(since)} at {figures(vehicle.in_service_km or 0, unit)}.{inside}"
        )
    if row.history_known:
        return f"Nothing says when it was last done: it is due because it was called for.{inside}"
    return (
        "Nothing says when it was last done. Record the service, or a document with date and km "
        f"(a baseline).{inside}"
    )


def _unsettled(anchor: ServiceDone) -> str:
    if not anchor.provisional or anchor.reading is None:
        return ""
    return (
        f" That figure is {anchor.reading.verdict}: until it is settled, it counts as no less than "
        "what had been read before."
    )


def _is_only_called(row: DueDate) -> bool:
    """Whether it is due only because something calls for it."""
    return row.limit is None and row.p50 is not None


def _limit_and_class(row: DueDate, vehicle: Vehicle, today: date, unit: str) -> str:
    if _is_only_called(row):
        return ""
    if row.limit is None:
        return "No limit is entered for this service and duty class."
    return (
        f"Limit under {row.duty_class} duty: {limit_words(row.limit, unit)} ({row.limit.source}). "
        f"{_why_class(row, vehicle, today)}"
    )


def _called_for(row: DueDate, unit: str) -> str:
    calls = standing([row.vehicle_id]).filter(service=row.service_id)
    return " ".join(f"Called for {call_words(call, unit)}: {call.reason}." for call in calls)


def call_words(call: DueEarlier, unit: str = "km") -> str:
    """By when a call wants its service, e.g. "within 80 km" or "by 14 Feb 2026"."""
    by = [f"within {figures(call.after_km, unit)}"] if call.after_km is not None else []
    by += [f"by {day(call.due_on)}"] if call.due_on is not None else []
    return " or ".join(by)


def limits_by_class(service: Service, unit: str = "km") -> list[tuple[str, str]]:
    """What a service's usual limits are in each duty class, with the accepted fluids."""
    rows = service.limits.filter(occasion=Limit.Occasion.REPEAT, product=None)
    return [(row.duty_class, limit_words(row, unit)) for row in rows.order_by("duty_class")]


def limit_words(limit: Limit, unit: str = "km") -> str:
    """The figures of a limit in words, e.g. "60,000 km or 36 months, whichever first"."""
    parts = []
    if limit.limit_km is not None:
        parts.append(figures(limit.limit_km, unit))
    if limit.limit_h is not None:
        parts.append(f"{limit.limit_h:,.0f} h")
    if limit.limit_months is not None:
        parts.append(f"{limit.limit_months} month{'' if limit.limit_months == 1 else 's'}")
    if limit.yearly_month is not None:
        parts.append(f"every year by {limit.yearly_day} {month_name[limit.yearly_month]}")
    whichever = ", whichever first" if len(parts) > 1 else ""
    first = " (first time)" if limit.occasion == Limit.Occasion.FIRST else ""
    product = f" with {limit.product}" if limit.product else ""
    return " or ".join(parts) + whichever + first + product


def _why_class(row: DueDate, vehicle: Vehicle, today: date) -> str:
    place = Q(vehicle=vehicle, compartment=row.service.compartment)
    override = (
        DutyOverride.objects.filter(place, from_on__lte=today, until_on__gte=today)
        .select_related("person")
        .last()
    )
    if override:
        who = f" by {override.person}" if override.person else ""
        return f"Set{who} until {day(override.until_on)}: {override.reason}."
    nothing = lacking(row.service.compartment, vehicle.vehicle_type.powertrain)
    if nothing and row.duty_class == DutyClass.NORMAL:
        return f"{nothing[0].upper()}{nothing[1:]}."
    rows = DutyAssessment.objects.filter(place, from_on__lte=today).order_by("from_on")
    newest = rows.last()
    if newest is None:
        return "The duty class has not been assessed yet; normal stands in."
    reached = [part for part in newest.evidence if part["reached"]]
    since = f"since {day(newest.from_on)}" if rows.count() > 1 else "since records began"
    if row.duty_class == DutyClass.NORMAL:
        return f"Normal {since}: no criterion reaches its share."
    if not reached:
        return f"Severe {since}: not yet calm for long enough to be normal again."
    return f"Severe {since}: {_exposures(reached, newest.from_on)}."


def _exposures(parts: list[dict[str, Any]], from_on: date) -> str:
    """What reached its limit when the class began, each with its window."""
    known = Criterion.objects.filter(slug__in=[part["criterion"] for part in parts])
    months = dict(known.values_list("slug", "window_months"))
    return "; ".join(
        _exposure_words(part, months.get(part["criterion"]), from_on) for part in parts
    )


def _exposure_words(part: dict[str, Any], months: int | None, from_on: date) -> str:
    name = str(part["criterion"]).replace("-", " ")
    window = f" in the {months} months before {day(from_on)}" if months else ""
    if part["declared"]:
        return f"{name} (declared; too little was measured{window})"
    share = f"{percent(part['exposure'])} of use{window}"
    return f"{name} in {share} (limit {percent(part['limit'])})"


def limit_reached(limit: str, *, called: bool) -> str:
    """The limit that is reached first, by its name; a day that something called for is no limit by
    calendar."""
    if called and limit == BindingLimit.CALENDAR:
        return "day of the call"
    return LIMIT_WORDS.get(BindingLimit(limit), "no limit in sight")


def _unread(vehicle: Vehicle, unit: str) -> str:
    row = unread(vehicle)
    return "" if row is None else unread_words(row, unit)


def _what_binds(row: DueDate, unit: str, today: date) -> str:
    if row.binding_limit not in LIMIT_WORDS:
        return ""
    called = DueDate.objects.filter(by_call(), pk=row.pk).exists()
    calendar = f"the {limit_reached(BindingLimit.CALENDAR, called=called)}"
    words = f"the {limit_reached(row.binding_limit, called=called)}"
    sure = row.binding_probability or 0
    odds = "certainly" if sure >= CERTAIN else f"with {percent(sure)} probability"
    return f"Limit reached first: {words}, {odds}.{_what_is_left(row, unit, calendar, today)}"


def _what_is_left(row: DueDate, unit: str, calendar: str, today: date) -> str:
    """Of each limit what is left or, where it has passed, how far that is gone by."""
    left: list[str] = []
    over: list[str] = []
    for remaining, its_unit in ((row.remaining_km, unit), (row.remaining_h, "h")):
        if remaining is not None:
            (over if remaining < 0 else left).append(figures(abs(remaining), its_unit))
    if (ends_on := row.calendar_on) is not None and ends_on < today:
        over.append(f"{calendar} since {day(ends_on)}")
    elif ends_on is not None:
        left.append(f"{calendar} until {day(ends_on)}")
    told = (("Left", left), ("Over", over))
    return "".join(f" {name}: {', '.join(parts)}." for name, parts in told if parts)


def _what_would_move_it(row: DueDate, state: str) -> str:
    if not row.history_known:
        return "A baseline would give it a date."
    if row.provisional:
        return "Confirming the meter's offset, or settling its held readings, may move it."
    if state == "overdue":
        return "Only the service itself, or a document that shows it was done, moves it now."
    if state == "probably_overdue":
        return "Take a reading: it will say whether the limit has passed."
    if row.take_a_reading_first:
        return "The band is wide: a new reading narrows it."
    by_class = _depends_on_class(row)
    if row.binding_limit == BindingLimit.CALENDAR:
        return f"More or less driving will not move it{BY_CLASS_ONLY if by_class else ''}."
    return f"It moves with the next accepted reading{BY_CLASS_TOO if by_class else ''}."


def _depends_on_class(row: DueDate) -> bool:
    """Whether its limit is another in the other duty class; what a class does not state is taken
    from what is stated next to it."""
    if row.limit is None:
        return False
    occasion, product = OCCASIONS[Limit.Occasion(row.limit.occasion)], row.limit.product_id
    limits = Limit.objects.filter(service=row.service).order_by("pk")
    rules = rules_of(*as_rows([row.service], limits), 1.0)
    classes = np.array([NORMAL, SEVERE])
    each = np.zeros_like(classes)
    found = rules.limit_rows(each, classes, each + occasion, each + (product or ANY_PRODUCT))
    figures_of = (rules.figures[name][found] for name in LIMIT_FIGURES if "tolerance" not in name)
    return not all(np.array_equal(one, one[::-1], equal_nan=True) for one in figures_of)
