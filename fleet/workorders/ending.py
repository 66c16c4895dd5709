"""The end of an order: finished with the odometer, handed back, signed off, or opened again."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import numpy as np
from django.db import IntegrityError, transaction

from fleet.due.models import CheckResult, DueEarlier, ServiceDone
from fleet.due.record import at_reading, record_done, withdraw
from fleet.faults import Fault, Forbidden, Question, Refused
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import Right
from fleet.readings import judge
from fleet.readings.beside import likely_meant
from fleet.readings.enter import Entry, enter, meters_of
from fleet.readings.models import Reading, Source, Verdict
from fleet.units import plain
from fleet.usage import rates
from fleet.vehicles.models import Meter
from fleet.vehicles.own_unit import figures
from fleet.workorders import (
    booking,
    confirming,
    evidence,
    findings,
    gaps,
    needed,
    points,
    rechecks,
    restrictions,
)
from fleet.workorders.checks import anchor_watch
from fleet.workorders.held import edit_held, refuse_unless
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.progress import edit, locked

State = WorkOrder.State


@dataclass(frozen=True)
class Finished:
    """A finished order, and what the program makes of its odometer reading."""

    order: WorkOrder
    verdict: str
    reason: str
    suggestion: float | None
    called: tuple[DueEarlier, ...] = ()  # re-checks that follow from the work


@dataclass(frozen=True, kw_only=True)
class AtFinish:
    """What a mechanic says of a vehicle when the work is done."""

    odometer: float
    unit: str = "km"  # as its odometer shows it
    engine_hours: float | None = None  # [h]
    fit_for_use: str  # of WorkOrder.Fit
    restriction: str = ""
    because: str = ""  # why it may go although something speaks against it
    answers: restrictions.Answers = field(default_factory=dict)  # to what restricts it

    def check(self) -> None:
        if self.fit_for_use not in WorkOrder.Fit.values:
            raise Fault(
                "Say whether the vehicle is fit for use: yes, no or with restriction.",
                about="fit_for_use",
            )
        if self.fit_for_use == WorkOrder.Fit.RESTRICTED and not self.restriction.strip():
            raise Fault("Say what the restriction is.", about="restriction")


def finish(actor: Actor, order_id: int, said: AtFinish, *, version: int | None = None) -> Finished:
    """End the work: the odometer, whether the vehicle is fit for use, and what was done.

    It never waits for the odometer's verdict: services are recorded at what was given, marked
    provisional until the reading is settled. What must be looked at again is called for. Each
    restriction that stands on the vehicle is answered (``answers``, by its id) *lifted* or
    *stays*. The caller refreshes the vehicle afterwards.

    Raises
    ------
    Refused
        A job is open, or a point is not confirmed without which the vehicle must not move; with
        fit for use "no" the latter passes, and sets *do not use*.
    """
    said.check()
    with transaction.atomic():
        order = locked(order_id, "vehicle", "depot")
        actor.must(Right.RECORD_WORK, order.depot_id)  # before anything is asked
        _refuse_open_jobs(order)
        unheld = points.refuse_unheld(order, said.fit_for_use)
        _ask_before_finish(order, said.fit_for_use, said.because)
        restrictions.must_answer(order, said.answers)
        reading = store_reading(actor, order, said.odometer, said.unit)
        if said.engine_hours is not None:
            store_reading(actor, order, said.engine_hours, "h")
        order = edit(
            actor,
            order,
            "finish",
            Right.RECORD_WORK,
            version,
            states=(State.STARTED,),
            state=State.FINISHED,
            reason=said.because.strip()[:300],
            reading=reading,
            fit_for_use=said.fit_for_use,
            restriction=said.restriction.strip(),
            finished_at=actor.at,
            finished_by=actor.person,
        )
        _record_services(actor, order, reading, said.engine_hours)
        called = rechecks.call(actor, order, reading)
        _hold(actor, order, unheld)
        restrictions.keep(actor, order, said.answers)
        booking.book(actor, order.pk)
    meant = likely_meant(reading)
    return Finished(order, reading.verdict, reading.reason, meant, tuple(called))


def _hold(actor: Actor, order: WorkOrder, unheld: Sequence[points.Point]) -> None:
    if unheld:
        reason = f"not confirmed on {order}: {points.in_words(unheld)}"
        findings.set_do_not_use(actor, vehicle=order.vehicle, reason=reason)


def _ask_before_finish(order: WorkOrder, fit_for_use: str, because: str) -> None:
    """Ask once about all that speaks against the finish as it is given.

    Raises
    ------
    Question
        Something that safety rests on was left open, or the vehicle is called fit for use against
        a measured fail or a standing *do not use*.
    """
    moves = fit_for_use != WorkOrder.Fit.NO
    told = [f"{one.words} is not recorded" for one in (gaps.open_safety(order) if moves else ())]
    if fit_for_use == WorkOrder.Fit.YES:
        failed = [row for row in measured(order) if row.outcome == CheckResult.Outcome.FAIL]
        told += [
            f"{row.figure.name} {plain(row.value)} {row.figure.unit} is a fail" for row in failed
        ]
        stopped = findings.in_force([order.vehicle_id]).get(order.vehicle_id, "")
        told += [f"do not use stands: {stopped}"] if stopped else []
    if told and not because.strip():
        fit = " and it is called fit for use" if fit_for_use == WorkOrder.Fit.YES else ""
        raise Question(
            f"{'; '.join(told)}{fit}. Put it right first, or say why it is finished so.",
            told,
            about="because",
        )


def measured(order: WorkOrder) -> list[CheckResult]:
    """The newest standing value of each figure of the order's services, since it was started."""
    if order.started_at is None:
        return []
    rows = CheckResult.objects.filter(
        vehicle=order.vehicle_id,
        figure__service__in=order.jobs.exclude(service=None).values("service"),
        measured_at__gte=order.started_at,
        withdrawn_at=None,
    )
    newest = {row.figure_id: row for row in rows.select_related("figure").order_by("measured_at")}
    return list(newest.values())


def _refuse_open_jobs(order: WorkOrder) -> None:
    left = order.jobs.filter(state=Job.State.OPEN).order_by("pk").values_list("title", flat=True)
    if left:
        raise Refused(f"Say first how these jobs ended: {', '.join(left)}.")


def store_reading(actor: Actor, order: WorkOrder, value: float, unit: str) -> Reading:
    """Keep the odometer (or hours) read at an order, with its verdict."""
    kind = Meter.Kind.HOURS if unit == "h" else Meter.Kind.KM
    meter_id = meters_of({(order.vehicle_id, kind): unit})[order.vehicle_id, kind]
    entry = Entry(
        vehicle_id=order.vehicle_id,
        meter_id=meter_id,
        taken_at=actor.at.replace(microsecond=0),
        time_known=True,
        value=value,
        unit=unit,
        note=order.number,
    )
    (entered,) = enter([entry], Source.WORK_ORDER)
    judge.judge(np.array([meter_id]), actor.now, rates.start_rates)
    return Reading.objects.get(pk=entered.reading_id)


def _record_services(
    actor: Actor, order: WorkOrder, reading: Reading, engine_hours: float | None
) -> None:
    done_on = actor.at.astimezone(ZoneInfo(order.depot.zone)).date()
    beside = ("service__procedure", "service__compartment", "compartment", "done", "ended_by")
    jobs = order.jobs.filter(state=Job.State.DONE).select_related(*beside)
    for job in jobs.order_by("pk"):
        if job.done is not None:  # a re-check, ended by its last point
            job.done = at_reading(job.done, reading)
            job.save(update_fields=["done"])
        elif job.service is not None and not confirming.standing_rule(job):
            job.done = record_done(
                ServiceDone(
                    vehicle=order.vehicle,
                    service=job.service,
                    done_on=done_on,
                    evidence=ServiceDone.Evidence.WORK_ORDER,
                    source=f"work order {order.number}",
                    person=actor.person,
                    reading=reading,
                    total_h=engine_hours,
                    done_at=job.ended_at,
                ),
            )
            job.save(update_fields=["done"])
            anchor_watch(job)
        evidence.freeze(job, reading)


def hand_back(actor: Actor, order_id: int, *, version: int | None = None) -> WorkOrder:
    """Note that the vehicle left the workshop: downtime ends here."""
    return edit(
        actor,
        order_id,
        "hand back",
        Right.RECORD_WORK,
        version,
        states=(State.FINISHED, State.SIGNED_OFF),
        returned_at=actor.at,
    )


def sign_off(actor: Actor, order_id: int, *, version: int | None = None) -> WorkOrder:
    """Another person vouches for the work.

    Raises
    ------
    Forbidden
        The person finished the order or ended one of its jobs (least of all on brakes).
    """
    outcome = sign_off_many(actor, {order_id: version}).get(
        order_id, Fault(f"There is no work order {order_id}.")
    )
    if isinstance(outcome, Fault):
        raise outcome
    return outcome


def sign_off_many(actor: Actor, versions: Mapping[int, int | None]) -> dict[int, WorkOrder | Fault]:
    """Another person vouches for the work of many orders at once: each as it is then, or what
    refuses it.

    Parameters
    ----------
    versions
        By order id, the version that was seen; None: whichever it is.
    """
    with transaction.atomic():
        rows_of = WorkOrder.objects.select_for_update(of=("self",))
        rows = list(rows_of.filter(pk__in=versions).order_by("pk"))  # one order of locking for all
        found = {row.pk: _why_not_signed_off(actor, row, versions[row.pk]) or row for row in rows}
        free = [row for row in rows if found[row.pk] is row]
        for order in free:
            if order.where == WorkOrder.Where.OWN:  # papers freeze nothing
                evidence.complete(order)
        edit_held(
            actor,
            free,
            "sign off",
            state=State.SIGNED_OFF,
            signed_off_at=actor.at,
            signed_off_by=actor.person,
        )
    return found


def _why_not_signed_off(actor: Actor, order: WorkOrder, version: int | None) -> Fault | None:
    if actor.person is not None and worked_on(order, actor.person):
        return Forbidden("Nobody signs off their own work: ask another person who may.")
    try:
        actor.must(Right.SIGN_OFF, order.depot_id)
        refuse_unless(order, (State.FINISHED,), version)
    except Fault as fault:
        return fault
    return None


def worked_on(order: WorkOrder, person: Person) -> bool:
    """Whether a person finished the order, ended one of its jobs or recorded work on it.

    A record that was taken back counts too: they had their hands on it. What an outside workshop
    did is nobody's own work: whoever entered its papers may sign it off.
    """
    if order.where == WorkOrder.Where.OUTSIDE:
        return False
    ended = order.jobs.filter(ended_by=person).exists()
    kinds = ("torques", "fluids", "confirms", "materials_used")
    recorded = any(order.jobs.filter(**{f"{kind}__person": person}).exists() for kind in kinds)
    return order.finished_by_id == person.pk or ended or recorded or _measured_by(order, person)


def _measured_by(order: WorkOrder, person: Person) -> bool:
    if order.started_at is None:
        return False
    rows = CheckResult.objects.filter(
        person=person,
        vehicle=order.vehicle_id,
        figure__service__in=order.jobs.exclude(service=None).values("service"),
        measured_at__gte=order.started_at,
    )
    if order.signed_off_at is not None:
        rows = rows.filter(measured_at__lte=order.signed_off_at)
    return rows.exists()


def correct(actor: Actor, order_id: int, *, reason: str, version: int | None = None) -> WorkOrder:
    """Open a finished order again; its services are voided and its stock is put back.

    Papers of an outside workshop are cancelled instead: they are entered anew.

    Raises
    ------
    Refused
        A service of it is on another order by now.
    """
    if not reason.strip():
        raise Fault("Say what must be corrected.", about="reason")
    with transaction.atomic():
        order = locked(order_id)
        papers = order.where == WorkOrder.Where.OUTSIDE
        order = edit(
            actor,
            order,
            "correct",
            Right.RELEASE,
            version,
            states=(State.FINISHED,),
            state=State.CANCELLED if papers else State.STARTED,
            reason=reason,
            finished_at=None,
            finished_by=None,
        )
        for job in order.jobs.exclude(done=None).select_related("done"):
            if job.done is not None:
                withdraw(job.done, person=actor.person, source=f"correction of {order.number}")
        order.jobs.exclude(done=None).update(done=None)
        rechecks.withdraw_calls(actor, order)
        restrictions.undo(actor, order)
        _open_again(order, Job.State.DROPPED if papers else Job.State.OPEN)
        booking.book(actor, order.pk)
    return order


def _open_again(order: WorkOrder, state: Job.State) -> None:
    done = order.jobs.filter(state=Job.State.DONE)
    try:
        with transaction.atomic():
            done.update(state=state, ended_at=None, ended_by=None)
            needed.keep([order.pk])
    except IntegrityError:
        raise Refused(
            "A service of this order is on another order by now: cancel that one first."
        ) from None


def odometer_question(found: Finished) -> str:
    """What to ask back at once where the reading was not accepted; empty where it was."""
    if found.verdict == Verdict.ACCEPTED:
        return ""
    reading, meant = found.order.reading, ""
    if found.suggestion is not None and reading is not None:
        meant = f" {figures(found.suggestion, reading.meter.unit)} was likely meant."
    why = found.reason.replace("_", " ")
    return f"The odometer reading is {found.verdict} ({why}): please look again.{meant}"
