"""In which order due dates are listed, and by what they are put together."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import (
    Case,
    DateField,
    F,
    FloatField,
    Func,
    IntegerField,
    Q,
    Value,
    When,
)
from django.db.models.expressions import Combinable
from django.db.models.functions import Cast, Coalesce, Greatest

SORTS = ("due", "state", "vehicle", "service", "bring_in", "limit", "life")
GROUPS = ("vehicle", "service", "depot", "week")
FIRST_MONDAY = date(1970, 1, 5)
NO_DAY = date.max  # what has no day comes last
NO_LIFE = -1.0  # below every share there is


@dataclass(frozen=True)
class Order:
    """How a list is sorted: by one column, within the rows that one thing puts together."""

    sort: str = "due"  # one of SORTS
    descending: bool = False
    group: str = ""  # one of GROUPS, or nothing

    @property
    def is_soonest_first(self) -> bool:
        """Whether the list can go on behind the key of a row."""
        return self == Order()


class DaysBetween(Func):
    """Whole days from the second of two dates to the first."""

    arity = 2
    arg_joiner = ") - JULIANDAY("
    template = "CAST(JULIANDAY(%(expressions)s) AS INTEGER)"
    output_field = IntegerField()

    def as_postgresql(self, compiler: Any, connection: Any, **context: Any) -> Any:
        return self.as_sql(
            compiler, connection, template="(%(expressions)s)", arg_joiner=" - ", **context
        )


def in_order(order: Order, states: Mapping[date, Sequence[tuple[Q, int]]]) -> list[Any]:
    """What to order rows by; those alike come soonest first.

    Parameters
    ----------
    states
        For each day that it is at some depot: which rows are in a state, and its rank.
    """
    columns: list[Any] = [group_column(order.group).asc()] if order.group else []
    if order.sort != "due" or order.descending:
        by = _column(order.sort, states)
        columns.append(by.desc() if order.descending else by.asc())
    return [*columns, "sort_on", "vehicle_id", "service_id"]


def _column(sort: str, states: Mapping[date, Sequence[tuple[Q, int]]]) -> Any:
    if sort == "state":
        ranks = [
            When(where, then=Value(rank)) for found in states.values() for where, rank in found
        ]
        return Case(*ranks, default=Value(len(ranks)), output_field=IntegerField())
    if sort == "life":
        return _life(max(states, default=FIRST_MONDAY))
    return {
        "due": F("sort_on"),
        "vehicle": F("vehicle__fleet_number"),
        "service": F("service__name"),
        "bring_in": Coalesce("bring_in_by_on", Value(NO_DAY, output_field=DateField())),
        "limit": F("binding_limit"),
    }[sort]


def _life(today: date) -> Combinable:
    """``listing.life_used`` as the database works it out."""
    on = Value(today, output_field=DateField())
    per_d = F("calendar_life_per_d")
    since_d = Cast(DaysBetween(on, F("calendar_life_on")), FloatField())
    left_d = Cast(DaysBetween(F("calendar_on"), on), FloatField())
    by_calendar = Coalesce(
        F("calendar_life") + since_d * per_d,
        Value(1.0) - left_d * per_d,
        Value(NO_LIFE),
        output_field=FloatField(),
    )
    return Greatest(Coalesce("meter_life", Value(NO_LIFE)), by_calendar)


def group_column(group: str) -> Any:
    """What rows are put together by; a week by its number since 1970."""
    return {
        "vehicle": F("vehicle__fleet_number"),
        "service": F("service__name"),
        "depot": F("depot__name"),
        "week": DaysBetween(F("sort_on"), Value(FIRST_MONDAY, output_field=DateField())) / Value(7),
    }[group]


def week_of(on: date) -> int:
    """The number of a week since 1970, as ``group_column`` gives it."""
    return (on - FIRST_MONDAY).days // 7


def monday_of(week: int) -> date:
    return FIRST_MONDAY + timedelta(weeks=week)
