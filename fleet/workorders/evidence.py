"""What stays as proof: facts frozen at the finish, a vehicle's pack, the share done on time."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Count, Q, QuerySet
from django.db.models.functions import TruncMonth

from fleet.bulk import only
from fleet.due.explain import limit_words
from fleet.due.models import CheckResult, Deferral, DueDate, ServiceDone
from fleet.people.models import Person
from fleet.readings.models import Reading
from fleet.reads import Read, Rows, prepared, reader
from fleet.workorders import measured
from fleet.workorders.evidence_words import in_words
from fleet.workorders.fit import told
from fleet.workorders.late import Late, came_late
from fleet.workorders.models import (
    ConfirmRecord,
    Evidence,
    Finding,
    FluidRecord,
    Job,
    MaterialUsed,
    TorqueRecord,
    WorkOrder,
)
from fleet.workorders.torques import past_calibration


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
    rows = Evidence.objects.filter(job__order=order)
    for kept in rows.select_related("job__order", "job__service__compartment"):
        if (now := kept.facts | _recorded(kept.job)) != kept.facts:
            kept.facts = now
            kept.save(update_fields=["facts"])


def _due_date(job: Job) -> DueDate | None:
    rows = DueDate.objects.select_related("limit__product", "service__compartment")
    return only(rows.filter(vehicle=job.vehicle_id, service=job.service))


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


def rename(person: Person, names: Collection[str]) -> None:
    """Put a person's name of today in the place of those of before; all else stays frozen."""
    for row in Evidence.objects.filter(job__ended_by=person):
        if row.facts.get("done_by") in names:
            row.facts = {**row.facts, "done_by": str(person)}
            row.save(update_fields=["facts"])


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
    """Everything recorded at a job that stands, as plain values with their units in the keys."""
    return {
        "fluids": [_fluid(row) for row in _standing(job.fluids).select_related("product")],
        "torques": [_torque(row) for row in _standing(job.torques).select_related("wrench__depot")],
        "checks": [_check(row) for row in measured.of_job(job)],
        "levels": [_confirm(row) for row in _standing(job.confirms).select_related("rule")],
        "materials": [_material(row) for row in _standing(job.materials_used)],
        "findings": [_finding(row) for row in _findings(job)],
        "gaps": [{"words": gap.words, "because": gap.reason} for gap in job.gaps.all()],
    }


def _standing(rows: Any) -> Any:
    return rows.filter(withdrawn_by=None).order_by("performed_at", "pk")


def _fluid(row: FluidRecord) -> dict[str, Any]:
    return {
        "way": row.way,
        "litres": row.quantity_ml / 1000,
        "typed": row.typed,
        "look": row.look,
        "product": str(row.product) if row.product else None,
        "batch": row.batch,
        "override": row.override_reason,
    }


def _torque(row: TorqueRecord) -> dict[str, Any]:
    return {
        "fastener": row.fastener_name,
        "point": row.point,
        "torque_nm": told(row.torque_nm),
        "typed": row.typed,
        "figure_nm": told(row.reference_nm),
        "wrench": row.wrench.tag if row.wrench else None,
        "calibration_ended": past_calibration(row),
        "override": row.override_reason,
    }


def _check(row: CheckResult) -> dict[str, Any]:
    return {
        "figure": row.figure.name,
        "value": row.value,
        "unit": row.figure.unit,
        "outcome": row.outcome,
        "test_method": row.test_method,
        "override": row.override_reason,
    }


def _confirm(row: ConfirmRecord) -> dict[str, Any]:
    return {
        "about": row.about,
        "point": row.point,
        "as_it_should_be": row.seen,
        "value": row.value,
        "unit": row.unit,
        "temperature_c": row.temperature_c,
        "override": row.override_reason,
    }


def _material(row: MaterialUsed) -> dict[str, Any]:
    litres = None if row.quantity_ml is None else row.quantity_ml / 1000
    return {"name": row.name, "pieces": row.pieces, "litres": litres, "broken": row.broken}


def _findings(job: Job) -> list[Finding]:
    """Findings of the order in the compartment of the job, or in none."""
    rows = list(_standing(job.order.findings).select_related("compartment"))
    if not rows:
        return []
    jobs = job.order.jobs.order_by("pk").select_related("service__compartment", "compartment")
    places = {other.pk: other.place.pk if other.place else None for other in jobs}
    first, own, others = min(places), places[job.pk], {*places.values()} - {None}
    # what belongs to no job's compartment stands with the first job, so that none is left out
    return [
        row
        for row in rows
        if row.compartment_id == own or (job.pk == first and row.compartment_id not in others)
    ]


def _finding(row: Finding) -> dict[str, Any]:
    return {
        "kind": row.kind,
        "severity": row.severity,
        "where": row.compartment.name if row.compartment else None,
        "text": row.text,
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
    words: dict[str, list[str]]  # its records, by kind
    late: tuple[Late, ...]  # came after the sign-off, beside what is frozen
    judged: bool  # held against its limit when it was done


def pack(vehicle_id: int) -> list[PackLine]:
    """Every service of a vehicle against its schedule, oldest first, deviations named."""
    rows = _done(vehicle_id).select_related("service", "job__evidence").order_by("done_on", "pk")
    late = came_late(vehicle_id)
    return [_line(row, late) for row in rows]


@reader
def pack_size(vehicle_id: int) -> Read[int]:
    """How many services a vehicle's pack holds."""
    counted = _counted(vehicle_id)
    yield [counted]
    return counted[0]["number"] if counted else 0


@prepared
def _counted(vehicle_id: int) -> Rows:
    return _done(vehicle_id).order_by().values("vehicle").annotate(number=Count("pk"))


def _done(vehicle_id: int) -> QuerySet[ServiceDone]:
    return ServiceDone.objects.filter(vehicle=vehicle_id, superseded_by=None, void=False)


def _line(row: ServiceDone, late: dict[int, list[Late]]) -> PackLine:
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
        words=in_words(frozen.facts if frozen else {}),
        late=tuple(late.get(job.pk, ())) if job else (),
        judged=frozen is not None and frozen.within_limit is not None,
    )


def _deviation(row: ServiceDone, frozen: Evidence | None) -> str:
    parts = ["odometer not settled"] if row.provisional else []
    if frozen is None:
        parts.append("not judged: from a document")
    elif frozen.within_limit is None:
        parts.append("not judged: nobody knew then when it was due")
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


IN_TIME = (Q(evidence__within_tolerance=True), Q(evidence__within_limit=True))


def on_time(depot_ids: list[int], from_on: date, until_on: date) -> list[OnTime]:
    """Share on time per month, from frozen evidence; what has none does not count."""
    tolerated, in_time = (Count("pk", filter=which) for which in IN_TIME)
    rows = judged(depot_ids, from_on, until_on).values("month_on")
    counted = rows.annotate(number=Count("pk"), tolerated=tolerated, in_time=in_time)
    return [
        OnTime(row["month_on"], row["number"], row["tolerated"], row["in_time"])
        for row in counted.order_by("month_on")
    ]


def judged(depot_ids: list[int], from_on: date, until_on: date) -> QuerySet[Any]:
    """Services done that were held against their limit, with the month of each as ``month_on``."""
    return Job.objects.filter(
        order__depot_id__in=depot_ids,
        done__done_on__range=(from_on, until_on),
        evidence__within_limit__isnull=False,
    ).annotate(month_on=TruncMonth("done__done_on"))
