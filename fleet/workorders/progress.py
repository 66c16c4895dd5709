"""The states of an order and its jobs: one function per change, called by page, API and night.

Each claims the order by a conditional update, so that of two who try at once one wins and the
other is told; and each leaves exactly one event. Its end is in ``ending``.
"""

from collections.abc import Collection, Mapping
from datetime import date

from django.db import transaction
from django.db.models import F

from fleet.bulk import only
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import Right
from fleet.workorders import gaps, needed
from fleet.workorders.bays import check_raising, refuse_on_the_ground, services_of
from fleet.workorders.events import note_event
from fleet.workorders.held import change, edit_held, explain_refusal, refuse_unless
from fleet.workorders.models import Finding, Job, Raising, WorkOrder

State = WorkOrder.State
NOT_BEGUN = (State.DRAFTED, State.RELEASED)
UNDER_WAY = (State.STARTED, State.WAITING)
ENDS = (Job.State.DONE, Job.State.PART_DONE, Job.State.NOT_DONE)
BEFORE_THE_END = (*NOT_BEGUN, *UNDER_WAY)
SAY_MINUTES = "Say how many minutes were spent on it all the same: 0 for none."
MOST_MINUTES = 6_000  # a hundred hours; more is a slip; our choice


# --- planning ------------------------------------------------------------------------------
def release(actor: Actor, order_id: int, *, version: int | None = None) -> WorkOrder:
    """Give a drafted order to the workshop."""
    refusal = release_many(actor, {order_id: version}).get(
        order_id, Fault(f"There is no work order {order_id}.")
    )
    if refusal is not None:
        raise refusal
    return WorkOrder.objects.select_related("vehicle", "depot").get(pk=order_id)


def release_many(
    actor: Actor, versions: Mapping[int, int | None], reason: str = ""
) -> dict[int, Fault | None]:
    """Give many drafted orders to the workshop at once: what refuses each, or None.

    Parameters
    ----------
    versions
        By order id, the version that was seen; None: whichever it is.
    reason
        Why all the same, where something was asked about them.
    """
    with transaction.atomic():
        rows_of = WorkOrder.objects.select_for_update().select_related("depot")
        rows = list(rows_of.filter(pk__in=versions).order_by("pk"))  # one order of locking for all
        found = {row.pk: _why_not_released(actor, row, versions[row.pk]) for row in rows}
        free = [row for row in rows if found[row.pk] is None]
        edit_held(actor, free, "release", reason, state=State.RELEASED, released_at=actor.at)
    return found


def _why_not_released(actor: Actor, order: WorkOrder, version: int | None) -> Fault | None:
    try:
        actor.must(Right.RELEASE, order.depot)
        refuse_unless(order, (State.DRAFTED,), version)
        if order.raising == Raising.NONE:
            refuse_on_the_ground(services_of(order))
    except Fault as fault:
        return fault
    return None


def take_back(actor: Actor, order_id: int, *, version: int | None = None) -> WorkOrder:
    """Take a release back while nothing has begun: the order is drafted again.

    Raises
    ------
    Refused
        The work has begun, or the vehicle stands in the workshop already.
    """
    with transaction.atomic():
        order = locked(order_id)
        if order.state == State.RELEASED and order.arrived_at is not None:
            raise Refused("The vehicle stands in the workshop already: cancel the order instead.")
        return edit(
            actor, order, "take back", Right.RELEASE, version,
            states=(State.RELEASED,), state=State.DRAFTED, released_at=None,
        )  # fmt: skip


def plan(
    actor: Actor, order_id: int, *, planned_on: date | None, version: int | None = None,
    why_it_stands: str = "", reason: str = "",
) -> WorkOrder:  # fmt: skip
    """Set (or clear) the day an order is planned for, and why it stands where that was asked."""
    why = why_it_stands.strip()[:300]
    return edit(
        actor, order_id, "plan", Right.RELEASE, version,
        reason=reason[:300] or why, planned_on=planned_on, why_it_stands=why,
    )  # fmt: skip


def assign(
    actor: Actor, order_id: int, *, person: Person | None, version: int | None = None,
    reason: str = "",
) -> WorkOrder:  # fmt: skip
    """Give an order to a mechanic, or take it back."""
    return edit(
        actor, order_id, "assign", Right.RELEASE, version, reason=reason[:300], assigned_to=person
    )


def raise_by(
    actor: Actor,
    order_id: int,
    *,
    raising: str,
    override_reason: str = "",
    version: int | None = None,
) -> WorkOrder:
    """Say how the bay raises the vehicle; the cautions on the card follow it.

    Raises
    ------
    Refused
        On the ground, although a step raises the vehicle or goes under it.
    Question
        On ramps, although the vehicle must stand level; with a reason it goes through.
    """
    with transaction.atomic():
        order = locked(order_id)
        services = services_of(order)
        asked = check_raising(raising, services, override_reason=override_reason)
        why = override_reason.strip()[:300] if asked else ""
        return edit(
            actor, order, "raise by", Right.RECORD_WORK, version, reason=why, raising=raising
        )


def cancel(actor: Actor, order_id: int, *, reason: str, version: int | None = None) -> WorkOrder:
    """Give an order up before its end; its open jobs are free for another order."""
    if not reason.strip():
        raise Fault("Say why the order is cancelled.", about="reason")
    with transaction.atomic():
        order = edit(
            actor,
            order_id,
            "cancel",
            Right.RELEASE,
            version,
            states=BEFORE_THE_END,
            state=State.CANCELLED,
            reason=reason,
        )
        order.jobs.filter(state=Job.State.OPEN).update(
            state=Job.State.DROPPED, ended_at=actor.at, ended_by=actor.person
        )
        needed.keep([order.pk])
    return order


def drop(actor: Actor, order_id: int, *, service_ids: Collection[int], reason: str) -> WorkOrder:
    """Take services off an order that was not begun; one with nothing left is cancelled."""
    with transaction.atomic():
        order = locked(order_id)
        open_jobs = order.jobs.filter(state=Job.State.OPEN)
        empty = not open_jobs.exclude(service__in=service_ids).exists()
        what = "cancel" if empty else "drop jobs"
        changes = {"state": State.CANCELLED} if empty else {}
        order = edit(
            actor, order, what, Right.RELEASE, None, states=NOT_BEGUN, reason=reason, **changes
        )
        open_jobs.filter(service__in=service_ids).update(
            state=Job.State.DROPPED, ended_at=actor.at, ended_by=actor.person
        )
        needed.keep([order.pk])
    return order


# --- work ----------------------------------------------------------------------------------
def arrive(actor: Actor, order_id: int, *, version: int | None = None) -> WorkOrder:
    """Note that the vehicle stands in the workshop: downtime counts from here."""
    return edit(actor, order_id, "arrive", Right.RECORD_WORK, version, arrived_at=actor.at)


def start(
    actor: Actor, order_id: int, *, version: int | None = None, reason: str = ""
) -> WorkOrder:
    """Begin; whoever begins an order that is nobody's takes it. The reason: what to know of it."""
    with transaction.atomic():
        order = locked(order_id)
        return edit(
            actor, order, "start", Right.RECORD_WORK, version,
            states=(State.RELEASED,), reason=reason[:300],
            state=State.STARTED, started_at=actor.at, arrived_at=order.arrived_at or actor.at,
            assigned_to_id=order.assigned_to_id or getattr(actor.person, "pk", None),
        )  # fmt: skip


def wait(actor: Actor, order_id: int, *, waiting_for: str, version: int | None = None) -> WorkOrder:
    """Interrupt the work, and say for what."""
    if not waiting_for.strip():
        raise Fault("Say what the work is waiting for.", about="waiting_for")
    return edit(
        actor,
        order_id,
        "wait",
        Right.RECORD_WORK,
        version,
        states=(State.STARTED,),
        state=State.WAITING,
        reason=waiting_for,
        waiting_for=waiting_for.strip(),
        waiting_since=actor.at,
    )


def resume(actor: Actor, order_id: int, *, version: int | None = None) -> WorkOrder:
    """Go on after a wait."""
    with transaction.atomic():
        order = locked(order_id)
        return edit(
            actor,
            order,
            "resume",
            Right.RECORD_WORK,
            version,
            states=(State.WAITING,),
            state=State.STARTED,
            waiting_for="",
            waiting_since=None,
            waited_s=order.waited_s + _seconds_waiting(order, actor),
        )


def _seconds_waiting(order: WorkOrder, actor: Actor) -> int:
    if order.waiting_since is None:
        return 0
    return max(0, int((actor.at - order.waiting_since).total_seconds()))


def end_job(
    actor: Actor,
    job_id: int,
    *,
    state: str,
    reason: str = "",
    reason_text: str = "",
    spent_min: int | None = None,
    because: str = "",
    version: int | None = None,
) -> Job:
    """Say how a job ended: done, part done or not done, the last two with a reason.

    They cost the minutes spent on them (``spent_min``, 0 for none) instead of the book's; what
    nobody said is unknown.
    What a job that is done leaves unrecorded is asked about, all at once; ``because`` is the one
    reason, kept with each of it.

    Only *done* will record the service when the order is finished; the rest goes back to the
    supervisor.
    """
    if state not in ENDS:
        raise Fault("A job ends done, part done or not done.", about="state")
    if state != Job.State.DONE and reason not in Job.Reason.values:
        raise Fault(
            f"Say why it is {state}: one of {', '.join(Job.Reason.values)}.", about="reason"
        )
    if state == Job.State.DONE and (reason or reason_text.strip()):
        raise Fault(
            "A job that is done carries no reason: add the words as a note.",
            about="reason" if reason else "reason_text",
        )
    if spent_min is not None and not (state != Job.State.DONE and 0 <= spent_min <= MOST_MINUTES):
        raise Fault(
            f"Minutes spent are 0 to {MOST_MINUTES}, on what was part done or not done; a job that "
            "is done counts with the minutes of its book.",
            about="spent_min",
        )
    with transaction.atomic():
        job = _job(job_id)
        order = edit(actor, job.order_id, "", Right.RECORD_WORK, version, states=UNDER_WAY)
        if state == Job.State.DONE:
            _refuse_wrong_fluid(job)
            gaps.leave(actor, job, because)
        before = job.state
        job.state, job.reason, job.reason_text = state, reason, reason_text.strip()
        job.returned, job.spent_min = state != Job.State.DONE, spent_min
        job.ended_at, job.ended_by = actor.at, actor.person
        job.save()
        needed.keep([order.pk])
        note_event(
            actor, order, f"job {state}", job=job, from_state=before, to_state=state, reason=reason
        )
    return job


def _refuse_wrong_fluid(job: Job) -> None:
    compartment = job.service.compartment_id if job.service else None
    wrong = Finding.objects.filter(
        order=job.order_id,
        kind=Finding.Kind.WRONG_FLUID,
        compartment=compartment,
        closed_at=None,
        withdrawn_by=None,
    )
    if wrong.exists():
        raise Refused(
            "The wrong fluid was recorded for this compartment, so the service is not done: "
            "drain and refill it, close the finding, or end the job as not done."
        )


def _job(job_id: int) -> Job:
    rows_of = Job.objects.select_for_update(of=("self",))
    beside = ("order", "service__compartment", "service__procedure", "service__vehicle_type")
    found = only(rows_of.select_related(*beside).filter(pk=job_id))
    if found is None:
        raise Fault(f"There is no job {job_id}.")
    return found


def settle_job(actor: Actor, job_id: int, *, reason: str) -> Job:
    """Take a decision on a job that came back part done or not done; it waits no longer."""
    if not reason.strip():
        raise Fault("Say what was decided.", about="reason")
    with transaction.atomic():
        job = _job(job_id)
        order = locked(job.order_id)
        actor.must(Right.RELEASE, order.depot_id)
        if not Job.objects.filter(pk=job_id, returned=True).update(returned=False):
            raise Refused(f"{job.title} of {order} does not wait for a decision.")
        WorkOrder.objects.filter(pk=order.pk).update(version=F("version") + 1)
        note_event(actor, order, "settle job", job=job, reason=reason.strip()[:300])
    job.refresh_from_db()
    return job


# --- claiming ------------------------------------------------------------------------------
def locked(order_id: int, *beside: str) -> WorkOrder:
    """An order, held until the transaction ends, with what is read ``beside`` it.

    Raises
    ------
    Fault
        There is no such order.
    """
    rows = WorkOrder.objects.select_for_update(of=("self",)).select_related(*beside or (None,))
    found = only(rows.filter(pk=order_id))
    if found is None:
        raise Fault(f"There is no work order {order_id}.")
    return found


def edit(
    actor: Actor,
    which: WorkOrder | int,
    what: str,
    right: Right,
    version: int | None,
    *,
    states: Collection[str] = BEFORE_THE_END,
    reason: str = "",
    **changes: object,
) -> WorkOrder:
    """Claim an order that is in one of the states (and at the version seen), and change it.

    With a ``state`` among the changes its state changes; one event tells of either.

    Parameters
    ----------
    which
        Its id, or the order itself where the caller has ``locked`` it; that one changes, too.
    """
    with transaction.atomic():
        order = which if isinstance(which, WorkOrder) else locked(which)
        actor.must(right, order.depot_id)
        claim = WorkOrder.objects.filter(pk=order.pk, state__in=states)
        if version is not None:
            claim = claim.filter(version=version)
        if not claim.update(version=F("version") + 1, **changes):
            explain_refusal(order, states, version)
        before = order.state
        change(order, changes)
        if what:
            note_event(actor, order, what, from_state=before, to_state=order.state, reason=reason)
    return order
