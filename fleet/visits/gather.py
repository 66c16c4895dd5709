"""Everything a depot's plan rests on: what falls due, who is there, what stands already."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from django.db.models import Q, QuerySet

from fleet.calc.arrays import Array
from fleet.due.listing import life_used
from fleet.due.models import DueDate
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits.bay_fit import unsaid
from fleet.visits.labour import labour, of_job, waits, without_minutes
from fleet.visits.models import (
    Absence,
    OtherWork,
    Plan,
    ServiceNeed,
    SparedType,
    Visit,
    Workshop,
)
from fleet.visits.other_work import keys_of, to_plan
from fleet.visits.parts import Part, gather_parts
from fleet.visits.places import Places, day_it_takes, gather_places, next_open
from fleet.workorders.issue import done_before_the_end
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.progress import UNDER_WAY

FROZEN_D = 7  # our choice: a night moves no visit nearer than this
FIRM = (WorkOrder.State.RELEASED, WorkOrder.State.STARTED, WorkOrder.State.WAITING)
PLANNED = (Vehicle.Status.IN_USE, Vehicle.Status.HIRED_IN)


@dataclass(frozen=True)
class Wanted:
    """A service that falls due, days counted from the plan's first day [d]; or other work, whose
    ``service_id`` is minus its id."""

    vehicle_id: int
    service_id: int
    name: str
    quantiles_d: tuple[tuple[float, float, float], ...]  # by km, by hours, by neither
    calendar_d: float
    first_d: float  # its early window begins
    interval_d: float
    check: bool
    work_min: int
    wait_min: int
    second_min: int
    skills: tuple[str, ...]

    @property
    def due_d(self) -> float:
        """The day it is expected to be due; inf: whenever the vehicle is in [d]."""
        days = (*(p50 for _, p50, _ in self.quantiles_d), self.calendar_d)
        return float(min((day for day in days if np.isfinite(day)), default=np.inf))


@dataclass(frozen=True)
class Standing:
    """A visit that stands: an order with a day, or a visit of the plan before that is near."""

    vehicle_id: int
    day: int
    work_min: int
    wait_min: int
    order: str  # its number; empty: of the plan before, or other work with a fixed day
    service_ids: tuple[int, ...]
    skills: tuple[str, ...] = ()
    locked: bool = False  # a person chose its day, and
    bay: str = ""  # its bay; empty: any that carries it
    second_min: int = 0  # of a second person
    begun: bool = False  # so that nobody can choose another day
    person_id: int | None = None  # who has its order
    because: str = ""  # why a fixed day stands on which the vehicle cannot come


@dataclass(frozen=True)
class Gathered:
    """One depot on one day."""

    depot: Depot
    workshop: Workshop
    today: date
    days: int
    places: Places
    spared: tuple[SparedType, ...]  # types of which so many a day can be spared
    vehicles: tuple[Vehicle, ...]  # with something to plan, by fleet number
    away: Array  # (v, H)
    wanted: tuple[Wanted, ...]  # by vehicle as above
    standing: tuple[Standing, ...]
    committed: tuple[Wanted, ...]  # services of what stands, as far as they fall due
    before: dict[tuple[int, int], int]  # vehicle, service → day in the plan before
    newest_plan_id: int | None
    newest_version: int  # of that plan; 0: there is none
    parts: tuple[Part, ...]  # of which there may be too few
    lacking: tuple[str, ...]


def gather(depot: Depot, today: date, days: int) -> Gathered:
    """Read one depot; a constant number of queries."""
    workshop = Workshop.of(depot)
    newest = Plan.objects.filter(depot=depot).order_by("-id").first()
    orders, ordered = _orders(depot, today, days)
    works = list(_works(depot))
    fixed = _fixed(works, today, days, ordered)
    free = tuple(_of_work(one, today) for one in works if not _is_fixed(one, today))
    every = (*_as_wanted(depot, list(_due(depot, today, days)), today, days), *free)
    rows = tuple(w for w in every if (w.vehicle_id, w.service_id) not in ordered)
    near, before = _before(newest, today, days, {(w.vehicle_id, w.service_id): w for w in rows})
    taken = {(one.vehicle_id, pk) for one in near for pk in one.service_ids}
    wanted = tuple(w for w in rows if (w.vehicle_id, w.service_id) not in taken)
    stands = (*orders, *fixed, *near)
    ids = {w.vehicle_id for w in rows} | {one.vehicle_id for one in stands}
    found = Vehicle.objects.filter(pk__in=ids).select_related("vehicle_type")
    vehicles = tuple(found.order_by("fleet_number"))
    order = {vehicle.pk: at for at, vehicle in enumerate(vehicles)}
    places = gather_places(depot, workshop, today, days)
    named = {row.service_id: row.name for row in rows if row.service_id > 0}
    parts, uncounted = gather_parts(depot, [*_pairs(wanted), *pairs_of(stands)], today)
    return Gathered(
        depot=depot,
        workshop=workshop,
        today=today,
        days=days,
        places=places,
        spared=tuple(SparedType.objects.filter(depot=depot).select_related("vehicle_type")),
        vehicles=vehicles,
        away=_away(vehicles, today, days),
        wanted=tuple(sorted(wanted, key=lambda w: (order[w.vehicle_id], w.service_id))),
        standing=stands,
        committed=_services_of_standing(stands, every),
        before=before,
        newest_plan_id=newest.pk if newest else None,
        newest_version=newest.version if newest else 0,
        parts=parts,
        lacking=(
            *(*places.lacking, *unsaid(vehicles, places)),
            *(*without_minutes(depot, named), *uncounted),
        ),
    )


def _pairs(wanted: Collection[Wanted]) -> list[tuple[int, int]]:
    return [(one.vehicle_id, one.service_id) for one in wanted if one.service_id > 0]


def pairs_of(standing: Collection[Standing]) -> list[tuple[int, int]]:
    """Vehicle and service of what stands, other work left out."""
    return [(one.vehicle_id, pk) for one in standing for pk in one.service_ids if pk > 0]


def _orders(
    depot: Depot, today: date, days: int
) -> tuple[tuple[Standing, ...], set[tuple[int, int]]]:
    """Orders that have a day or are begun; and the services on them, which are planned thereby,
    with those done on an order that is not finished yet.

    A day set by hand on a draft is a lock.
    """
    open_jobs = Job.objects.filter(
        Q(order__state__in=UNDER_WAY)
        | Q(order__state__in=[*FIRM, WorkOrder.State.DRAFTED], order__planned_on__isnull=False),
        order__depot=depot,
        state=Job.State.OPEN,
    )
    by_order: dict[int, list[Job]] = defaultdict(list)
    for job in open_jobs.select_related("order").order_by("order_id", "id"):
        by_order[job.order_id].append(job)
    done = done_before_the_end().filter(order__depot=depot).select_related("order")
    here = [*done, *(job for jobs in by_order.values() for job in jobs)]
    keys = keys_of(here)
    service_ids = {j.service_id for js in by_order.values() for j in js if j.service_id}
    wait_min, minutes = waits(service_ids), labour(depot, service_ids, today)
    needs, open_on = _needs(), next_open(depot, today)
    standing = []
    for jobs in by_order.values():
        order = jobs[0].order
        day = ((day_it_takes(order, today, open_on) or open_on) - today).days
        services = tuple(keys[job.pk] for job in jobs if job.pk in keys)
        if day < days and order.where == WorkOrder.Where.OWN:
            standing.append(
                Standing(
                    vehicle_id=order.vehicle_id,
                    day=day,
                    work_min=sum(
                        of_job(job, minutes.get(job.service_id or 0)).minutes for job in jobs
                    ),
                    wait_min=max((wait_min.get(pk, 0) for pk in services), default=0),
                    order=order.number,
                    service_ids=services,
                    skills=_skills(needs, services),
                    second_min=sum(needs[pk].second_min for pk in services if pk in needs),
                    because=order.why_it_stands,
                    begun=order.state in UNDER_WAY,
                    person_id=order.assigned_to_id,
                )
            )
    ordered = {(job.vehicle_id, keys[job.pk]) for job in here if job.pk in keys}
    return tuple(standing), ordered


# --- other work ----------------------------------------------------------------------------
def _works(depot: Depot) -> QuerySet[OtherWork]:
    return to_plan().filter(vehicle__depot=depot, vehicle__status__in=PLANNED).order_by("pk")


def _is_fixed(work: OtherWork, today: date) -> bool:
    """Whether its day stands; one that is past is due at once."""
    return work.fixed_on is not None and work.fixed_on >= today


def _fixed(
    works: Collection[OtherWork], today: date, days: int, ordered: Collection[tuple[int, int]]
) -> tuple[Standing, ...]:
    """Visits of other work whose day stands and that no order has."""
    return tuple(
        Standing(
            vehicle_id=one.vehicle_id,
            day=(one.fixed_on - today).days,
            work_min=one.minutes,
            wait_min=0,
            order="",
            service_ids=(-one.pk,),
            skills=tuple(one.skills),
            locked=True,
            because=one.why_it_stands,
        )
        for one in works
        if one.fixed_on is not None and today <= one.fixed_on < today + timedelta(days=days)
        if (one.vehicle_id, -one.pk) not in ordered
    )


def _of_work(one: OtherWork, today: date) -> Wanted:
    """Other work as a service that is due on its latest day, or whenever the vehicle is in."""
    none = (np.nan,) * 3
    latest_on = one.latest_on or one.fixed_on
    return Wanted(
        vehicle_id=one.vehicle_id,
        service_id=-one.pk,
        name=str(one),
        quantiles_d=(none, none, none),
        calendar_d=np.nan if latest_on is None else float((latest_on - today).days),
        first_d=0.0,
        interval_d=np.inf,  # nothing is thrown away where it is done early
        check=False,
        work_min=one.minutes,
        wait_min=0,
        second_min=0,
        skills=tuple(one.skills),
    )


def _needs() -> dict[int, ServiceNeed]:
    """What services ask of whoever does them, by service; few have a row."""
    return {need.service_id: need for need in ServiceNeed.objects.all()}


def _skills(needs: dict[int, ServiceNeed], service_ids: tuple[int, ...]) -> tuple[str, ...]:
    asked = {skill for pk in service_ids if pk in needs for skill in needs[pk].skills}
    return tuple(sorted(asked))


def _services_of_standing(
    standing: tuple[Standing, ...], every: tuple[Wanted, ...]
) -> tuple[Wanted, ...]:
    pairs = {(one.vehicle_id, pk) for one in standing for pk in one.service_ids}
    return tuple(one for one in every if (one.vehicle_id, one.service_id) in pairs)


def wanted_of(
    depot: Depot, vehicle_id: int, service_ids: Collection[int], today: date, days: int
) -> tuple[Wanted, ...]:
    """Some services and other work of one vehicle, whether an order has them or not."""
    found = _due(depot, today, days).filter(vehicle=vehicle_id, service__in=service_ids)
    works = _works(depot).filter(pk__in=[-pk for pk in service_ids if pk < 0])
    free = (_of_work(one, today) for one in works if not _is_fixed(one, today))
    return (*_as_wanted(depot, list(found.order_by("service_id")), today, days), *free)


def _due(depot: Depot, today: date, days: int) -> QuerySet[DueDate]:
    return DueDate.objects.filter(
        vehicle__depot=depot,
        vehicle__status__in=PLANNED,
        history_known=True,
        sort_on__lte=today + timedelta(days=days + 366),
    ).select_related("service")


def _as_wanted(depot: Depot, rows: list[DueDate], today: date, days: int) -> tuple[Wanted, ...]:
    service_ids = {row.service_id for row in rows}
    wait_min, minutes, needs = waits(service_ids), labour(depot, service_ids, today), _needs()
    wanted = (
        _wanted(
            row,
            today,
            minutes[row.service_id].minutes,
            wait_min.get(row.service_id, 0),
            needs.get(row.service_id),
        )
        for row in rows
    )
    return tuple(one for one in wanted if one is not None and one.first_d < days)


def _wanted(
    row: DueDate, today: date, work_min: int, wait_min: int, need: ServiceNeed | None
) -> Wanted | None:
    def day(on: date | None) -> float:
        return np.nan if on is None else float((on - today).days)

    by_km = (day(row.km_p10), day(row.km_p50), day(row.km_p90))
    by_hours = (day(row.hours_p10), day(row.hours_p50), day(row.hours_p90))
    calendar_d = day(row.calendar_on)
    dated = np.isfinite([by_km[1], by_hours[1], calendar_d]).any()
    by_neither = (np.nan,) * 3 if dated else (day(row.p10), day(row.p50), day(row.p90))
    due_d = day(row.p50)
    if not np.isfinite(due_d):
        return None
    interval_d = _interval_d(row, today, due_d)
    service = row.service
    return Wanted(
        vehicle_id=row.vehicle_id,
        service_id=row.service_id,
        name=service.name,
        quantiles_d=(by_km, by_hours, by_neither),
        calendar_d=calendar_d,
        first_d=float(np.floor(due_d - service.early_share * interval_d)),
        interval_d=interval_d,
        check=service.kind == service.Kind.CHECK,
        work_min=work_min,
        wait_min=wait_min,
        second_min=need.second_min if need else 0,
        skills=tuple(need.skills) if need else (),
    )


def _interval_d(row: DueDate, today: date, due_d: float) -> float:
    """Days from one time to the next, by how much of it is used and how far the limit is."""
    used = life_used(vars(row), today)
    if used is None or used >= 0.99 or due_d <= 0:
        return 365.0  # beyond its limit a service is early no more
    return max(7.0, due_d / (1 - used))


def _before(
    newest: Plan | None, today: date, days: int, wanted: dict[tuple[int, int], Wanted]
) -> tuple[tuple[Standing, ...], dict[tuple[int, int], int]]:
    """Visits of the plan before that are too near to be moved, and the days of the others."""
    if newest is None:
        return (), {}
    near: list[Standing] = []
    later: dict[tuple[int, int], int] = {}
    visits = Visit.objects.filter(plan=newest, on__gte=today, on__lt=today + timedelta(days=days))
    for visit in visits.prefetch_related("services").order_by("id"):
        day = (visit.on - today).days
        pairs = [(one.vehicle_id, one.key, one.held) for one in visit.services.all()]
        known = [(wanted[v, s], held) for v, s, held in pairs if (v, s) in wanted]
        later.update({(one.vehicle_id, one.service_id): day for one, _ in known})
        near_by = day < FROZEN_D
        still = [
            one
            for one, held in known
            if (held and (visit.locked or near_by)) or (near_by and newest.as_of_on < today)
        ]
        if still:
            near.append(
                Standing(
                    vehicle_id=visit.vehicle_id,
                    day=day,
                    work_min=sum(one.work_min for one in still),
                    wait_min=max(one.wait_min for one in still),
                    order="",
                    service_ids=tuple(one.service_id for one in still),
                    skills=tuple(sorted({skill for one in still for skill in one.skills})),
                    locked=visit.locked,
                    bay=visit.bay if visit.locked else "",
                    second_min=sum(one.second_min for one in still),
                )
            )
    return tuple(near), later


def _away(vehicles: tuple[Vehicle, ...], today: date, days: int) -> Array:
    away = np.zeros((len(vehicles), days), dtype=bool)
    at = {vehicle.pk: number for number, vehicle in enumerate(vehicles)}
    for one in Absence.objects.filter(vehicle__in=list(at), until_on__gte=today):
        if one.vehicle_id is not None:
            first = max(0, (one.from_on - today).days)
            away[at[one.vehicle_id], first : (one.until_on - today).days + 1] = True
    return away
