"""Everything a mechanic needs at the vehicle, on one card: page, print and API show the same."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from fleet.faults import Fault
from fleet.units import torque_lbfft
from fleet.workorders import findings
from fleet.workorders.families import cautions_for
from fleet.workorders.models import Caution, Fastener, Finding, Job, Material, Procedure, WorkOrder

MAKER_FIRST = (
    "The vehicle maker's current data, the rating plates of the equipment and local codes come "
    "first. Work that the law reserves is for licensed people."
)
NO_PROCEDURE = "No procedure is entered for this service: work by the maker's current book."


@dataclass(frozen=True)
class CardCaution:
    slug: str
    text: str
    source: str


@dataclass(frozen=True)
class CardFastener:
    slug: str
    name: str
    torque_nm: float
    torque_max_nm: float | None
    torque_lbfft: float
    torque_max_lbfft: float | None
    drive: str
    seal: str  # sealing washer, O-ring, sealant, none
    seal_size: str
    single_use: bool
    source: str
    edition: str


@dataclass(frozen=True)
class CardStep:
    number: int
    kind: str
    text: str
    cautions: tuple[CardCaution, ...]  # before this step; each where it first applies
    fastener: CardFastener | None


@dataclass(frozen=True)
class CardMaterial:
    kind: str
    name: str
    specification: str
    litres: float | None
    containers: int | None  # to fetch, where the fluid is sold in containers
    container_l: float | None
    pieces: int | None
    source: str


@dataclass(frozen=True)
class CardJob:
    id: int
    title: str
    service: str
    state: str
    family: str
    minutes: int
    edition: str
    source: str
    steps: tuple[CardStep, ...]
    tools: tuple[str, ...]
    fasteners: tuple[CardFastener, ...]
    materials: tuple[CardMaterial, ...]
    used_fluid: str  # class to collect it under; empty: none comes out
    wheel_nut_torque_nm: float | None
    retorque_after_km: float | None
    re_check: str  # what to look at again, and when; empty: nothing
    note: str


@dataclass(frozen=True)
class Card:
    """The job card of an order."""

    number: str
    state: str
    vehicle: str
    registration: str
    vin: str
    vehicle_type: str
    depot: str
    planned_on: date | None
    assigned_to: str
    raising: str
    do_not_use: str  # reason; empty: the vehicle may be used
    open_findings: tuple[str, ...]
    maker_first: str
    jobs: tuple[CardJob, ...]


def card(order_id: int) -> Card:
    """Put the card of an order together.

    Raises
    ------
    Fault
        There is no such order.
    """
    found = cards([order_id])
    if not found:
        raise Fault(f"There is no work order {order_id}.")
    return found[order_id]


def cards(order_ids: Sequence[int]) -> dict[int, Card]:
    """The cards of many orders, by order id, with the same few queries whatever their number."""
    orders = WorkOrder.objects.select_related("vehicle__vehicle_type", "depot", "assigned_to")
    found = orders.in_bulk(list(order_ids))
    vehicle_ids = {order.vehicle_id for order in found.values()}
    jobs, open_findings = _jobs(found), _open_findings(vehicle_ids)
    do_not_use = findings.in_force(list(vehicle_ids))
    cautions = list(Caution.objects.all())
    return {
        pk: _card(
            order,
            [_job(order, job, cautions) for job in jobs[pk]],
            do_not_use.get(order.vehicle_id, ""),
            open_findings[order.vehicle_id],
        )
        for pk, order in found.items()
    }


def _jobs(order_ids: Iterable[int]) -> dict[int, list[Job]]:
    rows = (
        Job.objects.filter(order__in=order_ids)
        .exclude(state=Job.State.DROPPED)
        .select_related("service__procedure", "service__compartment")
        .prefetch_related(
            "service__procedure__steps",
            "service__procedure__fasteners",
            "service__procedure__tools",
            "service__procedure__materials__specification",
        )
    )
    by_order: dict[int, list[Job]] = defaultdict(list)
    for job in rows.order_by("pk"):
        by_order[job.order_id].append(job)
    return by_order


def _open_findings(vehicle_ids: Iterable[int]) -> dict[int, list[str]]:
    rows = Finding.objects.filter(vehicle__in=vehicle_ids, closed_at=None, withdrawn_by=None)
    by_vehicle: dict[int, list[str]] = defaultdict(list)
    for finding in rows:
        by_vehicle[finding.vehicle_id].append(str(finding))
    return by_vehicle


def _card(
    order: WorkOrder, jobs: Sequence[CardJob], do_not_use: str, open_findings: Sequence[str]
) -> Card:
    return Card(
        number=order.number,
        state=order.state,
        vehicle=order.vehicle.fleet_number,
        registration=order.vehicle.registration,
        vin=order.vehicle.vin,
        vehicle_type=order.vehicle.vehicle_type.name,
        depot=order.depot.name,
        planned_on=order.planned_on,
        assigned_to=str(order.assigned_to or ""),
        raising=order.raising,
        do_not_use=do_not_use,
        open_findings=tuple(open_findings),
        maker_first=MAKER_FIRST,
        jobs=tuple(jobs),
    )


def as_json(found: Card) -> dict[str, Any]:
    """The card as plain values, for the API; quantities carry their unit in the key."""
    return asdict(found)


def _job(order: WorkOrder, job: Job, cautions: list[Caution]) -> CardJob:
    procedure: Procedure | None = getattr(job.service, "procedure", None)
    if procedure is None:
        return _bare(job)
    fasteners = {row.slug: _fastener(procedure, row) for row in procedure.fasteners.all()}
    return CardJob(
        id=job.pk,
        title=job.title,
        service=job.service.slug if job.service else "",
        state=job.state,
        family=procedure.family,
        minutes=procedure.minutes,
        edition=procedure.edition,
        source=procedure.source,
        steps=_steps(order, procedure, fasteners, cautions),
        tools=tuple(str(tool) for tool in procedure.tools.all()),
        fasteners=tuple(fasteners.values()),
        materials=tuple(_material(row) for row in sorted(procedure.materials.all(), key=_fetched)),
        used_fluid=procedure.used_fluid_class,
        wheel_nut_torque_nm=procedure.wheel_nut_torque_nm,
        retorque_after_km=procedure.retorque_after_km,
        re_check=procedure.re_check,
        note=procedure.note,
    )


def _bare(job: Job) -> CardJob:
    """A job without a procedure: other work, or a service whose book is not entered."""
    return CardJob(
        id=job.pk,
        title=job.title,
        service=job.service.slug if job.service else "",
        state=job.state,
        family="other",
        minutes=job.minutes,
        edition="",
        source="",
        steps=(),
        tools=(),
        fasteners=(),
        materials=(),
        used_fluid="",
        wheel_nut_torque_nm=None,
        retorque_after_km=None,
        re_check="",
        note=NO_PROCEDURE if job.service else "",
    )


def _steps(
    order: WorkOrder,
    procedure: Procedure,
    fasteners: dict[str, CardFastener],
    cautions: list[Caution],
) -> tuple[CardStep, ...]:
    shown: set[str] = set()
    steps = []
    for step in procedure.steps.all():
        found = cautions_for(
            cautions,
            procedure,
            step,
            raising=order.raising,
            powertrain=order.vehicle.vehicle_type.powertrain,
            salted_roads=order.depot.salted_roads,
        )
        new = [caution for caution in found if caution.slug not in shown]
        shown.update(caution.slug for caution in new)
        steps.append(
            CardStep(
                number=step.number,
                kind=step.kind,
                text=step.text,
                cautions=tuple(CardCaution(row.slug, row.text, row.source) for row in new),
                fastener=fasteners.get(step.fastener),
            )
        )
    return tuple(steps)


def _fastener(procedure: Procedure, row: Fastener) -> CardFastener:
    top = row.torque_max_nm
    return CardFastener(
        slug=row.slug,
        name=row.name,
        torque_nm=row.torque_nm,
        torque_max_nm=top,
        torque_lbfft=torque_lbfft(row.torque_nm),
        torque_max_lbfft=None if top is None else torque_lbfft(top),
        drive=row.drive,
        seal=row.seal,
        seal_size=row.seal_size,
        single_use=row.single_use,
        source=row.source,
        edition=procedure.edition,
    )


def _fetched(row: Material) -> int:
    """Fluid first, spares last: the order in which a mechanic thinks of them."""
    return Material.Kind.values.index(row.kind)


def _material(row: Material) -> CardMaterial:
    containers = None
    if row.quantity_ml is not None and row.container_ml:
        containers = -(-row.quantity_ml // row.container_ml)  # whole containers, in integers
    return CardMaterial(
        kind=row.kind,
        name=row.name,
        specification=str(row.specification or ""),
        litres=None if row.quantity_ml is None else row.quantity_ml / 1000,
        containers=containers,
        container_l=None if row.container_ml is None else row.container_ml / 1000,
        pieces=row.pieces,
        source=row.source,
    )
