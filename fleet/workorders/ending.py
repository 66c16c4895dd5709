"""The end of an order: finished with the odometer, handed back, signed off, or opened again."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from django.db import IntegrityError, transaction

from fleet.due.models import ServiceDone
from fleet.due.record import record_done, withdraw
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.models import Person
from fleet.people.roles import Right
from fleet.readings import judge
from fleet.readings.enter import Entry, enter, meters_of
from fleet.readings.models import Reading, Source, Verdict
from fleet.usage import rates
from fleet.vehicles.models import Meter
from fleet.workorders import booking, evidence
from fleet.workorders.actor import Actor
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.progress import edit, locked, move

State = WorkOrder.State


@dataclass(frozen=True)
class Finished:
    """A finished order, and what the program makes of its odometer reading."""

    order: WorkOrder
    verdict: str
    reason: str
    suggestion: float | None


def finish(
    actor: Actor,
    order_id: int,
    *,
    odometer: float,
    unit: str = "km",
    fit_for_use: str,
    restriction: str = "",
    engine_hours: float | None = None,
    version: int | None = None,
) -> Finished:
    """End the work: the odometer, whether the vehicle is fit for use, and what was done.

    It never waits for the odometer's verdict: services are recorded at what was given, marked
    provisional until the reading is settled. The caller refreshes the vehicle afterwards.
    """
    _check_fitness(fit_for_use, restriction)
    with transaction.atomic():
        order = locked(order_id)
        _refuse_open_jobs(order)
        reading = store_reading(actor, order, odometer, unit)
        if engine_hours is not None:
            store_reading(actor, order, engine_hours, "h")
        order = move(
            actor,
            order_id,
            "finish",
            (State.STARTED,),
            State.FINISHED,
            Right.RECORD_WORK,
            version=version,
            reading=reading,
            fit_for_use=fit_for_use,
            restriction=restriction.strip(),
            finished_at=actor.at,
            finished_by=actor.person,
        )
        _record_services(actor, order, reading, engine_hours)
        booking.book(actor, order.pk)
    return Finished(order, reading.verdict, reading.reason, reading.suggestion)


def _check_fitness(fit_for_use: str, restriction: str) -> None:
    if fit_for_use not in WorkOrder.Fit.values:
        raise Fault(
            "Say whether the vehicle is fit for use: yes, no or with restriction.",
            about="fit_for_use",
        )
    if fit_for_use == WorkOrder.Fit.RESTRICTED and not restriction.strip():
        raise Fault("Say what the restriction is.", about="restriction")


def _refuse_open_jobs(order: WorkOrder) -> None:
    left = order.jobs.filter(state=Job.State.OPEN).values_list("title", flat=True)
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
    jobs = order.jobs.filter(state=Job.State.DONE).select_related("service")
    for job in jobs:
        if job.service is not None:
            job.done = record_done(
                vehicle=order.vehicle,
                service=job.service,
                done_on=done_on,
                evidence=ServiceDone.Evidence.WORK_ORDER,
                source=f"work order {order.number}",
                person=actor.person,
                reading=reading,
                total_h=engine_hours,
            )
            job.save(update_fields=["done"])
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
    with transaction.atomic():
        order = locked(order_id)
        if actor.person is not None and worked_on(order, actor.person):
            raise Forbidden("Nobody signs off their own work: ask another person who may.")
        booking.book(actor, order_id)  # with records that came while it was being finished
        evidence.complete(order)
        return move(
            actor,
            order_id,
            "sign off",
            (State.FINISHED,),
            State.SIGNED_OFF,
            Right.SIGN_OFF,
            version=version,
            signed_off_at=actor.at,
            signed_off_by=actor.person,
        )


def worked_on(order: WorkOrder, person: Person) -> bool:
    """Whether a person finished the order, ended one of its jobs or recorded work on it."""
    ended = order.jobs.filter(ended_by=person).exists()
    recorded = order.jobs.filter(torques__person=person) | order.jobs.filter(fluids__person=person)
    return order.finished_by_id == person.pk or ended or recorded.exists()


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
        papers = locked(order_id).where == WorkOrder.Where.OUTSIDE
        order = move(
            actor,
            order_id,
            "correct",
            (State.FINISHED,),
            State.CANCELLED if papers else State.STARTED,
            Right.RELEASE,
            version=version,
            reason=reason,
            finished_at=None,
            finished_by=None,
        )
        for job in order.jobs.exclude(done=None).select_related("done"):
            if job.done is not None:
                withdraw(job.done, person=actor.person, source=f"correction of {order.number}")
        order.jobs.exclude(done=None).update(done=None)
        _open_again(order, Job.State.DROPPED if papers else Job.State.OPEN)
        booking.book(actor, order.pk)
    return order


def _open_again(order: WorkOrder, state: Job.State) -> None:
    done = order.jobs.filter(state=Job.State.DONE)
    try:
        with transaction.atomic():
            done.update(state=state, ended_at=None, ended_by=None)
    except IntegrityError:
        raise Refused(
            "A service of this order is on another order by now: cancel that one first."
        ) from None


def odometer_question(found: Finished) -> str:
    """What to ask back at once where the reading was not accepted; empty where it was."""
    if found.verdict == Verdict.ACCEPTED:
        return ""
    meant = "" if found.suggestion is None else f" {found.suggestion:,.0f} km was likely meant."
    why = found.reason.replace("_", " ")
    return f"The odometer reading is {found.verdict} ({why}): please look again.{meant}"
