"""Marks and figures for the templates."""

import calendar
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

from django import template
from django.template import Context
from django.urls import reverse

from fleet.dashboard import frame, shown_units, words
from fleet.dashboard.strip import Scale, Strip, strip
from fleet.due import explain
from fleet.due.listing import DueRow
from fleet.due.models import CheckFigure
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.vehicles.models import Depot
from fleet.vehicles.own_unit import in_own, in_words
from fleet.workbook import sent
from fleet.workorders.cardfluids import CardFluid
from fleet.workorders.cardsteps import CardFastener

register = template.Library()
INVENTED = "invented"


@register.filter
def km(number: float | None) -> str:
    return "" if number is None else words.km(number)


@register.filter
def own(number: float | None, unit: str) -> str:
    """A total or distance in km (or h) in the unit that the vehicle's own instrument shows."""
    return "" if number is None else in_words(number, unit or "km")


@register.filter
def distance_left(row: DueRow) -> str:
    """What remains to the distance limit of a service, in the vehicle's own unit."""
    if row.remaining_km is None:
        return ""
    unit = row.odometer_unit
    return words.left_or_over(in_own(row.remaining_km, unit), unit)


@register.filter
def figure(number: float | None) -> str:
    return "" if number is None else words.grouped(number)


@register.filter
def counted(number: int) -> str:
    return words.counted(number)


@register.filter
def percent(share: float | None) -> str:
    return "" if share is None else words.percent(share)


@register.filter
def chance(probability: float | None) -> str:
    return "" if probability is None else words.chance(probability)


@register.filter
def day(on: date | None) -> str:
    return "" if on is None else words.day(on)


@register.filter
def iso_week(on: date) -> int:
    return on.isocalendar().week


@register.filter
def short_day(on: date | None) -> str:
    return "" if on is None else words.short_day(on)


@register.filter
def found_words(found_by: str) -> str:
    return words.FOUND_WORDS[found_by]


@register.filter
def asked_words(stage: str) -> str:
    return words.ASKED_WORDS[stage]


@register.filter
def short_weekday(on: date) -> str:
    return words.short_weekday(on)


@register.filter
def span(first: date, last: date) -> str:
    return words.span(first, last)


@register.filter
def weekday(on: date | None) -> str:
    return "" if on is None else words.weekday(on)


@register.filter(expects_localtime=True)
def moment(at: datetime | None) -> str:
    return "" if at is None else words.moment(at)


@register.filter
def moment_at(at: datetime | None, place: Depot | str) -> str:
    """By the clock of a depot, or of a time zone."""
    zone = place if isinstance(place, str) else place.zone
    return "" if at is None else words.moment(at.astimezone(ZoneInfo(zone or "UTC")))


@register.filter
def no_stop(sentence: str) -> str:
    """A sentence inside another: without the full stop at its end."""
    return sentence.rstrip().removesuffix(".")


@register.filter
def first_sentence(text: str) -> str:
    """What a caution names first: the hazard."""
    return text.partition(". ")[0].rstrip(".") + "."


@register.filter
def after_first(text: str) -> str:
    """A text without its first sentence."""
    return text.partition(". ")[2]


@register.filter
def unlike(source: str, said: str) -> str:
    """A source where it is another than what is said once for all: invented data are said once."""
    return "" if source == said or INVENTED in source and INVENTED in said else source


@register.filter
def others_accepted(fluid: CardFluid) -> list[str]:
    """Names of what is accepted besides the product that the card names."""
    return [one.name for one in fluid.accepted if one.slug != fluid.product]


@register.filter
def place_of(pk: int) -> str:
    """An ending that tells the fields of one job's form from those of another's."""
    return f"-{pk}"


@register.filter
def ago(days: int) -> str:
    return words.ago(days)


@register.filter
def outcomes(counts: dict[str, int]) -> str:
    """Counts of an upload in one line, those that are not zero."""
    return ", ".join(f"{words.grouped(number)} {what}" for what, number in counts.items() if number)


@register.filter
def month_name(month: int) -> str:
    return calendar.month_name[month]


@register.filter
def limit_reached(row: DueRow) -> str:
    """The limit that a due date reaches first."""
    return explain.limit_reached(row.binding_limit, called=row.called)


@register.filter
def left_or_over(number: float | None, unit: str) -> str:
    return words.left_or_over(number, unit)


@register.inclusion_tag("dashboard/_state.html")
def state_mark(state: str) -> dict[str, str]:
    return {"state": state, "words": words.STATE_WORDS[state]}


@register.inclusion_tag("dashboard/_order_state.html")
def order_state(state: str) -> dict[str, str]:
    return {"words": state, "shape": words.ORDER_SHAPES[state]}


@register.inclusion_tag("dashboard/_outcome.html")
def outcome_mark(outcome: str) -> dict[str, str]:
    return {"outcome": outcome, "shape": words.OUTCOME_SHAPES[outcome]}


@register.filter
def cell(value: date | float | str | None) -> str:
    """A figure or day of a chart as it stands on paper."""
    if value is None:
        return ""
    if isinstance(value, date):
        return words.day(value)
    return value if isinstance(value, str) else words.grouped(value)


@register.simple_tag
def temperature_unit() -> str:
    return shown_units.temperature_unit()


@register.filter
def measured(value: float, figure: CheckFigure) -> str:
    """A measured value with its unit, a temperature in that of whoever looks."""
    return shown_units.measured(value, figure)


@register.filter
def limits(figure: CheckFigure) -> str:
    """The limits of a figure, likewise."""
    return shown_units.limits(figure)


@register.filter
def check_limits(figure: CheckFigure) -> str:
    """Which values pass and which are to be watched, in the figure's own unit."""
    return words.check_limits(figure)


@register.filter
def of(found: Mapping[Any, Any] | None, key: Any) -> Any:
    """What a mapping holds under a key."""
    return (found or {}).get(key)


@register.simple_tag
def pages_of(person: object) -> tuple[frame.Page, ...]:
    return frame.pages_of(person) if isinstance(person, Person) else ()


@register.simple_tag
def home_of(person: object) -> str:
    return frame.home_of(person) if isinstance(person, Person) else "due"


@register.simple_tag
def is_demo_folder() -> bool:
    return frame.is_demo_folder()


@register.simple_tag
def depot_page(page: str) -> str:
    """Where choosing a depot leads: the same page where it lists by depot, else Due."""
    by_depot = {one.name for one in frame.PAGES if one.by_depot}
    return reverse(page if page in by_depot else "due")


@register.filter
def torque(least_nm: float, most_nm: float | None = None) -> str:
    return shown_units.torque(least_nm, most_nm)


@register.simple_tag
def torque_unit() -> str:
    """The unit in which whoever looks reads and types torques."""
    return shown_units.torque_unit()


@register.filter
def torque_ends(one: CardFastener) -> str:
    """The ends of a fastener's range, as '26 to 33', where a label has said the unit."""
    return words.torque_ends(one.torque_nm, one.torque_max_nm, shown_units.torque_unit())


@register.filter
def torque_first(one: CardFastener) -> str:
    """The torque of a fastener in the unit of whoever looks."""
    return shown_units.torque_first(one.torque_nm, one.torque_max_nm)


@register.filter
def torque_beside(one: CardFastener) -> str:
    """The same in N·m, and as its source states it, for brackets."""
    return shown_units.torque_beside(one.torque_nm, one.torque_max_nm, one.stated_unit)


@register.filter
def torques(text: str) -> str:
    """A text with the torques in it as whoever looks reads them."""
    return shown_units.torques_in_text(text)


@register.filter
def plain(number: float) -> str:
    """A number without zeros that say nothing, below zero with a minus sign."""
    return words.plain(number)


@register.filter
def degrees(temperature_c: float | None) -> str:
    """A mean temperature in the unit of whoever looks, to a tenth; nothing where none is known."""
    if temperature_c is None:
        return ""
    return f"{shown_units.temperature(temperature_c):.1f}".replace("-", "\N{MINUS SIGN}")


@register.filter
def on_hand(amount: float, unit: str = "") -> str:
    return words.on_hand(amount, unit)


@register.filter
def duration(hours_h: float) -> str:
    return words.duration(hours_h)


@register.simple_tag
def new_key() -> str:
    """A key of its own for a record that a form may send."""
    return uuid4().hex


@register.inclusion_tag("dashboard/_choose_row.html", takes_context=True)
def choose_row(context: Context, row: DueRow) -> dict[str, Any]:
    """The box that chooses a due service for an order; none where an order has it."""
    marks = context["marks"]
    taken = (row.vehicle_id, row.service_id) in marks.orders
    return {"row": row, "may_choose": marks.may_release and not taken}


@register.inclusion_tag("dashboard/_row_work.html", takes_context=True)
def row_work(context: Context, row: DueRow) -> dict[str, Any]:
    """The order, deferral and mark of one due service; on the vehicle's page, the button that
    drafts an order (Due drafts for many at once)."""
    marks, key = context["marks"], (row.vehicle_id, row.service_id)
    drafts = marks.may_release and context.get("page") != "due"
    on_top = context.get("page") == "vehicle"  # where marks of the whole vehicle stand
    return {
        "row": row,
        "number": marks.orders.get(key, ""),
        "deferred": marks.deferred.get(key),
        "stopped": "" if on_top else marks.stopped.get(row.vehicle_id, ""),
        "restricted": () if on_top else marks.restricted.get(row.vehicle_id, ()),
        "may_release": drafts,
        "beside": marks.beside(*key) if drafts else (),
        "csrf_token": context.get("csrf_token"),
    }


@register.filter
def asks_what_if(person: Person) -> bool:
    return may(person, Right.ASK_WHAT_IF)


@register.filter
def may_load_workbook(person: object) -> bool:
    return isinstance(person, Person) and sent.may_load(person)


@register.filter
def may_run_nights(person: Person) -> bool:
    return may(person, Right.RUN_NIGHT)


@register.filter
def may_enter_history(person: Person) -> bool:
    return may(person, Right.ENTER_HISTORY)


@register.inclusion_tag("dashboard/_recorded.html", takes_context=True)
def recorded(context: Context, kept: dict[str, Any], *place: object) -> dict[str, Any]:
    """What is recorded at a place of the card, each with its way back."""
    name = "-".join(map(str, place))
    names = ("order", "user", "csrf_token", "may_withdraw", "photos_of")
    return {
        "place": name,
        "lines": kept.get(name, []),
        "page": "job-card",
        **{one: context.get(one) for one in names},
    }


@register.simple_tag
def is_recorded(kept: dict[str, Any], *place: object) -> bool:
    """Whether something is recorded at a place of the card that was not taken back."""
    return any(not line.gone for line in kept.get("-".join(map(str, place)), ()))


@register.inclusion_tag("dashboard/_strip.html")
def interval_strip(row: Any, scale: Scale) -> dict[str, Strip]:
    return {"strip": strip(scale, row.today, row.p10, row.p50, row.p90)}


@register.inclusion_tag("dashboard/_strip_scale.html")
def strip_scale(scale: Scale, today: date) -> dict[str, Any]:
    return {"months": scale.months(), "today": scale.at(today)}
