"""The points that a job expects a record for, and which of them are still missing."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Exists, OuterRef, Q, QuerySet

from fleet.calc.slips import Ask
from fleet.due.calls import called_since
from fleet.due.models import Service
from fleet.faults import Refused
from fleet.reads import Read, Rows, ask, prepared, reader, side_by_side
from fleet.vehicles.models import VehicleType
from fleet.workorders.models import (
    ConfirmRecord,
    Job,
    ReCheckRule,
    Step,
    TorqueRecord,
    WorkOrder,
)


@dataclass(frozen=True)
class Point:
    """One record that is wanted: of a confirm step, or of a re-check."""

    about: str  # the words of the step or rule
    point: str  # empty: the step or rule has one only
    moving_hold: bool  # the vehicle does not move before it
    step: int | None = None  # its number
    rule: str = ""  # its slug

    @property
    def words(self) -> str:
        """The point in words, for a list of what is missing."""
        return f"{self.about.rstrip('.')}: {self.point}" if self.point else self.about


def in_words(points: Iterable[Point]) -> str:
    """Points in one line, those of one step together, e.g. "Wheels on: front left, rear left"."""
    found: dict[tuple[int | None, str], str] = {}
    for point in points:
        place = (point.step, point.rule)
        found[place] = f"{found[place]}, {point.point}" if place in found else point.words
    return "; ".join(found.values())


def points_of(given: Iterable[str], vehicle_type: VehicleType) -> list[str]:
    """Points one by one: "each wheel" is every wheel position of the vehicle type."""
    found: list[str] = []
    for point in given:
        wheels = point == ReCheckRule.EACH_WHEEL and vehicle_type.wheel_positions
        found += wheels or [point]
    return found or [""]


def expected_points(job: Job) -> Read[list[Point]]:
    """Every point of a job: of its confirm steps and moving holds, and of the re-check it is."""
    if job.service is None:
        return []
    steps, rules = _steps_to_confirm(job.service.pk), _rules_to_confirm(job.service.pk)
    yield [steps, rules]
    return _of_steps(job.service, steps) + [
        Point(rule.text, point, False, rule=rule.slug)
        for rule in rules
        for point in points_of(rule.points, job.service.vehicle_type)
    ]


@prepared
def _steps_to_confirm(service_id: int) -> Rows:
    steps = Step.objects.filter(Q(confirm=True) | Q(moving_hold=True))
    return steps.filter(procedure__service=service_id).order_by("number")


@prepared
def _rules_to_confirm(service_id: int) -> Rows:
    rules = ReCheckRule.objects.filter(service=service_id)
    return rules.order_by("procedure__service__slug", "slug")


def _of_steps(service: Service, steps: Iterable[Step]) -> list[Point]:
    return [
        Point(step.text, point, step.moving_hold, step=step.number)
        for step in steps
        for point in points_of(step.points, service.vehicle_type)
    ]


@reader
def missing_points(job: Job) -> Read[list[Point]]:
    """Points of a job without a record, or whose step was last not as it should be.

    A step that names a fastener is also confirmed by tightening it, point by point. A point of a
    re-check has its record from the instant of the call on, on whatever order it was made.
    """
    expected = yield from expected_points(job)
    return (yield from _unrecorded(job, expected))


def _unrecorded(job: Job, expected: Sequence[Point]) -> Read[list[Point]]:
    if not expected:
        return []
    steps, rules = yield from side_by_side(_confirmed_steps(job), _rules_of(job))
    return [
        wanted
        for wanted in expected
        if not (
            (wanted.rule, wanted.point) in rules
            if wanted.rule
            else steps.get((wanted.step, wanted.point))
        )
    ]


@prepared
def confirmed_on(order_id: int) -> Rows:
    """What was confirmed on an order and not taken back."""
    rows = ConfirmRecord.objects.filter(job__order=order_id, withdrawn_by=None)
    return rows.select_related("rule", "person").order_by("pk")


def _confirmed_steps(job: Job) -> Read[dict[tuple[int | None, str], bool]]:
    """By step and point, whether its newest record says that it is as it should be."""
    rows, torques = _confirms_of_steps(job.pk), _torques_of(job.pk)
    fastened = _fastening_steps(job.service_id)
    yield [rows, fastened, torques]
    made = [(row.performed_at, (row.step, row.point), row.seen) for row in rows]
    made += [
        (row.performed_at, (step.number, row.point), True)
        for step in fastened
        for row in torques
        if row.fastener == step.fastener
    ]
    return {place: seen for _, place, seen in sorted(made, key=lambda one: one[0])}


@prepared
def _confirms_of_steps(job_id: int) -> Rows:
    return ConfirmRecord.objects.filter(job=job_id, withdrawn_by=None, step__isnull=False)


@prepared
def _torques_of(job_id: int) -> Rows:
    return TorqueRecord.objects.filter(job=job_id, withdrawn_by=None)


@prepared
def _fastening_steps(service_id: int | None) -> Rows:
    return Step.objects.filter(procedure__service=service_id).exclude(fastener="")


def _rules_of(job: Job) -> Read[set[tuple[str, str]]]:
    since = yield from called_since.steps(job.vehicle_id, job.service_id)
    rows = recorded_rules(job.vehicle_id, job.service_id, since).values_list("rule__slug", "point")
    yield [rows]
    return set(rows)


def recorded_rules(
    vehicle_id: int, service_id: int | None, since: datetime | None
) -> QuerySet[ConfirmRecord]:
    """Records of a vehicle's re-check that count: since the call, and not too early."""
    rows = ConfirmRecord.objects.filter(
        job__vehicle=vehicle_id, rule__service=service_id, withdrawn_by=None, too_early=False
    )
    return rows if since is None else rows.filter(performed_at__gt=since)


def refuse_unheld(order: WorkOrder, fit_for_use: str) -> list[Point]:
    """Points without which the vehicle must not move, of jobs that were worked on.

    Raises
    ------
    Refused
        Some are missing and the vehicle is to be used.
    """
    jobs = order.jobs.filter(state__in=[Job.State.DONE, Job.State.PART_DONE])
    holds = Step.objects.filter(moving_hold=True)
    held = jobs.filter(Exists(holds.filter(procedure__service=OuterRef("service"))))
    missing = [
        point
        for job in held.select_related("service__vehicle_type").order_by("pk")
        if job.service is not None
        for point in ask(
            _unrecorded(
                job,
                _of_steps(
                    job.service,
                    holds.filter(procedure__service=job.service).order_by("number"),
                ),
            )
        )
    ]
    if missing and fit_for_use != WorkOrder.Fit.NO:
        raise Refused(
            f"The vehicle does not move before these are confirmed: "
            f"{in_words(missing).rstrip('.')}. Record them, or finish with fit for use: no.",
            about="fit_for_use",
        )
    return missing


def cure_question(job: Job, at: datetime) -> Ask | None:
    """Ask about filling before a seal has had its time to cure, from its newest record on."""
    steps = Step.objects.filter(procedure__service=job.service, wait_min__gt=0)
    for step in steps.exclude(procedure__service=None):
        sealed = list(job.confirms.filter(withdrawn_by=None, step=step.number))
        sealed_at = [row.performed_at for row in sealed]
        torques = job.torques.filter(withdrawn_by=None, fastener=step.fastener)
        sealed_at += [row.performed_at for row in torques] if step.fastener else []
        if sealed_at and at < max(sealed_at) + timedelta(minutes=step.wait_min or 0):
            gone_min = int((at - max(sealed_at)).total_seconds() // 60)
            text = (
                f"Only {gone_min} of {step.wait_min} min have gone since: {step.text} Fill when it "
                "has cured, or say why not."
            )
            return Ask(text, ())
    return None
