"""Minutes that a depot's services are planned with: by the book, or learnt from finished jobs."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Count, OuterRef, Subquery, Sum

from fleet.calc.labour import Labour, learn
from fleet.vehicles.models import Depot
from fleet.workorders.book_minutes import book_minutes
from fleet.workorders.models import Job, Step, WorkOrder

NO_PROCEDURE_MIN = 30  # of a service without a procedure; our choice
LOOK_BACK_D = 730  # older jobs tell nothing of today's workshop; our choice
ENDED = (WorkOrder.State.FINISHED, WorkOrder.State.SIGNED_OFF)


def labour(depot: Depot, service_ids: Collection[int], today: date) -> dict[int, Labour]:
    """Of each of some services, as far as jobs finished before a day tell; four queries.

    Learnt from orders of the own workshop with one job, begun and finished on one day: the time
    between, less waits. An order with several jobs is not split, and a night is no work. Without
    minutes in the book there is nothing to hold records against, and none are learnt from.
    """
    book_min = book_minutes(service_ids)
    recorded = _recorded_min(depot, list(book_min), today)
    return {
        pk: learn(book_min[pk], recorded[pk])
        if pk in book_min
        else Labour(NO_PROCEDURE_MIN, NO_PROCEDURE_MIN)
        for pk in service_ids
    }


def of_job(job: Job, known: Labour | None) -> Labour:
    """Minutes of a job on an order: of a service as learnt, else as the order has them, if any;
    None: it is no service."""
    if known is None:
        return Labour(job.minutes, job.minutes)
    return known if known.jobs or not job.minutes else replace(known, minutes=job.minutes)


def waits(service_ids: Collection[int]) -> dict[int, int]:
    """Minutes that the steps of services wait, added up."""
    steps = Step.objects.filter(procedure__service__in=service_ids, wait_min__isnull=False)
    summed = steps.values_list("procedure__service").annotate(all=Sum("wait_min")).order_by()
    return dict(summed)


def _recorded_min(
    depot: Depot, service_ids: Collection[int], today: date
) -> dict[int, list[float]]:
    zone = ZoneInfo(depot.zone)
    until = datetime.combine(today, datetime.min.time(), zone)
    beside = Job.objects.filter(order=OuterRef("order")).exclude(state=Job.State.DROPPED)
    counted = beside.order_by().values("order").annotate(all=Count("pk")).values("all")
    rows = Job.objects.filter(
        service__in=service_ids,
        state=Job.State.DONE,
        order__depot=depot,
        order__where=WorkOrder.Where.OWN,
        order__state__in=ENDED,
        order__started_at__isnull=False,
        order__finished_at__lt=until,
        order__finished_at__gte=until - timedelta(days=LOOK_BACK_D),
    ).annotate(jobs=Subquery(counted))
    times = rows.filter(jobs=1).values_list(
        "service", "order__started_at", "order__finished_at", "order__waited_s"
    )
    wait_min = waits(service_ids)
    recorded: dict[int, list[float]] = defaultdict(list)
    for service_id, begun, ended, waited_s in times:
        if begun and ended and begun.astimezone(zone).date() == ended.astimezone(zone).date():
            elapsed_min = ((ended - begun).total_seconds() - waited_s) / 60
            recorded[service_id].append(elapsed_min - wait_min.get(service_id, 0))
    return recorded


def without_minutes(depot: Depot, names: Mapping[int, str]) -> tuple[str, ...]:
    """Which of some services have no minutes in the book, and what is taken, in a sentence."""
    timed = book_minutes(names)
    missing = sorted({name for pk, name in names.items() if pk not in timed})
    if not missing:
        return ()
    listed = ", ".join(missing[:5]) + (" and others" if len(missing) > 5 else "")
    return (
        f"No labour minutes are entered for {listed} at {depot}: {NO_PROCEDURE_MIN} minutes "
        "are taken; enter the procedure.",
    )
