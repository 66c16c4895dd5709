"""What stays as proof: facts frozen at the finish, a vehicle's pack, the share done on time."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Count, Q
from django.db.models.functions import TruncMonth

from fleet.due.explain import limit_words
from fleet.due.models import Deferral, DueDate, ServiceDone
from fleet.readings.models import Reading
from fleet.workorders.models import Evidence, Job, WorkOrder


def freeze(job: Job, reading: Reading) -> Evidence:
    """Keep what a job rested on, before its due date moves on."""
    row = _due_date(job)
    facts = _facts(job, reading, row)
    due_on = None if row is None or not row.history_known else row.p50
    done_on = job.done.done_on if job.done else None
    tolerance_on = row.tolerance_until_on if row else None
    Evidence.objects.filter(pk=job.pk).delete()  # of a finish that was corrected
    return Evidence.objects.create(
        job=job,
        frozen_at=reading.taken_at,
        facts=facts,
        due_on=due_on,
        within_limit=_within_limit(row, done_on),
        within_tolerance=_within_tolerance(row, done_on, tolerance_on),
    )


def complete(order: WorkOrder) -> None:
    """Add what was recorded since the finish, such as by a phone without a network."""
    for kept in Evidence.objects.filter(job__order=order).select_related("job"):
        kept.facts |= _recorded(kept.job)
        kept.save(update_fields=["facts"])


def _due_date(job: Job) -> DueDate | None:
    return (
        DueDate.objects.filter(vehicle=job.vehicle_id, service=job.service)
        .select_related("limit__product", "service__compartment")
        .first()
    )


def _within_limit(row: DueDate | None, done_on: date | None) -> bool | None:
    if row is None or done_on is None or not row.history_known:
        return None
    in_time = row.calendar_on is None or done_on <= row.calendar_on
    return in_time and not row.beyond_by_reading


def _within_tolerance(
    row: DueDate | None, done_on: date | None, tolerance_on: date | None
) -> bool | None:
    if row is None or done_on is None or not row.history_known:
        return None
    in_time = tolerance_on is None or done_on <= tolerance_on
    return in_time and not row.beyond_tolerance_by_reading


def _facts(job: Job, reading: Reading, row: DueDate | None) -> dict[str, Any]:
    procedure = getattr(job.service, "procedure", None)
    person = job.ended_by
    return {
        "service": job.service.slug if job.service else job.title,
        "state": job.state,
        "limit": limit_words(row.limit) if row and row.limit else None,
        "limit_source": row.limit.source if row and row.limit else None,
        "duty_class": row.duty_class if row else None,
        "tolerance_until_on": _iso(row.tolerance_until_on) if row else None,
        "calendar_on": _iso(row.calendar_on) if row else None,
        "remaining_km": row.remaining_km if row else None,
        "procedure_edition": procedure.edition if procedure else None,
        "procedure_source": procedure.source if procedure else None,
        "odometer": reading.value,
        "odometer_unit": reading.unit,
        "odometer_verdict": reading.verdict,
        "done_by": str(person) if person else None,
        **_recorded(job),
    }


def _recorded(job: Job) -> dict[str, Any]:
    return {
        "fluids": [
            {
                "way": fluid.way,
                "litres": fluid.quantity_ml / 1000,
                "look": fluid.look,
                "product": str(fluid.product) if fluid.product else None,
                "batch": fluid.batch,
            }
            for fluid in job.fluids.filter(withdrawn_by=None).select_related("product")
        ],
        "torques": [
            {
                "fastener": torque.fastener_name,
                "torque_nm": torque.torque_nm,
                "figure_nm": torque.reference_nm,
                "wrench": torque.wrench.tag if torque.wrench else None,
                "override": torque.override_reason,
            }
            for torque in job.torques.filter(withdrawn_by=None).select_related("wrench")
        ],
    }


def _iso(day: date | None) -> str | None:
    return day.isoformat() if day else None


# --- a vehicle's pack ------------------------------------------------------------------------
@dataclass(frozen=True)
class PackLine:
    """One service as it was done, held against the schedule."""

    service: str
    done_on: date
    total_km: float | None
    evidence: str
    source: str
    due_on: date | None
    deviation: str  # empty: none
    facts: dict[str, Any]


def pack(vehicle_id: int) -> list[PackLine]:
    """Every service of a vehicle against its schedule, oldest first, deviations named."""
    rows = (
        ServiceDone.objects.filter(vehicle=vehicle_id, superseded_by=None, void=False)
        .select_related("service", "job__evidence")
        .order_by("done_on", "pk")
    )
    return [_line(row) for row in rows]


def _line(row: ServiceDone) -> PackLine:
    job = getattr(row, "job", None)
    frozen = getattr(job, "evidence", None) if job else None
    return PackLine(
        service=row.service.name,
        done_on=row.done_on,
        total_km=row.total_km,
        evidence=row.evidence,
        source=row.source,
        due_on=frozen.due_on if frozen else None,
        deviation=_deviation(row, frozen),
        facts=frozen.facts if frozen else {},
    )


def _deviation(row: ServiceDone, frozen: Evidence | None) -> str:
    parts = ["odometer not settled"] if row.provisional else []
    if frozen is None:
        parts.append("taken from a document; not held against the schedule")
    elif frozen.within_limit is False:
        late = "within tolerance" if frozen.within_tolerance else "out of tolerance"
        deferred = _deferred(row)
        parts.append(f"after its limit, {late}{deferred}")
    return "; ".join(parts)


def _deferred(row: ServiceDone) -> str:
    rows = Deferral.objects.filter(
        vehicle=row.vehicle_id,
        service=row.service_id,
        created_at__date__lte=row.done_on,
        created_at__date__gte=row.done_on - timedelta(days=365),
        withdrawn_at=None,
    ).exclude(beyond_tolerance=True, second_person=None)
    given = rows.first()
    return f", deferred by {given.person}: {given.reason}" if given else ""


@dataclass(frozen=True)
class OnTime:
    """Services done in a month, and how many of them in time."""

    month_on: date
    done: int
    within_tolerance: int
    within_limit: int


def on_time(depot_ids: list[int], from_on: date, until_on: date) -> list[OnTime]:
    """Share on time per month, from frozen evidence; what has none does not count."""
    rows = (
        Job.objects.filter(
            order__depot_id__in=depot_ids,
            done__done_on__range=(from_on, until_on),
            evidence__within_limit__isnull=False,
        )
        .annotate(month_on=TruncMonth("done__done_on"))
        .values("month_on")
        .annotate(
            number=Count("pk"),
            tolerated=Count("pk", filter=Q(evidence__within_tolerance=True)),
            in_time=Count("pk", filter=Q(evidence__within_limit=True)),
        )
        .order_by("month_on")
    )
    return [
        OnTime(row["month_on"], row["number"], row["tolerated"], row["in_time"]) for row in rows
    ]
