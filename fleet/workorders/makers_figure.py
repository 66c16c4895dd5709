"""Jobs that no procedure describes: their fasteners in words, and the compartment they turn out to
be on."""

from dataclasses import dataclass

from django.utils.text import slugify

from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.vehicles.models import Compartment
from fleet.workorders.events import note_event
from fleet.workorders.models import Fastener, Job, Procedure

MOST_NM = 20_000  # our choice, as in the workbook: more is no fastener of a road vehicle


@dataclass(frozen=True)
class MakersFigure:
    """A fastener in words, with its torque as the maker's book states it."""

    name: str
    torque_nm: float  # lower end of a range
    source: str  # the book and its edition
    torque_max_nm: float | None = None
    stated_unit: str = "N·m"


def fastener_in_words(job: Job, figure: MakersFigure) -> Fastener:
    """The fastener as a procedure would have it; it is not kept but with its record.

    Raises
    ------
    Fault
        The procedure of the job has fasteners of its own, or name, figure or book are missing.
    """
    if Procedure.objects.filter(service=job.service).exclude(service=None).exists():
        raise Fault(f"{job.title} has a procedure: choose one of its fasteners.", about="fastener")
    name, source = " ".join(figure.name.split())[:80], figure.source.strip()[:300]
    if not slugify(name):
        raise Fault("Name the fastener, e.g. drain plug.", about="name")
    if not source:
        raise Fault("Say which book the figure is from, and its edition.", about="figure_source")
    top_nm = figure.torque_max_nm
    if not 0 < figure.torque_nm <= MOST_NM or (top_nm is not None and top_nm < figure.torque_nm):
        raise Fault(
            "The figure must be a torque above 0, of a range the lower end first.",
            about="figure_nm",
        )
    return Fastener(
        slug=slugify(name)[:40],
        name=name,
        torque_nm=figure.torque_nm,
        torque_max_nm=top_nm,
        stated_unit=figure.stated_unit,
        source=source,
    )


def name_compartment(actor: Actor, job: Job, compartment: Compartment) -> None:
    """Note on which compartment a job is done that was drafted without one."""
    free = Job.objects.filter(pk=job.pk, service=None, compartment=None)
    if free.update(compartment=compartment):
        job.compartment = compartment
        note_event(actor, job.order, "name compartment", job=job, reason=compartment.slug)
