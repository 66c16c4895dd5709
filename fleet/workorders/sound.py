"""Whether orders agree with themselves: open once, told from the beginning, recorded whole."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from django.db.models import Count, OuterRef, QuerySet, Subquery

from fleet.workorders import gaps
from fleet.workorders.models import Job, OrderEvent, WorkOrder

SIGNED_D = timedelta(days=30)  # signed longer ago, procedures may have changed since; our choice
State = WorkOrder.State


def open_twice() -> Iterator[str]:
    """Services that are open on more than one order of a vehicle: a sentence for each."""
    rows = (
        Job.objects.filter(state=Job.State.OPEN, service__isnull=False)
        .order_by("vehicle__fleet_number", "service__slug")
        .values_list("vehicle__fleet_number", "service__slug")
        .annotate(jobs=Count("pk"))
        .filter(jobs__gt=1)
    )
    for number, service, jobs in rows:
        yield f"{number}, {service}: {jobs} jobs of it are open; drop all but one."


def untold() -> Iterator[str]:
    """Orders whose events do not lead to the state they are in: a sentence for each."""
    events = OrderEvent.objects.filter(order=OuterRef("pk")).order_by("-pk")
    told = events.exclude(to_state="").values("to_state")[:1]
    orders = WorkOrder.objects.annotate(
        told=Subquery(told), newest=Subquery(events.values("pk")[:1])
    )
    for order in orders.order_by("pk").only("number", "state").iterator():
        if order.newest is None:
            yield f"{order.number}: nothing tells how it came to be {order.state}."
        elif order.told != order.state:
            yield f"{order.number} is {order.state}; its events end in {order.told or 'no state'}."


def unrecorded(now: datetime) -> Iterator[str]:
    """What done jobs lack by their procedures, neither recorded nor left out with a reason."""
    for order in _ended(now).order_by("pk"):
        for job in order.jobs.filter(state=Job.State.DONE).select_related("order", "service"):
            given = set(job.gaps.values_list("place", flat=True))
            if lacking := [one.words for one in gaps.missing(job) if one.place not in given]:
                yield f"{order.number}, {job.title}: {'; '.join(lacking)}."


def _ended(now: datetime) -> QuerySet[WorkOrder]:
    """Own orders that wait for a signature, and those signed lately."""
    own = WorkOrder.objects.filter(where=WorkOrder.Where.OWN)
    lately = own.filter(state=State.SIGNED_OFF, signed_off_at__gte=now - SIGNED_D)
    return own.filter(state=State.FINISHED) | lately
