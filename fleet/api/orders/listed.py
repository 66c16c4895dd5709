"""The rows of the list of work orders, as far as they are asked for.

What starts a list is what is asked for again and again: it is asked for in words that are known.
"""

from functools import cache
from typing import Any, cast

from django.db.models import F
from django.utils import timezone
from rest_framework.request import Request

from fleet.api.orders.shapes import JOB_NAMES, LISTED
from fleet.api.paging import Order, Row, in_order, page, split
from fleet.api.signin import caller, zones_for
from fleet.prepared import Fixed
from fleet.reads import prepared
from fleet.workorders import findings, restrictions
from fleet.workorders.elsewhere import with_others
from fleet.workorders.listing import (
    AT_WORK,
    days_at,
    in_order_of_day,
    of_days,
    orders_at,
    planned_for,
    with_jobs,
)
from fleet.workorders.models import WorkOrder

NEWEST_FIRST = Order("work orders", ("id",), descending=True)
BY_DAY = Order("work orders by day", ("sort_on", "id"))
TODAY, ME = "today", "me"


def orders_listed(request: Request, asked: Row) -> tuple[Any, ...]:
    """Rows of this page and the address of the next, as ``paging.page`` has it."""
    given = _given(request, asked)
    if "cursor" in asked or "vehicle" in asked:  # which are not asked for as they are
        return page(request, _rows(given), _order(given), asked)
    found = _first_page(Fixed((asked["limit"], *given)), *given.values())
    return split(request, _order(given), found, asked["limit"])


def _given(request: Request, asked: Row) -> Row:
    """What is asked for in plain values, by name."""
    zones = zones_for(request, asked.get("depot"))
    given: Row = {"depots": [*zones], "states": Fixed((*sorted(asked.get("state") or ()),))}
    whose = asked.get("assigned_to")
    if whose is not None:
        given |= {ME: caller(request).pk} if whose == ME else {"whose": whose}
    if asked.get("planned_on") == TODAY:
        days = days_at(zones, timezone.now())
        given[TODAY] = Fixed(len(days))
        for number, (today, pks) in enumerate(days):
            given |= {f"day {number}": today, f"at {number}": pks}
    elif "planned_on" in asked:
        given["planned_on"] = asked["planned_on"]
    return given | ({"vehicle": asked["vehicle"].strip()} if "vehicle" in asked else {})


@prepared
def _first_page(named: Fixed, *values: Any) -> Any:
    """What starts a list that is asked for by named values: one row more than its limit."""
    limit, *names = cast("tuple[Any, ...]", named.value)
    given = dict(zip(names, values, strict=True))
    return in_order(_rows(given), _order(given))[: limit + 1]


def _order(given: Row) -> Order:
    return BY_DAY if TODAY in given or "planned_on" in given else NEWEST_FIRST


def _rows(given: Row) -> Any:
    found = _todays(given) if TODAY in given else _chosen(given)
    if "whose" in given:
        found = found.filter(assigned_to__username=given["whose"])
    if "vehicle" in given:
        found = found.filter(vehicle__fleet_number__iexact=given["vehicle"])
    return found


@cache
def _listed(*, of_today: bool = False) -> Any:
    """Every order with what is shown of it: put together once, narrowed by each request."""
    found = with_jobs(findings.with_marks(WorkOrder.objects.all()), JOB_NAMES.values())
    found = restrictions.with_restricted(in_order_of_day(found))
    return (with_others(found) if of_today else found).values(
        *LISTED,
        *("sort_on", "vehicle_id", "job_list", "do_not_use", "restricted"),
        *(["has_others"] if of_today else ()),
        number_of_vehicle=F("vehicle__fleet_number"),
        plate=F("vehicle__registration"),
        at=F("depot__slug"),
        zone=F("depot__zone"),
        who=F("assigned_to__username"),
    )


def _todays(given: Row) -> Any:
    """A mechanic's day, by the rule of the stage: mine and nobody's where it is asked for me."""
    days = [(given[f"day {at}"], given[f"at {at}"]) for at in range(given[TODAY].value)]
    return of_days(
        days,
        given["depots"],
        given.get(ME),
        states=given["states"].value or AT_WORK,
        among=_listed(of_today=True),
    )


def _chosen(given: Row) -> Any:
    """Exactly what is asked for."""
    found = orders_at(given["depots"], given["states"].value or None, _listed())
    if "planned_on" in given:
        found = planned_for(found, given["planned_on"])
    return found.filter(assigned_to=given[ME]) if ME in given else found
