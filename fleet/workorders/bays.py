"""What a way of raising the vehicle allows: some work cannot be done on the ground, some not on
ramps without a second thought."""

from collections.abc import Collection

from django.db.models import Q, QuerySet

from fleet.faults import Fault, Question, Refused
from fleet.workorders.models import Job, Procedure, Raising, Step, WorkOrder

Kind = Step.Kind
RAISES = Q(kind=Kind.RAISE) | Q(under_vehicle=True)
STANDS_LEVEL = Q(kind=Kind.LEVEL_VEHICLE) | Q(
    kind=Kind.READ_LEVEL,
    under_vehicle=True,
    procedure__family=Procedure.Family.LEVEL_AT_TEMPERATURE,
)


def check_raising(
    raising: str, service_ids: Collection[int | None], *, override_reason: str = ""
) -> bool:
    """Hold a way of raising the vehicle against the steps of some services.

    Returns
    -------
    bool
        Whether it was asked about, and the reason answers that.

    Raises
    ------
    Fault
        There is no such way.
    Refused
        On the ground, although a step raises the vehicle or goes under it.
    Question
        On ramps, although the vehicle must stand level; with a reason it goes through.
    """
    if raising not in Raising.values:
        known = ", ".join(Raising.values)
        raise Fault(f"The vehicle is raised by one of: {known}.", about="raising")
    if raising == Raising.NONE:
        refuse_on_the_ground(service_ids)
    if raising != Raising.RAMPS:
        return False
    level = _first(service_ids, STANDS_LEVEL)
    if level is not None and not override_reason.strip():
        raise Question(
            f"{level.procedure.service.name} needs the vehicle to stand level, and ramps raise "
            "one end. Choose another way, or say how it comes to stand level.",
            about="raising",
        )
    return level is not None


def refuse_on_the_ground(service_ids: Collection[int | None]) -> None:
    """Refuse work on the ground that raises the vehicle or goes under it.

    Raises
    ------
    Refused
        With the service and the step.
    """
    step = _first(service_ids, RAISES)
    if step is not None:
        raise Refused(
            f"{step.procedure.service.name} cannot be done on the ground: its step {step.number} "
            f"({step.kind}) raises the vehicle or goes under it. Say how the bay raises it.",
            about="raising",
        )


def services_of(order: WorkOrder) -> list[int | None]:
    """The services of the jobs that an order holds."""
    kept = order.jobs.exclude(state=Job.State.DROPPED).exclude(service=None)
    return list(kept.values_list("service_id", flat=True))


def _first(service_ids: Collection[int | None], which: Q) -> Step | None:
    steps: QuerySet[Step] = Step.objects.filter(which, procedure__service__in=service_ids)
    return steps.select_related("procedure__service").order_by("procedure", "number").first()
