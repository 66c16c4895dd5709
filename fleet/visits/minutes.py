"""How the minutes of a visit come about: set-up, services, waits, other jobs, a second person."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Sum

from fleet.calc.labour import Labour
from fleet.visits.models import ServiceNeed, Visit, Workshop


@dataclass(frozen=True)
class Minutes:
    """Of one visit, once each [min]; what its orders have besides, or differently, is apart."""

    set_up: int
    services: int
    others: int
    waits: int  # in the bay, nobody's work
    second: int  # of a second person, beside the first


def minutes_of(visit: Visit, services: Sequence[Labour]) -> Minutes:
    """Take the minutes of a visit apart, as the plan put them together; two queries."""
    set_up = Workshop.of(visit.plan.depot).set_up_min
    asked = ServiceNeed.objects.filter(service__in=visit.services.values("service"))
    second = asked.aggregate(all=Sum("second_min"))["all"] or 0
    done = sum(one.minutes for one in services)
    return Minutes(
        set_up=set_up,
        services=done,
        others=visit.work_min - set_up - done - second,
        waits=visit.minutes - (visit.work_min - second),
        second=second,
    )
