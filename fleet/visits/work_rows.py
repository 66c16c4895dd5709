"""Other work as it is listed, each with its state as its order or finding tells it."""

from dataclasses import dataclass
from datetime import date

from django.db.models import Exists, OuterRef, QuerySet

from fleet.reads import Asked, Read, Rows, prepared, reader
from fleet.today import today_at
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Vehicle
from fleet.visits.models import OtherWork
from fleet.visits.other_work import Ending, jobs_of, open_work
from fleet.workorders.models import Job


@dataclass(frozen=True)
class WorkRow:
    """One piece of other work."""

    id: int
    vehicle: str
    depot: str
    kind: str
    title: str
    number: str
    minutes: int
    fixed_on: date | None
    why_it_stands: str  # the fixed day, where the vehicle cannot come in then
    latest_on: date | None
    skills: tuple[str, ...]
    state: str  # open, on order, done, cancelled
    order: str  # number of the order that has it
    ended_on: date | None
    reason: str  # why it was cancelled, or what was said when it was done
    by_hand: bool  # it was said here that it ended
    entered_by: str  # user name


@reader
def work_rows(works: QuerySet[OtherWork]) -> Read[list[WorkRow]]:
    """Some of it with its state, as it was entered; a constant number of queries."""
    found = yield from _told(_with_state(works))
    return found


@reader
def of_vehicle(vehicle: Vehicle) -> Read[list[WorkRow]]:
    """All of a vehicle, newest first."""
    found = yield from _told(_of_vehicle(vehicle.pk))
    return found[::-1]


@prepared
def _of_vehicle(vehicle_id: int) -> Rows:
    return _with_state(OtherWork.objects.filter(vehicle=vehicle_id))


def _with_state(works: QuerySet[OtherWork]) -> Rows:
    beside = ("vehicle__depot", "finding", "job__order", "entered_by")
    still = Exists(open_work().filter(pk=OuterRef("pk")))
    return works.select_related(*beside).annotate(still=still).order_by("pk")


def _told(rows: Rows | Asked) -> Read[list[WorkRow]]:
    yield [rows]
    jobs = yield from jobs_of.steps(rows)
    return [_row(one, jobs.get(one.pk), one.still) for one in rows]


def of_depots(depots: Depots, *, still_open: bool = True) -> QuerySet[OtherWork]:
    rows = open_work() if still_open else OtherWork.objects.all()
    return rows.filter(vehicle__depot__in=depots)


def _row(one: OtherWork, job: Job | None, still: bool) -> WorkRow:
    state, ended_on, reason = one.ending, one.ended_on, one.ended_reason
    if not state and still:
        state = "on order" if job else "open"
    elif not state:
        state, ended_on, reason = _ended_elsewhere(one)
    order = job.order.number if job else one.job.order.number if one.job and not still else ""
    return WorkRow(
        id=one.pk,
        vehicle=one.vehicle.fleet_number,
        depot=one.vehicle.depot.slug,
        kind=one.kind,
        title=one.title,
        number=one.number,
        minutes=one.minutes,
        fixed_on=one.fixed_on,
        why_it_stands=one.why_it_stands,
        latest_on=one.latest_on,
        skills=tuple(one.skills),
        state=state,
        order=order,
        ended_on=ended_on,
        reason=reason,
        by_hand=bool(one.ending),
        entered_by=one.entered_by.username if one.entered_by else "",
    )


def _ended_elsewhere(one: OtherWork) -> tuple[str, date | None, str]:
    """How it ended on its order, or with its finding."""
    zone, finding = one.vehicle.depot.zone, one.finding
    if one.job and one.job.state == Job.State.DONE:
        return Ending.DONE, today_at(zone, one.job.ended_at) if one.job.ended_at else None, ""
    if finding and finding.withdrawn_at:
        on = today_at(zone, finding.withdrawn_at)
        return Ending.CANCELLED, on, finding.withdrawn_reason
    if finding and finding.closed_at:
        return Ending.DONE, today_at(zone, finding.closed_at), finding.closed_reason
    return Ending.DONE, None, "its follow-up is done"
