"""The day on which an order is needed: the earliest by which its vehicle is to be brought in for
one of its open jobs.

It is kept with each open order, so that a list goes by it along an index. Whoever changes the
jobs of an order keeps it; what moves due dates lets it follow; each night holds all to it.
"""

from collections.abc import Collection, Iterator

from django.db import transaction
from django.db.models import DateField, F, Min, OuterRef, Q, QuerySet, Subquery, Value
from django.db.models.functions import Coalesce

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.models.orders import NEEDED_OR_LAST, NO_DAY_LAST, StillOpen


def keep(order_ids: Collection[int]) -> None:
    """Bring the day of orders up to their jobs; in the transaction that changes these."""
    _bring_up_to_date(WorkOrder.objects.filter(pk__in=order_ids))


def follow(vehicle_ids: Array | None = None) -> int:
    """Let the open orders of some vehicles (default: all) follow their due dates; how many did."""
    rows = WorkOrder.objects.filter(StillOpen("state"), state__in=WorkOrder.OPEN)
    if vehicle_ids is not None:
        where, params = bulk.among("workorders_workorder.vehicle_id", vehicle_ids)
        rows = rows.extra(where=[where], params=params)  # noqa: S610
    return _bring_up_to_date(rows)


def wrong() -> Iterator[str]:
    """Orders with another day than their jobs say: a sentence for each. No ended one has a day."""
    rows = WorkOrder.objects.filter(Q(state__in=WorkOrder.OPEN) | Q(needed_on__isnull=False))
    for order in _differing(rows).annotate(by_jobs=_by_jobs()).order_by("pk"):
        yield (
            f"{order.number} is kept as needed on {order.needed_on or 'no day'}; "
            f"its jobs say {order.by_jobs or 'no day'}."
        )


def _bring_up_to_date(rows: QuerySet[WorkOrder]) -> int:
    differing = list(_differing(rows).values_list("pk", flat=True))
    if not differing:
        return 0
    found = WorkOrder.objects.filter(pk__in=differing)
    with transaction.atomic():
        # one order of locking for all; who had one held may have changed its jobs
        list(found.select_for_update(of=("self",)).order_by("pk").values_list("pk"))
        return found.update(needed_on=_by_jobs())


def _differing(rows: QuerySet[WorkOrder]) -> QuerySet[WorkOrder]:
    last = Value(NO_DAY_LAST, output_field=DateField())
    return rows.alias(by_jobs_or_last=Coalesce(_by_jobs(), last)).exclude(
        by_jobs_or_last=NEEDED_OR_LAST
    )


def _by_jobs() -> Subquery:
    jobs = Job.objects.filter(
        order=OuterRef("pk"), state=Job.State.OPEN, vehicle__due_dates__service=F("service")
    )
    days = jobs.order_by().values("order").annotate(on=Min("vehicle__due_dates__bring_in_by_on"))
    return Subquery(days.values("on"))
