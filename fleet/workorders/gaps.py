"""What the procedure of a job expects and nobody recorded; and what was done all the same.

At *done* it is asked about once, all of it together. What is left out stands on the order with its
reason, before whoever signs.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

from django.db import transaction
from django.db.models import Subquery

from fleet.calc.slips import litres_question
from fleet.due.models import CheckFigure, CheckResult, Service
from fleet.faults import Question
from fleet.people.actor import Actor
from fleet.reads import Read, Rows, prepared, reader, side_by_side, together
from fleet.workorders import keep_fill
from fleet.workorders.models import (
    ConfirmRecord,
    Fastener,
    FluidRecord,
    Gap,
    Job,
    Procedure,
    Step,
    TorqueRecord,
    WorkOrder,
    Wrench,
)
from fleet.workorders.points import missing_points

Kind = Gap.Kind
OPENS = (
    *(Step.Kind.OPEN_FILL, Step.Kind.OPEN_DRAIN, Step.Kind.OPEN_PLUG, Step.Kind.OPEN_CAP),
    *(Step.Kind.DRAIN, Step.Kind.INSPECT),
)
SAFETY_FAMILIES = (Procedure.Family.BRAKE_FLUID,)


@dataclass(frozen=True)
class Missing:
    """One thing that was expected: what it is, and what a form needs to record it."""

    kind: str
    place: str  # names it within the job
    words: str
    safety: bool = False  # asked about again at the finish, where it is left open
    slug: str = ""  # of the fastener or figure
    step: int | None = None
    point: str = ""
    torque_nm: float | None = None  # recorded without its wrench

    @property
    def wrench(self) -> bool:
        """Whether only the wrench is missing."""
        return self.torque_nm is not None


@reader
def missing(job: Job) -> Read[list[Missing]]:
    """What is not recorded, in the order of the card; nothing where there is no procedure."""
    procedure = _procedure(job)
    if procedure is None:
        return []
    rows, points = yield from side_by_side(_steps(procedure.pk), _points(job))
    steps, covered = list(rows), {one.step for one in points}
    found = yield from side_by_side(
        _torques(job, procedure, steps),
        _wrenches(job),
        _litres(job, procedure, steps),
        _levels(job, [step for step in steps if step.number not in covered]),
        _values(job),
    )
    return [*chain.from_iterable(found), *points]


@prepared
def _steps(procedure_id: int) -> Rows:
    return Step.objects.filter(procedure=procedure_id).order_by("number")


def _points(job: Job) -> Read[list[Missing]]:
    return [
        Missing(
            *(Kind.POINT, f"point:{one.step or one.rule}:{one.point}", one.words),
            safety=True,
            step=one.step,
            point=one.point,
        )
        for one in (yield from missing_points.steps(job))
    ]


def _procedure(job: Job) -> Procedure | None:
    return getattr(job.service, "procedure", None)


def _torques(job: Job, procedure: Procedure, steps: Sequence[Step]) -> Read[list[Missing]]:
    """Fasteners that a step closes, without a torque."""
    closed = {step.fastener for step in steps if step.fastener and step.kind not in OPENS}
    confirmed = {step.fastener for step in steps if step.confirm or step.moving_hold}
    if not closed - confirmed:
        return []
    made, fasteners = _tightened(job.pk), _fasteners(procedure.pk)
    yield [made, fasteners]
    return [
        Missing(Kind.TORQUE, f"torque:{one.slug}", f"{one.name}: torque", True, slug=one.slug)
        for one in fasteners
        if one.slug in (closed - confirmed).difference(made)
    ]


@prepared
def _tightened(job_id: int) -> Rows:
    rows = TorqueRecord.objects.filter(job=job_id, withdrawn_by=None)
    return rows.values_list("fastener", flat=True)


@prepared
def _fasteners(procedure_id: int) -> Rows:
    return Fastener.objects.filter(procedure=procedure_id).order_by("slug")


def _wrenches(job: Job) -> Read[list[Missing]]:
    """Fasteners of which no record names the wrench; a depot without wrenches notes none."""
    rows, wrenches = _not_by_book(job.pk), _any_wrench(job.order.depot_id)
    yield [rows, wrenches]
    if not wrenches:
        return []
    named = {(row.fastener, row.point) for row in rows if row.wrench_id is not None}
    newest = {(row.fastener, row.point): row for row in rows}
    return [
        Missing(
            Kind.TORQUE,
            f"wrench:{row.fastener}:{row.point}",
            f"{', '.join(filter(None, (row.fastener_name, row.point)))}: no wrench noted",
            slug=row.fastener,
            point=row.point,
            torque_nm=row.torque_nm,
        )
        for place, row in newest.items()
        if place not in named
    ]


@prepared
def _not_by_book(job_id: int) -> Rows:
    rows = TorqueRecord.objects.filter(job=job_id, withdrawn_by=None, figure_source="")
    return rows.order_by("pk")


@prepared
def _any_wrench(depot_id: int) -> Rows:
    return Wrench.objects.filter(depot=depot_id)[:1]


def _litres(job: Job, procedure: Procedure, steps: Sequence[Step]) -> Read[list[Missing]]:
    """Nothing filled, or too little by the running total: by the refill, or by what came out."""
    service = job.service
    if service is None or service.kind != Service.Kind.CHANGE:
        return []
    if all(step.kind != Step.Kind.FILL for step in steps):
        return []
    found = yield from keep_fill.totals.steps(job, service.compartment)
    if not found.in_ml:
        return [Missing(Kind.LITRES, "filled", "litres filled")]
    refill_l = procedure.refill_l or service.compartment.service_refill_l
    least_l = max(refill_l or 0.0, found.drained_ml / 1000)
    if not least_l:
        return []
    low = procedure.refill_tolerance_low
    ask = litres_question(found.in_ml / 1000, least_l, low=low, high=float("inf"))
    if ask is None:
        return []
    slips = "; ".join(f"{slip.meant:.4g} L: {slip.words}" for slip in ask.slips)
    of = "a service refill takes" if least_l == refill_l else "what came out is"
    words = f"{found.in_ml / 1000:g} L filled in all, but {of} {least_l:g} L"
    return [Missing(Kind.LITRES, "filled", f"{words} ({slips})" if slips else words)]


def _levels(job: Job, steps: Sequence[Step]) -> Read[list[Missing]]:
    """Levels read without a word; litres topped up there are one."""
    read = [step for step in steps if step.kind == Step.Kind.READ_LEVEL]
    if not read:
        return []
    topped_up, said = _topped_up(job.pk), _said(job.pk)
    yield [topped_up, said]
    if topped_up:
        return []
    return [
        Missing(Kind.LEVEL, f"level:{step.number}", step.text, step=step.number)
        for step in read[-1:]  # the last reading is the one that stands
        if step.number not in said
    ]


@prepared
def _topped_up(job_id: int) -> Rows:
    return FluidRecord.objects.filter(job=job_id, way="topped up", withdrawn_by=None)[:1]


@prepared
def _said(job_id: int) -> Rows:
    rows = ConfirmRecord.objects.filter(job=job_id, withdrawn_by=None)
    return rows.order_by().values_list("step", flat=True)


def _values(job: Job) -> Read[list[Missing]]:
    """Figures of the service without a value since the order was started."""
    figures = _not_measured(job.order_id, job.vehicle_id, job.service_id)
    yield [figures]
    return [Missing(Kind.VALUE, f"value:{one.slug}", one.name, slug=one.slug) for one in figures]


@prepared
def _not_measured(order_id: int, vehicle_id: int, service_id: int | None) -> Rows:
    since = WorkOrder.objects.filter(pk=order_id).values("started_at")
    made = CheckResult.objects.filter(
        vehicle=vehicle_id, measured_at__gte=Subquery(since), withdrawn_at=None
    )
    wanted = CheckFigure.objects.filter(service=service_id).exclude(pk__in=made.values("figure_id"))
    return wanted.order_by("slug")


@transaction.atomic
def leave(actor: Actor, job: Job, because: str) -> list[Gap]:
    """Keep what a job that is done leaves out, with its one reason.

    Raises
    ------
    Question
        Something is missing and no reason is given.
    """
    found = missing(job)
    if found and not because.strip():
        raise Question(
            f"{job.title}: not recorded: {'; '.join(one.words for one in found)}. "
            "Record it, or say why it is done all the same.",
            [one.words for one in found],
            about="because",
        )
    Gap.objects.filter(job=job).delete()  # of an end that was corrected
    return Gap.objects.bulk_create(
        Gap(
            job=job,
            kind=one.kind,
            place=one.place,
            words=one.words[:300],
            safety=one.safety,
            reason=because.strip()[:300],
            person=actor.person,
            channel=actor.channel,
            performed_at=actor.at,
        )
        for one in found
    )


@reader
def gaps_of(order: WorkOrder) -> Read[list[Gap]]:
    """What the jobs of an order leave out, with the reasons, for whoever signs."""
    found = _of_order(order.pk)
    yield [found]
    return list(found)


@prepared
def _of_order(order_id: int) -> Rows:
    rows = Gap.objects.filter(job__order=order_id).select_related("job", "person")
    return rows.order_by("job", "pk")


def open_safety(order: WorkOrder) -> list[Missing]:
    """What safety rests on, of jobs that are done, neither recorded nor left out with a reason."""
    found = []
    done = order.jobs.filter(state=Job.State.DONE).order_by("pk")
    for job in done.select_related("service__procedure", "service__vehicle_type"):
        if left := _of_safety(job):
            given = set(job.gaps.order_by().values_list("place", flat=True))
            found += [one for one in left if one.place not in given]
    return found


def _of_safety(job: Job) -> list[Missing]:
    procedure = _procedure(job)
    if procedure is None:
        return []
    steps = list(procedure.steps.order_by("number"))
    torques, points = together(_torques(job, procedure, steps), _points(job))
    return [*torques, *points]
