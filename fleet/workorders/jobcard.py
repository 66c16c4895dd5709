"""Everything a mechanic needs at the vehicle, on one card: page, print and API show the same."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from fleet.due.models import Service
from fleet.faults import Fault
from fleet.reads import (
    Ids,
    Read,
    Rows,
    ask,
    prepared,
    prepared_copied,
    reader,
    referring,
    side_by_side,
)
from fleet.today import today_at
from fleet.vehicles.find import Depots
from fleet.vehicles.own_unit import units_of
from fleet.workorders.book import Book
from fleet.workorders.cardfluids import CardFigure, CardFluid, CardMaterial, Supplies, supplies
from fleet.workorders.cardsteps import (
    CardCaution,
    CardFastener,
    CardReCheck,
    CardStep,
    Setting,
    setting_of,
)
from fleet.workorders.elsewhere import DueElsewhere, due_elsewhere
from fleet.workorders.fit import told
from fleet.workorders.models import (
    Caution,
    Finding,
    Job,
    Material,
    Procedure,
    WorkOrder,
    Wrench,
)
from fleet.workorders.stops import Stops, stops

MAKER_FIRST = (
    "The vehicle maker's current data, the rating plates of the equipment and local codes come "
    "first. Work that the law reserves is for licensed people."
)
NO_PROCEDURE = "No procedure is entered for this service: work by the maker's current book."


@dataclass(frozen=True)
class CardJob:
    id: int
    title: str
    service: str  # slug; empty: other work, in words
    compartment: str  # slug; empty: none is named
    compartment_name: str
    state: str
    reason: str  # why it was not, or not all, done
    reason_text: str
    family: str
    minutes: int
    edition: str
    source: str
    steps: tuple[CardStep, ...]
    tools: tuple[str, ...]
    fasteners: tuple[CardFastener, ...]
    fluid: CardFluid | None
    materials: tuple[CardMaterial, ...]
    figures: tuple[CardFigure, ...]  # that are measured
    used_fluid: str  # class to collect it under; empty: none comes out
    wheel_nut_torque_nm: float | None
    retorque_after_km: float | None
    re_check: str  # what to look at again, and when; empty: nothing
    printed_only: bool  # no rule stands behind that: it is printed, and never due
    re_checks: tuple[CardReCheck, ...]  # to record now: the job looks again after another
    note: str
    cautions: tuple[CardCaution, ...]  # where no steps are entered
    unsound: tuple[str, ...]  # what the procedure lacks by today's rules

    @property
    def fill_l(self) -> float | None:
        """What the procedure puts into the compartment [L]; None: it names no quantity."""
        fluids = [one for one in self.materials if one.kind == Material.Kind.FLUID]
        return sum(one.litres or 0 for one in fluids if not one.only_when_recorded) or None


@dataclass(frozen=True)
class CardWrench:
    tag: str  # as engraved
    calibrated_until_on: date
    in_calibration: bool  # today, at its depot


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
    restrictions: tuple[str, ...]  # that stand on the vehicle
    open_findings: tuple[str, ...]
    also_due: tuple[DueElsewhere, ...]  # on this vehicle, on other orders
    wrenches: tuple[CardWrench, ...]  # of the depot, those in calibration first
    maker_first: str
    jobs: tuple[CardJob, ...]


def card(order_id: int, depots: Depots) -> Card:
    """Put the card of an order together, for who sees some depots.

    Raises
    ------
    Fault
        There is no such order.
    """
    found = cards([order_id], depots)
    if not found:
        raise Fault(f"There is no work order {order_id}.")
    return found[order_id]


@reader
def card_of(order: WorkOrder, depots: Depots) -> Read[Card]:
    """The card of an order that has been read already."""
    found = yield from _cards({order.pk: order}, depots)
    return found[order.pk]


def cards(order_ids: Sequence[int], depots: Depots) -> dict[int, Card]:
    """The cards of many orders, by order id, with the same few queries whatever their number."""
    if not order_ids:
        return {}
    return ask(_cards({order.pk: order for order in _orders(order_ids)}, depots))


@prepared_copied
def _orders(order_ids: Ids) -> Rows:
    rows = WorkOrder.objects.filter(pk__in=order_ids).order_by()
    beside = rows.select_related("vehicle__vehicle_type", "depot", "assigned_to")
    return beside.defer("assigned_to__password")  # which is not to stay in memory


def _cards(found: Mapping[int, WorkOrder], depots: Depots) -> Read[dict[int, Card]]:
    vehicle_ids = {order.vehicle_id for order in found.values()}
    jobs, open_findings, also_due, stand, cautions, wrenches = yield from side_by_side(
        _jobs(found),
        _open_findings(vehicle_ids),
        due_elsewhere.steps(found.values(), depots),
        stops.steps(vehicle_ids),
        _every_caution(),
        _wrenches({order.depot_id for order in found.values()}),
    )
    cautions = list(cautions)
    every = [job for kept in jobs.values() for job in kept]
    units, stores = yield from side_by_side(
        _books(every),
        supplies.steps([(order, job) for pk, order in found.items() for job in jobs[pk]]),
    )
    book = Book(cautions)
    return {
        pk: _card(
            order,
            [_job(order, setting, job, book, stores) for job in jobs[pk]],
            stand,
            open_findings[order.vehicle_id],
            also_due.get(pk, ()),
            wrenches[order.depot_id],
        )
        for pk, order in found.items()
        for setting in [setting_of(order, units.get(order.vehicle_id, "km"))]
    }


@prepared_copied
def _every_caution() -> Rows:
    return Caution.objects.all()


@prepared_copied
def _jobs_of(order_ids: Ids) -> Rows:
    rows = Job.objects.filter(order__in=order_ids).exclude(state=Job.State.DROPPED)
    return rows.select_related("compartment").order_by("pk")


@prepared_copied
def _services(pks: Ids) -> Rows:
    rows = Service.objects.filter(pk__in=pks)
    return rows.select_related("procedure", "compartment", "vehicle_type")


def _jobs(order_ids: Ids) -> Read[dict[int, list[Job]]]:
    rows = _jobs_of(order_ids)
    yield [rows]
    by_order: dict[int, list[Job]] = defaultdict(list)
    for job in rows:
        by_order[job.order_id].append(job)
    # one object for all jobs of a service, beside which its book is laid once
    if wanted := {job.service_id for job in rows if job.service_id is not None}:
        services = _services(wanted)
        yield [services]
        found = {service.pk: service for service in services}
        for job in rows:
            job.service = found.get(job.service_id or 0)
    return by_order


def _books(jobs: Sequence[Job]) -> Read[dict[int, str]]:
    """Lay beside the services and procedures of jobs all that their cards tell of them; and the
    units of the odometers, where a card tells a distance."""
    services = list({job.service.pk: job.service for job in jobs if job.service}.values())
    books = [service.procedure for service in services if hasattr(service, "procedure")]
    yield from side_by_side(
        referring(services, "figures", re_check_rules=["procedure"]),
        referring(
            books,
            *("re_check_rules", "steps", "fasteners", "tools"),
            materials=["specification", "item"],
        ),
    )
    rules = [rule for service in services for rule in service.re_check_rules.all()]
    after = [rule for book in books for rule in book.re_check_rules.all()]
    driven = any(rule.to_km is not None for rule in (*rules, *after))
    units: dict[int, str]
    _, units = yield from side_by_side(
        referring([rule.procedure for rule in rules], "fasteners", "steps", "tools"),
        units_of.steps({job.vehicle_id for job in jobs} if driven else ()),
    )
    return units


@prepared
def _findings(vehicle_ids: Ids) -> Rows:
    return Finding.objects.filter(vehicle__in=vehicle_ids, closed_at=None, withdrawn_by=None)


def _open_findings(vehicle_ids: Ids) -> Read[dict[int, list[str]]]:
    rows = _findings(vehicle_ids)
    yield [rows]
    by_vehicle: dict[int, list[str]] = defaultdict(list)
    for finding in rows:
        by_vehicle[finding.vehicle_id].append(str(finding))
    return by_vehicle


@prepared_copied
def _wrenches_at(depot_ids: Ids) -> Rows:
    wrenches = Wrench.objects.filter(depot__in=depot_ids).select_related("depot")
    return wrenches.order_by("-calibrated_until_on", "tag")


def _wrenches(depot_ids: Ids) -> Read[dict[int, list[CardWrench]]]:
    rows = _wrenches_at(depot_ids)
    yield [rows]
    by_depot: dict[int, list[CardWrench]] = defaultdict(list)
    for row in rows:
        valid = row.valid_on(today_at(row.depot.zone))
        by_depot[row.depot_id].append(CardWrench(row.tag, row.calibrated_until_on, valid))
    return by_depot


def _card(
    order: WorkOrder,
    jobs: Sequence[CardJob],
    stand: Stops,
    open_findings: Sequence[str],
    also_due: tuple[DueElsewhere, ...],
    wrenches: Sequence[CardWrench],
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
        do_not_use=stand.do_not_use.get(order.vehicle_id, ""),
        restrictions=tuple(stand.restricted.get(order.vehicle_id, ())),
        open_findings=tuple(open_findings),
        also_due=also_due,
        wrenches=tuple(wrenches),
        maker_first=MAKER_FIRST,
        jobs=tuple(jobs),
    )


def _job(order: WorkOrder, setting: Setting, job: Job, book: Book, stores: Supplies) -> CardJob:
    procedure: Procedure | None = getattr(job.service, "procedure", None)
    if procedure is None:
        return _bare(order, setting, job, book, stores)
    page, nuts_nm = book.page(setting, procedure), procedure.wheel_nut_torque_nm
    return CardJob(
        id=job.pk,
        title=job.title,
        **_where(job),
        state=job.state,
        reason=job.reason,
        reason_text=job.reason_text,
        family=procedure.family,
        minutes=procedure.minutes,
        edition=procedure.edition,
        source=procedure.source,
        steps=page.steps,
        tools=page.tools,
        fasteners=page.fasteners,
        fluid=stores.fluid(order, job),
        materials=stores.materials(order, job, page.materials),
        figures=stores.measured(order, job),
        used_fluid=procedure.used_fluid_class,
        wheel_nut_torque_nm=nuts_nm and told(nuts_nm),
        retorque_after_km=page.retorque_after_km,
        re_check=page.re_check,
        printed_only=page.printed_only,
        re_checks=page.re_checks,
        note=procedure.note,
        cautions=(),
        unsound=page.lacking,
    )


def _where(job: Job) -> dict[str, Any]:
    return {
        "service": job.service.slug if job.service else "",
        "compartment": job.place.slug if job.place else "",
        "compartment_name": job.place.name if job.place else "",
    }


def _bare(order: WorkOrder, setting: Setting, job: Job, book: Book, stores: Supplies) -> CardJob:
    """A job without a procedure: other work, a service whose book is not entered, or a re-check,
    which tells of what its rules look at again; into what is only tightened no fluid goes."""
    rules = job.service.re_check_rules.all() if job.service else ()
    fluid = None if rules and all(rule.fastener for rule in rules) else stores.fluid(order, job)
    return CardJob(
        id=job.pk,
        title=job.title,
        **_where(job),
        state=job.state,
        reason=job.reason,
        reason_text=job.reason_text,
        family="other",
        minutes=max((rule.minutes for rule in rules), default=job.minutes),
        edition="",
        source="",
        steps=(),
        tools=(),
        fasteners=(),
        fluid=fluid,
        materials=(),
        figures=stores.measured(order, job),
        used_fluid="",
        wheel_nut_torque_nm=None,
        retorque_after_km=None,
        re_check="",
        printed_only=False,
        re_checks=book.re_checks(setting, job.service) if job.service else (),
        note=NO_PROCEDURE if job.service and not rules else "",
        cautions=book.re_check_cautions(setting, job.service)
        if rules
        else book.cautions(setting, job.place.kind if job.place else ""),
        unsound=(),
    )
