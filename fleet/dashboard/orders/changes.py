"""What a person may do with an order now, and doing it: the buttons of its pages."""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import date

from django.http import QueryDict

from fleet import chain
from fleet.dashboard.readings.figures import meter_figure
from fleet.dashboard.whole_numbers import whole_number, whole_numbers
from fleet.due.models import Service
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import Right, may, who_may
from fleet.readings.models import Verdict
from fleet.today import day
from fleet.units import UnitError, number
from fleet.visits import order_days
from fleet.workorders import ending, joblist, late, progress, read_again
from fleet.workorders.ending import AtFinish
from fleet.workorders.models import Job, WorkOrder

State = WorkOrder.State
FITNESS = tuple(WorkOrder.Fit.values)


@dataclass(frozen=True)
class Said:
    """What a change led to, for the person."""

    text: str
    doubtful: bool = False  # something wants looking at


Act = Callable[[Actor, WorkOrder, int, QueryDict], Said]


@dataclass(frozen=True)
class Change:
    right: Right
    states: tuple[str, ...]  # of an order that it can be done to
    act: Act


def _by(verb: Callable[..., object], told: str, *fields: str) -> Act:
    """Hand a verb some fields of the form as they were typed; ``told`` names order or vehicle."""

    def act(actor: Actor, order: WorkOrder, version: int, given: QueryDict) -> Said:
        verb(actor, order.pk, version=version, **{name: given.get(name, "") for name in fields})
        return Said(told.format(order=order, vehicle=order.vehicle))

    return act


def _plan(actor: Actor, order: WorkOrder, version: int, given: QueryDict) -> Said:
    """Set the day and the mechanic, each only where it differs."""
    planned_on, person = read_day(given), mechanic(given, order.depot_id)
    order_days.set_both(
        actor, order, planned_on=planned_on, person=person, version=version,
        override_reason=given.get("override_reason", ""),
    )  # fmt: skip
    on = day(planned_on) if planned_on else "no day yet"
    return Said(f"{order}: {on}, {person or 'nobody in particular'}.")


def read_day(given: QueryDict) -> date | None:
    return read_date(given, "planned_on")


def read_date(given: QueryDict, name: str) -> date | None:
    text = given.get(name, "").strip()
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise Fault(f"“{text[:40]}” is not a date: write it as 2026-03-31.") from None


def mechanic(given: QueryDict, depot_id: int) -> Person | None:
    """The chosen person, who must belong to the depot and record work."""
    pk = given.get("assigned_to", "")
    if not pk:
        return None
    found = who_may(Right.RECORD_WORK, depot_id, pk=whole_number(pk))
    if found is None:
        raise Fault("Choose a person of this depot who does the work.")
    return found


def _start(actor: Actor, order: WorkOrder, version: int, given: QueryDict) -> Said:
    closed = order_days.start(actor, order.pk, version=version)
    told = f" {closed}: what is done is kept as it happened, and supervisors see it."
    return Said(f"{order} is started.{told * bool(closed)}", bool(closed))


def _end_job(actor: Actor, order: WorkOrder, version: int, given: QueryDict) -> Said:
    pk = given.get("job", "")
    job = order.jobs.filter(pk=whole_number(pk)).first()
    if job is None:
        raise Fault(f"{order} has no such job.")
    ended = progress.end_job(
        actor,
        job.pk,
        state=given.get("state", ""),
        reason=given.get("reason", ""),
        reason_text=given.get("reason_text", ""),
        spent_min=_spent_min(given),
        because=given.get("because", ""),
        version=version,
    )
    return Said(f"{ended.title}: {ended.state}.")


def _spent_min(given: QueryDict) -> int | None:
    """Asked for whatever is not done."""
    if given.get("state") == Job.State.DONE:
        return None
    typed = given.get("spent_min", "").strip()
    if not typed:
        raise Fault(progress.SAY_MINUTES)
    return round(read_number(typed, "minutes spent"))


def _add_jobs(actor: Actor, order: WorkOrder, version: int, given: QueryDict) -> Said:
    chosen = Service.objects.filter(
        vehicle_type=order.vehicle.vehicle_type_id, slug__in=given.getlist("service")
    )
    other = given.get("other_work", "").strip()
    joblist.add_jobs(
        actor,
        order.pk,
        service_ids=list(chosen.values_list("pk", flat=True)),
        other_work=[(other[:120], 0)] if other else [],
        reason=given.get("reason", ""),
        version=version,
    )
    return Said(f"Added to {order}.")


def _drop_jobs(actor: Actor, order: WorkOrder, version: int, given: QueryDict) -> Said:
    chosen = whole_numbers(given.getlist("job"))
    joblist.drop_jobs(
        actor, order.pk, job_ids=chosen, reason=given.get("reason", ""), version=version
    )
    return Said(f"Taken off {order}.")


def _finish(actor: Actor, order: WorkOrder, version: int, given: QueryDict) -> Said:
    """End the work; a doubtful odometer is asked about at once, and never waited for."""
    hours = given.get("engine_hours", "").strip()
    odometer, unit = _odometer(given)
    named = "engine_hours", "Engine hours: ", ("h",)
    found = ending.finish(
        actor,
        order.pk,
        AtFinish(
            odometer=odometer,
            unit=unit,
            fit_for_use=given.get("fit_for_use", ""),
            restriction=given.get("restriction", ""),
            because=given.get("because", ""),
            engine_hours=meter_figure(hours, "h", *named)[0] if hours else None,
            answers=answers_of(given),
        ),
        version=version,
    )
    chain.refresh([order.vehicle_id], actor.now)
    question = ending.odometer_question(found)
    return Said(question or f"{order} is finished; due dates are up to date.", bool(question))


def answers_of(given: QueryDict) -> dict[int, str]:
    """What a form says of the restrictions that stand, each in a field of its own."""
    names = [name for name in given if name.startswith("restriction-")]
    said = {name.removeprefix("restriction-"): given.get(name, "") for name in names}
    return {found: str(answer) for pk, answer in said.items() if (found := whole_number(pk))}


def _odometer(given: QueryDict) -> tuple[float, str]:
    """The odometer and its unit, the one written behind the number before the one beside it."""
    beside = "mi" if given.get("unit") == "mi" else "km"
    typed = given.get("odometer", "")
    return meter_figure(typed, beside, "odometer", "Odometer: ", ("km", "mi"))


def read_number(text: str, what: str) -> float:
    """What somebody typed: a comma that can only be a decimal mark is one, else it groups."""
    try:
        with suppress(UnitError):
            return number(text, decimal_mark=".").value
        return number(text).value
    except UnitError as error:
        about = what.replace(" ", "_")
        raise Fault(f"{what.capitalize()}: {error}", about=about) from error


def _read_again(actor: Actor, order: WorkOrder, version: int, given: QueryDict) -> Said:
    """Take another look at the odometer's word."""
    odometer, unit = _odometer(given)
    found = read_again.read_again(actor, order.pk, odometer=odometer, unit=unit, version=version)
    chain.refresh([order.vehicle_id], actor.now)
    question = ending.odometer_question(found)
    return Said(question or f"{order}: the odometer is accepted now.", bool(question))


def _correct(actor: Actor, order: WorkOrder, version: int, given: QueryDict) -> Said:
    ending.correct(actor, order.pk, reason=given.get("reason", ""), version=version)
    chain.refresh([order.vehicle_id], actor.now)
    return Said(f"{order} is open again; the services it had recorded count no more.")


BEFORE, WORK = progress.BEFORE_THE_END, Right.RECORD_WORK
CHANGES: dict[str, Change] = {
    "release": Change(
        Right.RELEASE,
        (State.DRAFTED,),
        _by(order_days.release, "{order} is released.", "override_reason"),
    ),
    "take-back": Change(
        Right.RELEASE, (State.RELEASED,), _by(progress.take_back, "{order} is drafted again.")
    ),
    "plan": Change(Right.RELEASE, BEFORE, _plan),
    "raise-by": Change(
        WORK,
        BEFORE,
        _by(
            progress.raise_by,
            "The cautions on the card follow how the vehicle is raised.",
            *("raising", "override_reason"),
        ),
    ),
    "arrive": Change(
        WORK,
        (State.DRAFTED, State.RELEASED),
        _by(progress.arrive, "{vehicle} has arrived; downtime counts from now."),
    ),
    "start": Change(WORK, (State.RELEASED,), _start),
    "wait": Change(WORK, (State.STARTED,), _by(progress.wait, "{order} waits.", "waiting_for")),
    "resume": Change(WORK, (State.WAITING,), _by(progress.resume, "{order} goes on.")),
    "end-job": Change(WORK, progress.UNDER_WAY, _end_job),
    "finish": Change(WORK, (State.STARTED,), _finish),
    "hand-back": Change(
        WORK,
        (State.FINISHED, State.SIGNED_OFF),
        _by(ending.hand_back, "{vehicle} is handed back; downtime ends here."),
    ),
    "sign-off": Change(
        Right.SIGN_OFF, (State.FINISHED,), _by(ending.sign_off, "{order} is signed off.")
    ),
    "late-seen": Change(
        Right.SIGN_OFF,
        (State.SIGNED_OFF,),
        _by(late.seen, "{order}: what came after the sign-off is seen."),
    ),
    "read-again": Change(WORK, (State.FINISHED, State.SIGNED_OFF), _read_again),
    "correct": Change(Right.RELEASE, (State.FINISHED,), _correct),
    "add-jobs": Change(Right.RELEASE, BEFORE, _add_jobs),
    "drop-jobs": Change(Right.RELEASE, BEFORE, _drop_jobs),
    "cancel": Change(
        Right.RELEASE, BEFORE, _by(progress.cancel, "{order} is cancelled.", "reason")
    ),
}


def open_to(person: Person, order: WorkOrder) -> frozenset[str]:
    """Names of the changes that this person may make now; only these are offered."""
    rights = {right for right in Right if may(person, right)}  # the order's depot is theirs
    found = {
        name
        for name, change in CHANGES.items()
        if change.right in rights and order.state in change.states
    }
    found -= {"arrive", "take-back"} if order.arrived_at else set()
    found -= set() if order.late_since else {"late-seen"}
    found -= {"hand-back"} if order.returned_at else set()
    found -= set() if in_doubt(order) else {"read-again"}
    if "sign-off" in found and ending.worked_on(order, person):
        found.discard("sign-off")
    if "late-seen" in found and late.took_part(order, person):
        found.discard("late-seen")
    return frozenset(found)


def in_doubt(order: WorkOrder) -> bool:
    """Whether the odometer given at the finish still waits to be believed."""
    return order.reading is not None and order.reading.verdict != Verdict.ACCEPTED


def make(actor: Actor, order: WorkOrder, given: QueryDict) -> Said:
    """Make the change that a form asks for, at the version that its page showed."""
    change = CHANGES.get(given.get("change", ""))
    version = given.get("version", "")
    if change is None or not version.isdecimal():
        raise Fault("Load the page again: this form is not complete.")
    actor.must(change.right, order.depot_id)
    return change.act(actor, order, int(version[:9]), given)
