"""Orders and their jobs as they are listed: one rule for pages, API and whoever asks next."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import (
    Aggregate,
    F,
    JSONField,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
)

from fleet.behind import Behind
from fleet.due.listing import by_day
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.reads import Ids, Read, Rows, prepared, reader, referring
from fleet.today import today_at
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Depot, Vehicle
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.models.orders import DAY_OR_FIRST, NEEDED_OR_LAST, StillOpen
from fleet.workorders.progress import BEFORE_THE_END

State = WorkOrder.State
Orders = QuerySet[WorkOrder, Any]  # or rows of them
AT_WORK = (State.RELEASED, State.STARTED, State.WAITING)
MOST_AT_ONCE = 200  # released by one press; our choice


def orders_at(
    depots: Depots | Ids, states: Collection[str] | None = None, among: Orders | None = None
) -> Orders:
    """Orders of some depots, in some states (default in any); ``among`` some, default all."""
    rows = (WorkOrder.objects.all() if among is None else among).filter(depot__in=depots)
    return rows if states is None else in_states(rows, states)


def in_states(rows: Orders, states: Collection[str]) -> Orders:
    """Those of some orders in some states."""
    return rows.filter(_of_states(states))


def _of_states(states: Collection[str]) -> Q:
    found = Q(state__in=states)
    return found & Q(StillOpen("state")) if {*states} <= {*WorkOrder.OPEN} else found


def orders_numbered(depot: Depot, numbers: Collection[str]) -> list[WorkOrder]:
    """Orders of a depot by their numbers, as they are now."""
    return list(WorkOrder.objects.filter(depot=depot, number__in=numbers).order_by("pk"))


def planned_for(rows: QuerySet[WorkOrder], on: date | None) -> QuerySet[WorkOrder]:
    """Those planned for a day; None: for no day yet."""
    return rows.filter(planned_on=on)


def released_without_day(depots: Depots) -> QuerySet[WorkOrder]:
    """Orders that were released, and are on nobody's list for want of a day."""
    return planned_for(orders_at(depots, [State.RELEASED]), None)


def mentioning(rows: QuerySet[WorkOrder], search: str) -> QuerySet[WorkOrder]:
    """Those with some text in their number or their vehicle's."""
    return rows.filter(Q(number__icontains=search) | Q(vehicle__fleet_number__icontains=search))


class JobList(Aggregate):
    """Jobs as one JSON array of arrays, in no certain order."""

    output_field = JSONField()
    template = "JSON_GROUP_ARRAY(JSON_ARRAY(%(expressions)s))"

    def as_postgresql(self, compiler: Any, connection: Any, **context: Any) -> Any:
        template = "JSONB_AGG(JSONB_BUILD_ARRAY(%(expressions)s))"
        return self.as_sql(compiler, connection, template=template, **context)


def with_jobs(rows: QuerySet[WorkOrder], columns: Iterable[str]) -> QuerySet[WorkOrder]:
    """Orders with what is named of their jobs as ``job_list``, within the query for the orders."""
    jobs = Job.objects.filter(order=OuterRef("pk")).exclude(state=Job.State.DROPPED).order_by()
    found = jobs.values("order").annotate(found=JobList(*map(F, columns))).values("found")
    return rows.annotate(job_list=Subquery(found))


@reader
def open_orders(vehicle: Vehicle) -> Read[tuple[list[WorkOrder], list[WorkOrder]]]:
    """Orders of a vehicle that are still to be finished, and those that wait for a signature."""
    rows = _open_orders(vehicle.pk)
    yield [rows]
    yield from referring(rows, "jobs")
    done = [row for row in rows if row.state == State.FINISHED]
    return [row for row in rows if row.state != State.FINISHED], done


@prepared
def _open_orders(vehicle_id: int) -> Rows:
    return WorkOrder.objects.filter(vehicle=vehicle_id, state__in=WorkOrder.OPEN)


def orders_to_join(vehicle_ids: Collection[int]) -> QuerySet[WorkOrder]:
    """Orders of one's own workshop that further work may still be put on."""
    return WorkOrder.objects.filter(
        vehicle__in=vehicle_ids, state__in=BEFORE_THE_END, where=WorkOrder.Where.OWN
    ).order_by("pk")


def orders_with_late_records(depots: Depots, person: Person) -> QuerySet[WorkOrder]:
    """Signed-off orders with records that came later and that nobody has seen yet."""
    if not may(person, Right.SIGN_OFF):
        return WorkOrder.objects.none()
    rows = WorkOrder.objects.filter(depot__in=depots, late_since__isnull=False)
    return rows.select_related("vehicle", "depot", "signed_off_by").order_by("late_since", "pk")


def week_ends(today: date) -> date:
    """The last of the next seven days, today among them."""
    return today + timedelta(days=6)


def drafts_to_release(rows: QuerySet[WorkOrder], today: date) -> QuerySet[WorkOrder]:
    """Of some orders the drafts that have a day, and those without one that are needed within the
    next seven; the latter first, then by their day."""
    drafts = rows.filter(state=State.DRAFTED).filter(
        Q(planned_on__isnull=False) | Q(needed_on__lte=week_ends(today))
    )
    return in_order_of_day(drafts)[:MOST_AT_ONCE]


# --- jobs ----------------------------------------------------------------------------------
def open_jobs(vehicle_ids: Collection[int]) -> QuerySet[Job]:
    """Services of vehicles that an order has open: one job per vehicle and service."""
    return services_open().filter(vehicle__in=vehicle_ids)


def services_open() -> QuerySet[Job]:
    """Services that any order has open."""
    return Job.objects.filter(state=Job.State.OPEN, service__isnull=False)


@prepared
def jobs_to_do(order_id: int) -> Rows:
    rows = Job.objects.filter(order=order_id, state=Job.State.OPEN)
    return rows.select_related("order", "service__compartment", "service__procedure")


def service_jobs(order_id: int) -> QuerySet[Job]:
    """Jobs of an order that do a service, not other work."""
    rows = Job.objects.filter(order=order_id).exclude(service=None)
    return rows.select_related("order", "service__compartment")


@prepared
def services_to_do(order_id: int) -> Rows:
    return service_jobs(order_id).filter(state=Job.State.OPEN)


def returned_jobs(depots: Depots) -> QuerySet[Job]:
    """Jobs that came back and that nobody has decided about."""
    rows = Job.objects.filter(returned=True, order__depot__in=depots)
    return rows.select_related("order__vehicle", "order__depot", "ended_by", "service").order_by(
        "ended_at", "pk"
    )


# --- days ----------------------------------------------------------------------------------


def a_day(
    zones: Mapping[int, str],
    now: datetime,
    person: Person | None = None,
    *,
    states: Collection[str] = AT_WORK,
    among: Orders | None = None,
) -> Orders:
    """Orders of today at some depots: a person's own and nobody's (everybody's without a person).

    What is left over from an earlier day, and what is under way without a day, belongs to today;
    what an outside workshop does, does not.

    Parameters
    ----------
    zones
        Time zone by depot id: today is each depot's own.
    among
        Orders in order of their day; default all.
    """
    whose = None if person is None else person.pk
    return of_days(days_at(zones, now), [*zones], whose, states=states, among=among)


def days_at(zones: Mapping[int, str], now: datetime) -> list[tuple[date, list[int]]]:
    """Depots by what day it is there, the first day first."""
    return sorted(by_day({pk: today_at(zone, now) for pk, zone in zones.items()}))


def of_days(
    days: Sequence[tuple[date, Ids]],
    depot_ids: Ids,
    person_id: int | None,
    *,
    states: Collection[str],
    among: Orders | None = None,
) -> Orders:
    """Orders of ``a_day``, for the days that it is at depots by ``days_at``."""
    wanted = Q(planned_on=None, state__in=[State.STARTED, State.WAITING])
    for today, pks in days:
        wanted |= Q(depot_id__in=pks, planned_on__lte=today)
    wanted &= Q(depot_id__in=depot_ids, where=WorkOrder.Where.OWN) & _of_states(states)
    if person_id is not None:
        wanted &= Q(assigned_to=person_id) | Q(assigned_to=None)
    # the bound says nothing new, but by it an index by day is left where the day ends
    wanted &= Q(sort_on__lte=days[-1][0] if days else date.max)
    every = in_order_of_day(WorkOrder.objects.all()) if among is None else among
    return every.filter(wanted)


def finished_in_a_day(
    zones: Mapping[int, str], now: datetime, person: Person | None = None
) -> QuerySet[WorkOrder]:
    """Orders finished since midnight at their depot, the newest first: of a person, who was to do
    them or finished them, or everybody's; the titles of their jobs as ``job_list``."""
    since_midnight = Q(pk__in=[])
    for zone in {*zones.values()}:
        midnight = datetime.combine(today_at(zone, now), time(), ZoneInfo(zone))
        since_midnight |= Q(depot__zone=zone, finished_at__gte=midnight)
    done = (State.FINISHED, State.SIGNED_OFF)
    rows = WorkOrder.objects.filter(
        since_midnight, depot__in=list(zones), where=WorkOrder.Where.OWN, state__in=done
    )
    if person is not None:
        rows = rows.filter(Q(assigned_to=person) | Q(finished_by=person))
    return with_jobs(rows.select_related("vehicle", "depot"), ["title"]).order_by("-finished_at")


def in_order_of_day(rows: QuerySet[WorkOrder]) -> QuerySet[WorkOrder]:
    """By the day they are planned for, as the never-null ``sort_on``; without a day come first."""
    return rows.annotate(sort_on=DAY_OR_FIRST).order_by("sort_on", "pk")


def by_urgency(rows: QuerySet[WorkOrder]) -> QuerySet[WorkOrder]:
    """By the day by which the vehicle is to be brought in, as the never-null ``sort_on``; what
    falls due by no day comes last."""
    return rows.annotate(sort_on=NEEDED_OR_LAST).order_by("sort_on", "pk")


def after(rows: QuerySet[WorkOrder], day: date, pk: int) -> QuerySet[WorkOrder]:
    """Those in order that come after an order with the day it is sorted by."""
    return rows.filter(Behind(("sort_on", "pk"), (day, pk)))


def unplanned(orders: Iterable[WorkOrder]) -> list[WorkOrder]:
    """Orders of one's own workshop that have no day or no mechanic."""
    own = [order for order in orders if order.where == WorkOrder.Where.OWN]
    return [one for one in own if one.planned_on is None or one.assigned_to_id is None]
