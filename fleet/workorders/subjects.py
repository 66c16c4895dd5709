"""What a confirm record is about, and by which figures its value is held."""

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.bulk import only
from fleet.calc.slips import Ask, torque_question
from fleet.due.models import CheckFigure, CheckResult, Service
from fleet.faults import Fault
from fleet.units import UnitError, torque_nm
from fleet.workorders.checks import outcome
from fleet.workorders.models import Fastener, Job, Procedure, ReCheckRule, Step
from fleet.workorders.points import points_of

NO_WORDS = "Say whether it is as it should be (seen: true or false), or give the value measured."


@dataclass(frozen=True)
class Subject:
    """What a record confirms, and by which figures its value is held."""

    about: str
    points: Sequence[str]
    step: Step | None = None
    rule: ReCheckRule | None = None
    figure: CheckFigure | None = None
    fastener: Fastener | None = None


# --- what is confirmed ---------------------------------------------------------------------
def subject_of(job: Job, rule: str, step: int | None) -> Subject:
    if bool(rule) == (step is not None):
        raise Fault("Name a step by its number, or a rule by its slug: one of the two.")
    if job.service is None:
        raise Fault(f"{job.title} has no procedure: keep what was seen as a note.")
    return _of_rule(job, rule) if rule else _of_step(job, step or 0)


def _of_rule(job: Job, slug: str) -> Subject:
    rules = ReCheckRule.objects.select_related("service", "procedure").filter(slug=slug)
    found = (
        rules.filter(service=job.service).first()
        or rules.filter(procedure__service=job.service).first()
    )
    if found is None:
        raise Fault(f"{job.title} has no re-check {slug!r}.", about="rule")
    return Subject(
        about=found.text,
        points=points_of(found.points, found.service.vehicle_type),
        rule=found,
        figure=_figure(job, found.service, found.figure),
        fastener=only(found.procedure.fasteners.filter(slug=found.fastener)),
    )


def _of_step(job: Job, number: int) -> Subject:
    steps = Step.objects.select_related("procedure__service__vehicle_type")
    found = only(steps.filter(procedure__service=job.service, number=number))
    if found is None:
        raise Fault(f"The procedure of {job.title} has no step {number}.", about="step")
    return Subject(
        about=found.text,
        points=points_of(found.points, found.procedure.service.vehicle_type),
        step=found,
        figure=_figure(job, found.procedure.service, found.figure),
        fastener=only(found.procedure.fasteners.filter(slug=found.fastener)),
    )


def _figure(job: Job, service: Service, slug: str) -> CheckFigure | None:
    """A figure of a service, with the limits that hold where the vehicle is based."""
    found = only(service.figures.filter(slug=slug))
    return None if found is None else found.at(job.order.vehicle.depot_id)


def check_point(subject: Subject, point: str) -> None:
    if point not in subject.points:
        named = ", ".join(name for name in subject.points if name)
        raise Fault(
            f"Name one of its points: {named}." if named else "It has one point only: name none.",
            about="point",
        )


# --- how it was ----------------------------------------------------------------------------
def well(
    subject: Subject, seen: bool | None, value: float | None, temperature_c: float | None
) -> bool:
    """Whether it was as it should be: by what was said, and by every value that has a figure."""
    if seen is None and value is None:
        raise Fault(NO_WORDS, about="seen")
    checked = value if _at_temperature(subject) is None else temperature_c
    fails = (
        subject.figure is not None
        and checked is not None
        and outcome(subject.figure, checked) == CheckResult.Outcome.FAIL
    )
    return seen is not False and not fails and not _loose(subject.fastener, value)


def _at_temperature(subject: Subject) -> CheckFigure | None:
    """The figure, where it is the temperature at which a level is read."""
    figure = subject.figure
    return figure if figure is not None and figure.unit == "°C" and _level(subject) else None


def _level(subject: Subject) -> bool:
    step = subject.step
    return (
        step is not None
        and step.kind == Step.Kind.READ_LEVEL
        and step.procedure.family == Procedure.Family.LEVEL_AT_TEMPERATURE
    )


def _loose(fastener: Fastener | None, torque_nm: float | None) -> bool:
    if fastener is None or torque_nm is None:
        return False
    try:
        return _torque_ask(fastener, torque_nm) is not None
    except ValueError as error:
        raise Fault(f"{fastener.name}: {error}.", about="value") from error


def _torque_ask(fastener: Fastener, value_nm: float) -> Ask | None:
    return torque_question(
        value_nm,
        fastener.torque_nm,
        reference_max_nm=fastener.torque_max_nm,
        stated_unit=fastener.stated_unit,
        tolerance=fastener.tolerance,
    )


def unit_of(subject: Subject, value: float | None) -> str:
    if value is None:
        return ""
    if subject.fastener is not None:
        return "N·m"
    return subject.figure.unit if subject.figure is not None else ""


def in_own_unit(value: float | None, given_unit: str, own_unit: str) -> float | None:
    """A value in the unit that its field is kept in; only torques are given in others.

    Raises
    ------
    Fault
        The unit given is another, and none of torque.
    """
    if value is None or given_unit in ("", own_unit):
        return value
    if own_unit != "N·m":
        raise Fault(f"This is measured in {own_unit or 'no unit'}: give it so.", about="unit")
    try:
        return torque_nm(value, given_unit)
    except UnitError as error:
        raise Fault(str(error), about="unit") from error


def half_read_question(subject: Subject, temperature_c: float | None) -> str:
    if _level(subject) and temperature_c is None:
        return "At which temperature was the level read? It counts at its temperature only."
    return ""
