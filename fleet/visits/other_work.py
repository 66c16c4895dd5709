"""Other work on a vehicle: entered, corrected, ended; what of it is open, and on which order.

Whether it is on an order, and done there, is told by its job; so a correction of the order needs
nothing done here.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Exists, OuterRef, Q, QuerySet

from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.today import today_at
from fleet.vehicles.models import Vehicle
from fleet.visits.fixed_days import calendar_of, doubt
from fleet.visits.models import OtherWork, Visit
from fleet.workorders.models import Finding, Job, WorkOrder
from fleet.workorders.progress import BEFORE_THE_END

Kind = OtherWork.Kind
Ending = OtherWork.Ending
LONGEST_MIN = 1_440  # nobody works longer on one thing in a day
SOON_D = 14  # after a finding that wants it *soon*; our choice
FINDING_MIN = 30  # of a finding, until somebody says better; our choice
BY_HAND = (Kind.INSPECTION, Kind.RECALL, Kind.TYRES, Kind.OTHER)


@dataclass(frozen=True)
class Given:
    """What a person says of other work."""

    kind: str
    title: str
    minutes: int
    number: str = ""
    fixed_on: date | None = None
    latest_on: date | None = None
    skills: Sequence[str] = ()
    why_it_stands: str = ""  # the answer to a question about its fixed day

    def checked(self, kinds: Collection[str] = BY_HAND) -> dict[str, Any]:
        """As it is stored.

        Raises
        ------
        Fault
            No words, no such kind, minutes out of range, a recall without its number, or a fixed
            and a latest day.
        """
        if self.kind not in kinds:
            raise Fault(f"Choose one of {', '.join(kinds)}.", about="kind")
        if not self.title.strip():
            raise Fault("Say in a few words what is to be done.", about="title")
        if not 1 <= self.minutes <= LONGEST_MIN:
            raise Fault(f"Give the minutes it takes, 1 to {LONGEST_MIN}.", about="minutes")
        if self.kind == Kind.RECALL and not self.number.strip():
            raise Fault("Give the number of the recall, as its letter has it.", about="number")
        if self.fixed_on and self.latest_on:
            raise Fault("Give a fixed day or a latest day, not both.", about="latest_on")
        return {
            "kind": self.kind,
            "title": self.title.strip()[:120],
            "minutes": self.minutes,
            "number": self.number.strip()[:40],
            "fixed_on": self.fixed_on,
            "latest_on": self.latest_on,
            "skills": [one.strip() for one in self.skills if one.strip()],
            "why_it_stands": self.why_it_stands.strip()[:300] if self.fixed_on else "",
        }


def enter(actor: Actor, vehicle: Vehicle, given: Given) -> OtherWork:
    """Enter other work on a vehicle.

    Raises
    ------
    Forbidden
        The person may not release orders at the vehicle's depot.
    Fault
        Something of it is missing, or its fixed day is past.
    Question
        The vehicle cannot come in on its fixed day.
    """
    actor.must(Right.RELEASE, vehicle.depot)
    values = given.checked()
    _refuse_past(actor, vehicle, given.fixed_on)
    _ask_about_day(actor, vehicle, values)
    return OtherWork.objects.create(
        vehicle=vehicle, entered_by=actor.person, entered_at=actor.at, **values
    )


def correct(actor: Actor, work_id: int, given: Given) -> OtherWork:
    """Correct other work that is open; what it was stays in its history.

    Raises
    ------
    Refused
        It has ended, or is on an order: that says what is to be done.
    Question
        The vehicle cannot come in on its fixed day, and nobody has said yet why that stands.
    """
    with transaction.atomic():
        work = _open(actor, work_id)
        job = jobs_of([work]).get(work.pk)
        if job is not None:
            raise Refused(f"It is on {job.order} already: change the order, or take it off there.")
        values = given.checked((*BY_HAND, Kind.FINDING) if work.finding_id else BY_HAND)
        if given.fixed_on != work.fixed_on:
            _refuse_past(actor, work.vehicle, given.fixed_on)
        elif not values["why_it_stands"]:
            values["why_it_stands"] = work.why_it_stands
        _ask_about_day(actor, work.vehicle, values)
        changed = {name: value for name, value in values.items() if getattr(work, name) != value}
        for name, value in changed.items():
            setattr(work, name, value)
        if changed:
            work.save()
    return work


def end(
    actor: Actor, work_id: int, *, ending: str, on: date | None = None, reason: str = ""
) -> OtherWork:
    """Say that other work is done, on which day, or is not to be done, and why.

    Raises
    ------
    Fault
        Neither done nor cancelled, a day to come, or cancelled without a reason.
    Refused
        It has ended, or is on an order, which is where it is ended.
    """
    if ending not in Ending.values:
        raise Fault("Say whether it is done or cancelled.", about="ending")
    if ending == Ending.CANCELLED and not reason.strip():
        raise Fault("Say why it is not to be done.", about="reason")
    with transaction.atomic():
        work = _open(actor, work_id)
        job = jobs_of([work]).get(work.pk)
        if job is not None:
            raise Refused(f"It is on {job.order}: end it there.")
        today = today_at(work.vehicle.depot.zone, actor.now)
        if on and on > today:
            raise Fault("The day is still to come.", about="on")
        work.ending, work.ended_on = ending, on or today
        work.ended_reason, work.ended_by = reason.strip()[:200], actor.person
        work.save()
    return work


def reopen(actor: Actor, work_id: int) -> OtherWork:
    """Take an ending back that was said by hand.

    Raises
    ------
    Refused
        It was not ended by hand.
    """
    with transaction.atomic():
        work = _held(work_id)
        actor.must(Right.RELEASE, work.vehicle.depot)
        if not work.ending:
            raise Refused("It was not ended by hand: there is nothing to take back.")
        work.ending, work.ended_on, work.ended_reason, work.ended_by = "", None, "", None
        work.save()
    return work


def move_fixed(visit: Visit, on: date) -> None:
    """Give other work with a fixed day that is moved with its visit its new day."""
    for work in OtherWork.objects.filter(planned__visit=visit).exclude(fixed_on=None):
        work.fixed_on, work.why_it_stands = on, ""
        work.save()


def _held(work_id: int) -> OtherWork:
    rows = OtherWork.objects.select_for_update(of=("self",)).select_related("vehicle__depot")
    work = rows.filter(pk=work_id).first()
    if work is None:
        raise Fault(f"There is no other work {work_id}.")
    return work


def _open(actor: Actor, work_id: int) -> OtherWork:
    work = _held(work_id)
    actor.must(Right.RELEASE, work.vehicle.depot)
    if not open_work().filter(pk=work_id).exists():
        raise Refused(f"{work} has ended already.")
    return work


def _refuse_past(actor: Actor, vehicle: Vehicle, on: date | None) -> None:
    if on is not None and on < today_at(vehicle.depot.zone, actor.now):
        raise Fault("The fixed day is past: give one to come.", about="fixed_on")


def _ask_about_day(actor: Actor, vehicle: Vehicle, values: dict[str, Any]) -> None:
    on, today = values["fixed_on"], today_at(vehicle.depot.zone, actor.now)
    if on is None or values["why_it_stands"]:
        return
    question = doubt(calendar_of(vehicle, on), on, today)
    if question is not None:
        raise question


# --- what there is -------------------------------------------------------------------------
def open_work() -> QuerySet[OtherWork]:
    """Other work that is still to be done, on an order or not."""
    done = Job.objects.filter(
        order__follows=OuterRef("finding"), service=None, state=Job.State.DONE
    )
    rows = OtherWork.objects.filter(
        Q(finding=None) | Q(finding__closed_at=None, finding__withdrawn_by=None),
        ~Q(job__state=Job.State.DONE),
        ending="",
    )
    return rows.filter(~Exists(done)).select_related("vehicle__depot", "finding")


def to_plan() -> QuerySet[OtherWork]:
    """What of it wants a day; a finding that services alone follow up needs none of its own."""
    following = WorkOrder.objects.filter(follows=OuterRef("finding"), state__in=BEFORE_THE_END)
    in_words = Job.objects.filter(
        order__follows=OuterRef("finding"), service=None, state=Job.State.OPEN
    )
    return open_work().filter(~Exists(following) | Exists(in_words))


@reader
def jobs_of(works: Iterable[OtherWork]) -> Read[dict[int, Job]]:
    """The open job of each that is on an order, by its id; also where a finding was followed up
    before it was planned."""
    by_job = {one.job_id: one.pk for one in works if one.job_id}
    by_finding = {one.finding_id: one.pk for one in works if one.finding_id}
    rows = _open_in_words([*by_job], [*by_finding])
    yield [rows]
    found = {
        by_finding[job.order.follows_id]: job
        for job in rows
        if job.order.follows_id in by_finding and job.pk not in by_job
    }
    return {**found, **{by_job[job.pk]: job for job in rows if job.pk in by_job}}


@prepared
def _open_in_words(job_ids: Ids, finding_ids: Ids) -> Rows:
    open_jobs = Job.objects.filter(state=Job.State.OPEN, service=None).select_related("order")
    following = Q(order__follows__in=finding_ids, other_work=None)
    return open_jobs.filter(Q(pk__in=job_ids) | following).order_by("-pk")


@reader
def keys_of(jobs: Iterable[Job]) -> Read[dict[int, int]]:
    """What is planned by some jobs, as ``PLANNED_KEY``, by job id; of work in words alone: none.

    ``jobs`` carry their orders.
    """
    keys = {job.pk: job.service_id for job in jobs if job.service_id}
    loose = [job for job in jobs if job.service_id is None]
    if loose:
        follows = {job.order.follows_id for job in loose if job.order.follows_id}
        works = _about([job.pk for job in loose], follows)
        yield [works]
        on_order = yield from jobs_of.steps(works)
        keys.update({job.pk: -pk for pk, job in on_order.items()})
    return keys


@prepared
def _about(job_ids: Ids, finding_ids: Ids) -> Rows:
    return OtherWork.objects.filter(Q(job__in=job_ids) | Q(finding__in=finding_ids))


def put_on(order: WorkOrder, works: Sequence[OtherWork]) -> None:
    """Tell works that they are the newest jobs in words of an order, in their order; what follows
    a finding says so."""
    rows = order.jobs.filter(service=None, state=Job.State.OPEN).order_by("-pk")[: len(works)]
    for work, job in zip(works, reversed(rows), strict=True):
        work.job = job
        work.save()
        if work.finding_id:
            same = WorkOrder.objects.filter(pk=order.pk, follows=None)
            same.update(follows=work.finding_id)


def follow(finding: Finding) -> OtherWork:
    """The work that a finding asks for: at once where it is *before use*, some days later where
    it is *soon*, with the next visit where it is *watch*."""
    found_on = today_at(finding.vehicle.depot.zone, finding.performed_at)
    latest_on = {
        Finding.Severity.BEFORE_USE: found_on,
        Finding.Severity.SOON: found_on + timedelta(days=SOON_D),
    }.get(Finding.Severity(finding.severity))
    return OtherWork.objects.create(
        finding=finding,
        vehicle_id=finding.vehicle_id,
        kind=Kind.FINDING,
        title=f"{finding.kind}: {finding.text.strip().removesuffix('.')}"[:120],
        minutes=FINDING_MIN,
        latest_on=latest_on,
        entered_by=finding.person,
        entered_at=finding.performed_at,
    )
