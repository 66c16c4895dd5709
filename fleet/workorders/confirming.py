"""Confirm a point of a step or of a re-check: seen, or measured. Each is a record of its own."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from django.db import transaction

from fleet.due.calls import called_since, gather_calls, standing
from fleet.due.models import DueEarlier, ServiceDone
from fleet.due.record import record_done
from fleet.due.record import withdraw as void
from fleet.people.actor import Actor
from fleet.usage.models import UsageState
from fleet.vehicles.models import Meter
from fleet.vehicles.own_unit import figures, odometer_unit
from fleet.workorders import findings, rechecks, torques
from fleet.workorders.findings import Report
from fleet.workorders.keys import known
from fleet.workorders.models import (
    ConfirmRecord,
    Finding,
    Job,
    ReCheckRule,
    TorqueRecord,
)
from fleet.workorders.points import missing_points, points_of, recorded_rules
from fleet.workorders.recording import Doubt, again, doubts_kept, job_to_record, stamp
from fleet.workorders.rules import when_words
from fleet.workorders.subjects import (
    Subject,
    check_point,
    half_read_question,
    in_own_unit,
    subject_of,
    unit_of,
    well,
)
from fleet.workorders.torques import Tightened


@dataclass(frozen=True)
class Confirmed:
    """A confirm record, and what it raised."""

    record: ConfirmRecord
    raised: Finding | None  # something was not as it should be
    ended: bool  # it was the last point of a re-check


@dataclass(frozen=True, kw_only=True)
class PointSeen:
    """One point as somebody saw or measured it."""

    client_key: str
    rule: str = ""  # slug of the re-check, or
    step: int | None = None  # number of the step
    point: str = ""
    seen: bool | None = None  # whether it is as it should be
    value: float | None = None
    unit: str = ""  # of the value; empty: that of the figure, or N·m for a fastener
    temperature_c: float | None = None  # at which a level was read [°C]
    override_reason: str = ""


@transaction.atomic
def confirm(actor: Actor, job_id: int, given: PointSeen) -> Confirmed:
    """Record one point, once per key; the last point of a re-check ends its call.

    Raises
    ------
    Question
        It comes too early, or a level was read without its temperature; with a reason it goes
        through, and a re-check that came too early leaves its call standing.
    Fault
        No such step, rule or point; or neither a word nor a value.
    """
    point, temperature_c = given.point.strip(), given.temperature_c
    key = given.client_key
    row = _sent_before(job_id, given)
    if row is not None:
        return _confirmed_before(row)
    job = job_to_record(actor, job_id)
    subject = subject_of(job, given.rule.strip(), given.step)
    check_point(subject, point)
    unit = unit_of(subject, given.value)
    value = in_own_unit(given.value, given.unit, unit)
    same = {"point": point, "value": value, "temperature_c": temperature_c}
    as_it_should = well(subject, given.seen, value, temperature_c)
    early = _early(actor, job, subject)
    question = early or half_read_question(subject, temperature_c)
    place = {"rule": subject.rule, "step": subject.step.number if subject.step else None}
    doubts = [
        *([Doubt(question, about="override_reason")] if question else []),
        *_again(actor, job, {**same, **place}, as_it_should, key),
    ]
    said = doubts_kept(doubts, given.override_reason)
    record = ConfirmRecord.objects.create(
        **stamp(actor, key),
        **same,
        **place,
        **said,
        job=job,
        about=subject.about,
        seen=as_it_should,
        unit=unit,
        too_early=bool(early),
    )
    raised = _raise(actor, job, subject, record)
    return Confirmed(record, raised, _end_call(actor, job, subject.rule))


def _again(actor: Actor, job: Job, made: dict[str, object], seen: bool, key: str) -> list[Doubt]:
    """Doubt the same word on the same point, unless it came too early or fluid went in since."""
    place = {name: made[name] for name in ("rule", "step", "point")}
    last = job.confirms.filter(withdrawn_by=None, **place).order_by("performed_at").last()
    if last is None or last.too_early or last.seen != seen:
        return []
    poured = job.fluids.filter(withdrawn_by=None, performed_at__gt=last.performed_at)
    if poured.exclude(way="drained").exists():
        return []
    return again(actor, job.confirms.filter(pk=last.pk, **made), job.order.depot.zone, key)


@transaction.atomic
def confirm_all(
    actor: Actor,
    job_id: int,
    *,
    client_key: str,
    rule: str = "",
    step: int | None = None,
    wrench: str = "",
    override_reason: str = "",
) -> list[ConfirmRecord | TorqueRecord]:
    """Record every point that is still missing as it should be: one record for each.

    A step that tightens a fastener has them as torques, to its figure.
    """
    job = job_to_record(actor, job_id)
    subject = subject_of(job, rule.strip(), step)
    wanted = {(point.rule, point.step, point.point) for point in missing_points(job)}
    made: list[ConfirmRecord | TorqueRecord] = []
    for at, point in enumerate(subject.points):
        if (rule.strip(), step, point) in wanted:
            key = f"{client_key[:60]}-{at}"
            made.append(_as_it_should(actor, job, subject, point, key, wrench, override_reason))
    return made


def _as_it_should(
    actor: Actor,
    job: Job,
    subject: Subject,
    point: str,
    client_key: str,
    wrench: str,
    override_reason: str,
) -> ConfirmRecord | TorqueRecord:
    fastener, step = subject.fastener, subject.step
    if step is not None and fastener is not None:
        return torques.torque(
            actor,
            job.pk,
            Tightened(
                fastener=fastener.slug,
                point=point,
                client_key=client_key,
                wrench=wrench,
                override_reason=override_reason,
            ),
        )
    seen = PointSeen(
        client_key=client_key,
        rule=subject.rule.slug if subject.rule is not None else "",
        step=step.number if step is not None else None,
        point=point,
        seen=True,
        value=fastener.torque_nm if fastener is not None else None,
        override_reason=override_reason,
    )
    return confirm(actor, job.pk, seen).record


def _sent_before(job_id: int, given: PointSeen) -> ConfirmRecord | None:
    """The record that came under the same key before, in whichever unit it is sent again."""
    before = ConfirmRecord.objects.filter(client_key=given.client_key).first()
    value = given.value if before is None else in_own_unit(given.value, given.unit, before.unit)
    row: ConfirmRecord | None = known(
        ConfirmRecord.objects,
        given.client_key,
        job_id=job_id,
        point=given.point.strip(),
        value=value,
        temperature_c=given.temperature_c,
    )
    return row


def _confirmed_before(row: ConfirmRecord) -> Confirmed:
    """What a record that came again was answered with."""
    raised = Finding.objects.filter(client_key=_finding_key(row)).first()
    ended = row.rule is not None and called_since(row.job.vehicle_id, row.rule.service_id) is None
    return Confirmed(row, raised, ended)


def _finding_key(row: ConfirmRecord) -> str:
    return f"not-as-it-should-{row.pk}"


# --- when ----------------------------------------------------------------------------------
def _early(actor: Actor, job: Job, subject: Subject) -> str:
    """What to ask about a re-check that comes before its time; empty: it does not.

    Where a source says "km or minutes standing", either is enough.
    """
    rule = subject.rule
    since = called_since(job.vehicle_id, rule.service_id) if rule is not None else None
    if rule is None or since is None or (rule.from_km is None and rule.after_min is None):
        return ""
    if rule.after_min is not None and actor.at - since >= timedelta(minutes=rule.after_min):
        return ""
    driven_km = _driven_km(actor.at, job, rule)
    if rule.from_km is not None and driven_km >= rule.from_km:
        return ""
    unit = odometer_unit(job.vehicle_id)
    gone = f"about {figures(driven_km, unit)} and " if rule.from_km is not None else ""
    minutes = max(0, int((actor.at - since).total_seconds() // 60))
    return (
        f"{rule.text} is wanted {when_words(rule, unit)}; it is {gone}{minutes} min since. "
        "Give a reason to keep the record: the re-check still stands."
    )


def _driven_km(at: datetime, job: Job, rule: ReCheckRule) -> float:
    """Distance since the call, as far as is known: by the last reading, and its usage since."""
    calls = [
        call
        for call in gather_calls(np.array([job.vehicle_id]))
        if call.service_id == rule.service_id
    ]
    begin = [call.from_km for call in calls if call.from_km is not None]
    state = UsageState.objects.filter(vehicle=job.vehicle_id, meter__kind=Meter.Kind.KM).first()
    if state is None or not begin:
        return 0.0
    since_d = max(0.0, at.timestamp() / 86_400 - state.last_at_d)
    per_day_km = state.rate_km_per_day * max(state.mu + state.u, 0.0)
    return max(0.0, state.last_km + since_d * per_day_km - max(begin))


# --- what follows --------------------------------------------------------------------------
def _raise(actor: Actor, job: Job, subject: Subject, record: ConfirmRecord) -> Finding | None:
    """Report what a re-check found; a step that is not right yet is done until it is."""
    if record.seen or subject.rule is None:
        return None
    urgent = subject.rule.safety
    return findings.report(
        actor,
        Report(
            vehicle=job.order.vehicle,
            kind=Finding.Kind.OTHER,
            severity=Finding.Severity.SOON if urgent else Finding.Severity.WATCH,
            text=f"{record}, not as it should be ({subject.about})"[:500],
            client_key=_finding_key(record),
            compartment=subject.rule.service.compartment,
            order=job.order,
        ),
    )


def _end_call(actor: Actor, job: Job, rule: ReCheckRule | None) -> bool:
    """Record a re-check as done when every point has its record; give whether it was."""
    since = called_since(job.vehicle_id, rule.service_id) if rule is not None else None
    if rule is None or since is None:
        return False
    records = recorded_rules(job.vehicle_id, rule.service_id, since).filter(rule=rule)
    newest = {record.point: record for record in records.order_by("performed_at", "pk")}
    wanted = points_of(rule.points, rule.service.vehicle_type)
    if not set(wanted) <= set(newest):
        return False
    done = _record_done(actor, job, rule, max(row.performed_at for row in newest.values()))
    keys = [_finding_key(row) for row in newest.values() if not row.seen]
    finding = Finding.objects.filter(client_key__in=keys).order_by("pk").first()
    if finding is not None:
        rechecks.call_anew(actor, job, rule, done, finding)
    return True


def _record_done(actor: Actor, job: Job, rule: ReCheckRule, at: datetime) -> ServiceDone:
    order = job.order
    done = record_done(
        ServiceDone(
            vehicle=order.vehicle,
            service=rule.service,
            done_on=at.astimezone(ZoneInfo(order.depot.zone)).date(),
            done_at=at,
            evidence=ServiceDone.Evidence.WORK_ORDER,
            source=_source(job),
            person=actor.person,
            reading=order.reading,
        ),
    )
    if job.service_id == rule.service_id:
        job.done = done
        job.save(update_fields=["done"])
    return done


def _source(job: Job) -> str:
    return f"work order {job.order.number}"


def take_back(actor: Actor, record: ConfirmRecord) -> None:
    """Let the re-check stand again that a record, taken back now, had helped to end."""
    rule, job = record.rule, record.job
    if rule is None or record.too_early:
        return
    done = ServiceDone.objects.filter(
        vehicle=job.vehicle_id,
        service=rule.service_id,
        done_at__gte=record.performed_at,
        source=_source(job),
        void=False,
        superseded_by=None,
    ).first()
    if done is None:
        return
    void(done, person=actor.person, source=f"{_source(job)}: {record} taken back"[:300])
    Job.objects.filter(pk=job.pk, service=rule.service_id).update(done=None)
    anew = DueEarlier.objects.filter(called_by__job=job, called_by__rule=rule)
    anew.filter(called_by__finding__isnull=False, withdrawn_at=None).update(withdrawn_at=actor.at)


def standing_rule(job: Job) -> bool:
    """Whether a job is a re-check whose call still stands, so that its end ends nothing yet."""
    if job.service is None or not job.service.re_check_rules.exists():
        return False
    return (
        standing([job.vehicle_id])
        .filter(service=job.service, called_by__rule__isnull=False)
        .exists()
    )
