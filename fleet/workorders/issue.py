"""Draft orders: from what is due, by hand, and each night."""

import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from django.db import IntegrityError, transaction
from django.db.models import Exists, OuterRef, Q, QuerySet

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.due.listing import life_used
from fleet.due.models import DueDate, DueEarlier, Service
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import Right
from fleet.reads import Ids, Read, Rows, prepared, reader, side_by_side
from fleet.today import today_at
from fleet.vehicles.models import Compartment, Vehicle
from fleet.workorders import lines, needed, progress
from fleet.workorders.bays import check_raising
from fleet.workorders.book_minutes import book_minutes
from fleet.workorders.due_soon import IN_NO_OPEN_JOB, DueSoon, due_soon
from fleet.workorders.events import note_event
from fleet.workorders.models import Finding, Job, OrderEvent, Raising, WorkOrder

OtherWork = tuple[str, int]  # what, and minutes


@dataclass(frozen=True, kw_only=True)
class OrderDraft:
    """What is to be done on one vehicle, when and how."""

    vehicle_id: int
    service_ids: Sequence[int] = ()
    other_work: Sequence[OtherWork] = ()
    planned_on: date | None = None
    why_it_stands: str = ""  # that day, where it was asked about
    assigned_to: Person | None = None
    raising: str = Raising.LIFT
    where: str = WorkOrder.Where.OWN
    reason: str = ""
    follows: Finding | None = None
    join_early: bool = False  # with services within their early window
    override_reason: str = ""  # why it is raised so

    def why(self, services: Sequence[Service]) -> str:
        """The reason, with why it is raised so where that was asked about."""
        own, ids = self.where == WorkOrder.Where.OWN, [service.pk for service in services]
        if own and check_raising(self.raising, ids, override_reason=self.override_reason):
            so = f"on {self.raising}: {self.override_reason.strip()}"
            return "; ".join(filter(None, (self.reason, so)))
        return self.reason


def draft(actor: Actor, wanted: OrderDraft) -> WorkOrder:
    """Draft one order for a vehicle, with what was chosen; only when asked, services within their
    early window join it.

    Jobs are added by service id here and by night, so that two who draft at once never wait for
    each other in a circle.

    Raises
    ------
    Forbidden
        The person may not release orders at the vehicle's depot.
    Fault
        Nothing to do, a service of another vehicle type, one that has an open job already, or
        on the ground although a step raises the vehicle or goes under it.
    Question
        On ramps, although the vehicle must stand level; with a reason it goes through.
    """
    vehicle = Vehicle.objects.select_related("depot").get(pk=wanted.vehicle_id)
    actor.must(Right.RELEASE, vehicle.depot)
    services, follows = services_of(vehicle, wanted.service_ids), wanted.follows
    if not services and not wanted.other_work:
        raise Fault(
            "An order needs at least one service, or other work in words.", about="services"
        )
    with transaction.atomic():
        refuse_open(vehicle, services)
        if wanted.join_early and wanted.where == WorkOrder.Where.OWN and services:
            services += _joining(actor, vehicle, {service.pk for service in services})
            services.sort(key=lambda service: service.pk)
        why = wanted.why(services)
        order = _new_order(
            vehicle,
            planned_on=wanted.planned_on,
            why_it_stands=wanted.why_it_stands,
            assigned_to=wanted.assigned_to,
            raising=wanted.raising,
            where=wanted.where,
            reason=wanted.reason,
            follows=follows,
        )
        put_on(order, services, wanted.other_work, follows.compartment if follows else None)
        note_event(actor, order, "draft", to_state=order.state, reason=why[:300])
    return order


def services_of(vehicle: Vehicle, service_ids: Sequence[int]) -> list[Service]:
    """Services of a vehicle by their ids, or a Fault where one is not its own."""
    rows = Service.objects.filter(pk__in=service_ids).order_by("pk")
    found = list(rows.select_related("compartment", "procedure"))
    foreign = [service for service in found if service.vehicle_type_id != vehicle.vehicle_type_id]
    if foreign or len(found) != len(set(service_ids)):
        raise Fault(
            f"{vehicle} has no such service: look at its page for those it has.", about="services"
        )
    return found


def refuse_open(vehicle: Vehicle, services: Sequence[Service]) -> None:
    """Refuse services that an open job has already."""
    taken = Job.objects.filter(vehicle=vehicle, service__in=services, state=Job.State.OPEN)
    for job in taken.select_related("order", "service"):
        name = job.service.name if job.service else job
        raise Refused(f"{name} is on {job.order} already.", about="services")


@reader
def services_with_open_job(vehicle: Vehicle) -> Read[list[Any]]:
    """Every service of a vehicle by name, with whether an order has it open."""
    found = _services_of(vehicle.pk, vehicle.vehicle_type_id)
    yield [found]
    return list(found)


@prepared
def _services_of(vehicle_id: int, vehicle_type_id: int) -> Rows:
    open_jobs = Job.objects.filter(vehicle=vehicle_id, service=OuterRef("pk"), state=Job.State.OPEN)
    rows = Service.objects.filter(vehicle_type=vehicle_type_id)
    return rows.annotate(has_open_job=Exists(open_jobs)).order_by("name", "pk")


@reader
def services_without_open_job(vehicle: Vehicle) -> Read[list[Service]]:
    """What may still be put on an order of a vehicle, by name."""
    found = yield from services_with_open_job.steps(vehicle)
    return [one for one in found if not one.has_open_job]


def _joining(actor: Actor, vehicle: Vehicle, chosen: set[int]) -> list[Service]:
    """Services within their early window that no open job has."""
    today = today_at(vehicle.depot.zone, actor.now)
    rows = (
        DueDate.objects.filter(_in_no_hands([vehicle.pk]), vehicle=vehicle, history_known=True)
        .exclude(service__in=chosen)
        .select_related("service__compartment", "service__procedure")
    )
    found = lines.lines([vehicle.pk])
    return [row.service for row in rows if _joins(row, today, found)]


def _joins(row: DueDate, today: date, found: lines.Lines) -> bool:
    return lines.joins(row, found) or in_early_window(row, today)


@reader
def joining(vehicle_ids: Collection[int], today: date) -> Read[dict[int, list[Service]]]:
    """What would join an order drafted today, for each of some vehicles; one query."""
    found: dict[int, list[Service]] = defaultdict(list)
    soonest, waiting = yield from side_by_side(
        _in_no_hands_of(vehicle_ids), lines.lines.steps(vehicle_ids)
    )
    for row in soonest:
        if _joins(row, today, waiting):
            found[row.vehicle_id].append(row.service)
    return found


@prepared
def _in_no_hands_of(vehicle_ids: Ids) -> Rows:
    rows = DueDate.objects.filter(
        _in_no_hands(vehicle_ids), vehicle__in=vehicle_ids, history_known=True
    )
    return rows.select_related("service").order_by("sort_on")


def in_early_window(row: DueDate, today: date) -> bool:
    """Whether a service may be done early already, or should be done."""
    used = life_used(vars(row), today)
    called = row.p50 is not None and row.p50 <= today
    return called or (used is not None and used >= 1 - row.service.early_share)


def _new_order(vehicle: Vehicle, **given: object) -> WorkOrder:
    order = WorkOrder.objects.create(
        number=uuid.uuid4().hex[:20], vehicle=vehicle, depot=vehicle.depot, **given
    )
    order.number = number_of(order.pk)
    order.save(update_fields=["number"])
    return order


def numbered(orders: Iterable[WorkOrder]) -> list[WorkOrder]:
    """Save many new orders, and give each the number it is called by."""
    rows = list(orders)
    for row in rows:
        row.number = uuid.uuid4().hex[:20]  # as long as its id is not known
    WorkOrder.objects.bulk_create(rows)
    for row in rows:
        row.number = number_of(row.pk)
    ids = np.array([row.pk for row in rows], dtype=np.int64)
    numbers = np.array([row.number for row in rows], dtype=object)
    bulk.update(WorkOrder, {"id": ids, "number": numbers})
    return rows


def empty_draft(actor: Actor, vehicle: Vehicle, reason: str) -> WorkOrder:
    """A drafted order without jobs, which the caller puts on it in the same transaction."""
    order = _new_order(vehicle)
    note_event(actor, order, "draft", to_state=order.state, reason=reason)
    return order


def number_of(order_id: int) -> str:
    """The number an order is called by; it follows the row's own id, so that no two share it."""
    return f"W-{order_id:06}"


def put_on(
    order: WorkOrder,
    services: Sequence[Service],
    other_work: Sequence[OtherWork],
    compartment: Compartment | None = None,
) -> None:
    """Add rows of jobs, other work on this compartment; the event is the caller's."""
    book_min = book_minutes([service.pk for service in services])
    for service in services:
        try:
            with transaction.atomic():
                Job.objects.create(
                    order=order,
                    vehicle=order.vehicle,
                    service=service,
                    title=service.name,
                    minutes=book_min.get(service.pk, 0),
                )
        except IntegrityError:
            raise Refused(
                f"{service.name} has just been put on another order.", about="services"
            ) from None
    for title, minutes in other_work:
        Job.objects.create(
            order=order,
            vehicle=order.vehicle,
            compartment=compartment,
            title=title,
            minutes=minutes,
        )
    needed.keep([order.pk])


# --- each night ----------------------------------------------------------------------------
def draft_due(actor: Actor, today: date, depot_ids: Sequence[int] | None = None) -> int:
    """Draft what is overdue or may fall due within the days of the setting; give the orders made.

    One order per vehicle. Vehicles off the road are left alone, and so is whatever has an open
    job; two nights at once make one order. Rounds that fall due join, and are no reason for one.
    """
    rows = _due_soon(today, depot_ids)
    if not rows:
        return 0
    by_vehicle: dict[int, list[DueSoon]] = defaultdict(list)
    called = bulk.has(DueEarlier, "withdrawn_at IS NULL")
    waiting = lines.lines(row.vehicle_id for row in rows) if called else {}
    alone = [row for row in rows if (row.vehicle_id, row.service_id) not in waiting]
    for row in alone:
        if not row.is_round:
            by_vehicle[row.vehicle_id].append(row)
    rounds = [row for row in alone if row.is_round and row.vehicle_id in by_vehicle]
    for row in [*_waiting_rows(waiting, by_vehicle), *rounds]:
        by_vehicle[row.vehicle_id].append(row)
    made = 0
    ids = sorted(by_vehicle)
    for begin in range(0, len(ids), 500):
        chunk = {pk: by_vehicle[pk] for pk in ids[begin : begin + 500]}
        made += _draft_chunk(actor, chunk)
    return made


def _due_soon(today: date, depot_ids: Sequence[int] | None) -> list[DueSoon]:
    here, params = "1 = 1", list[Any]()
    if depot_ids is not None:
        here, params = bulk.among("d.depot_id", np.array(depot_ids))
    # few: put in order here, for in order SQLite would look through all due dates there are
    found = due_soon(today, f"{IN_NO_OPEN_JOB} AND {here}", params)
    if not found:
        return []
    done = set(done_before_the_end().values_list("vehicle", "service"))  # few: of today
    return sorted(row for row in found if row[:2] not in done)


def _waiting_rows(waiting: lines.Lines, vehicle_ids: Collection[int]) -> list[DueSoon]:
    """Lines of vehicles that get an order anyway, which join it."""
    here = {pair for pair in waiting if pair[0] in vehicle_ids}
    if not here:
        return []
    vehicles = sorted({pair[0] for pair in here})
    rows = DueDate.objects.filter(
        _in_no_hands(vehicles),
        vehicle__in=vehicles,
        service__in={pair[1] for pair in here},
    ).values_list(
        *("vehicle_id", "service_id", "depot_id", "remaining_km"),
        *("service__is_round", "service__name"),
    )
    book_min = book_minutes({pair[1] for pair in here})
    found = (DueSoon._make([*row, book_min.get(row[1])]) for row in rows)
    return [row for row in found if lines.joins(row, waiting)]


def _in_no_hands(vehicle_ids: Collection[int]) -> Q:
    """Of due dates of some vehicles: no order has the service open, or done and not finished yet.

    The jobs are picked by the vehicles, too: PostgreSQL would else go through those of all orders.
    """
    mine = Job.objects.filter(vehicle__in=vehicle_ids)
    done = done_before_the_end().filter(order__vehicle__in=vehicle_ids)
    return ~Exists(_of_row(mine.filter(state=Job.State.OPEN))) & ~Exists(_of_row(done))


def done_before_the_end() -> QuerySet[Job]:
    """Jobs that are done, and of which the finish of their order makes a service done."""
    return Job.objects.filter(state=Job.State.DONE, order__state__in=progress.BEFORE_THE_END)


def _of_row(jobs: QuerySet[Job]) -> QuerySet[Job]:
    return jobs.filter(vehicle=OuterRef("vehicle"), service=OuterRef("service"))


def _draft_chunk(actor: Actor, by_vehicle: dict[int, list[DueSoon]]) -> int:
    with transaction.atomic():
        order_ids = bulk.new_ids(WorkOrder, len(by_vehicle))
        bulk.insert(WorkOrder, _orders(order_ids, by_vehicle))
        # another night, or a person, may have been quicker
        bulk.upsert(Job, _jobs(order_ids, by_vehicle), key=[])
        where, params = bulk.among("order_id", order_ids)
        sql = f"SELECT DISTINCT order_id FROM workorders_job WHERE {where} ORDER BY order_id"  # noqa: S608
        filled = bulk.read(sql, params, {"order_id": "i8"})["order_id"]
        if len(empty := np.setdiff1d(order_ids, filled)):
            WorkOrder.objects.filter(pk__in=empty.tolist()).delete()
        needed.keep(filled.tolist())
        event = OrderEvent(
            what="draft",
            to_state=WorkOrder.State.DRAFTED,
            channel=actor.channel,
            request_id=actor.request_id,
            performed_at=actor.at,
        )
        bulk.insert(OrderEvent, bulk.like(event, {"order_id": filled}))
    return len(filled)


def _orders(order_ids: Array, by_vehicle: dict[int, list[DueSoon]]) -> bulk.Columns:
    numbers = [number_of(pk) for pk in order_ids.tolist()]
    given = {
        "id": order_ids,
        "number": np.array(numbers, dtype=object),
        "vehicle_id": np.array(list(by_vehicle), dtype=np.int64),
        "depot_id": np.array([rows[0].depot_id for rows in by_vehicle.values()], dtype=np.int64),
    }
    return bulk.like(WorkOrder(), given)


def _jobs(order_ids: Array, by_vehicle: dict[int, list[DueSoon]]) -> bulk.Columns:
    listed = [row for rows in by_vehicle.values() for row in rows]
    counts = [len(rows) for rows in by_vehicle.values()]
    given = {
        "order_id": np.repeat(order_ids, counts),
        "vehicle_id": np.repeat(np.array(list(by_vehicle), dtype=np.int64), counts),
        "service_id": np.array([row.service_id for row in listed], dtype=np.int64),
        "title": np.array([row.name for row in listed], dtype=object),
        "minutes": np.array([row.minutes or 0 for row in listed], dtype=np.int64),
    }
    return bulk.like(Job(), given)
