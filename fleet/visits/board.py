"""The workshop days of one depot as they are looked at: days, bays, visits and what they carry."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from django.db.models import F

from fleet.due.models import ServiceDone
from fleet.people.models import Person
from fleet.reads import Ids, Rows, prepared
from fleet.visits.hands import who_has
from fleet.visits.models import (
    PLANNED_KEY,
    OtherWork,
    Plan,
    PlannedService,
    Promise,
    Visit,
    Workshop,
)
from fleet.visits.other_work import keys_of, open_work
from fleet.visits.places import Places, day_it_takes, gather_places, next_open
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.progress import BEFORE_THE_END, UNDER_WAY

State = WorkOrder.State
Pair = tuple[int, int]  # vehicle, service
LATE_SHOWN = 30  # services that go late, the latest first
LATE_D = 0.5  # below, an expected lateness rounds to no day
FURTHEST = (State.STARTED, State.WAITING, State.RELEASED, State.DRAFTED)  # along, in this order


@dataclass(frozen=True)
class Block:
    """A visit with all that is told of it."""

    visit: Visit
    services: tuple[PlannedService, ...]
    orders: tuple[WorkOrder, ...]  # that give it this day
    without_day: tuple[WorkOrder, ...]  # with its services, and no day yet
    promise: Promise | None
    published: bool  # each of its services is on an order of this day
    others: tuple[Job, ...]  # what its orders have besides, and is done with it
    done: bool  # each of its services was recorded since the plan was made
    elsewhere: tuple[WorkOrder, ...]  # with its services, and another day that stands
    missing: str = ""  # who has its order, and is not there that day

    @property
    def late_d(self) -> float:
        """Expected days late of all its services."""
        return sum(one.late_d for one in self.services)

    @property
    def state(self) -> str:
        """How far it is: done, begun as its furthest order, whatever of it is on none yet, else
        out of date, proposed, released (in part) or published."""
        if self.done:
            return "done"
        states = {order.state for order in self.orders}
        found = next((one for one in FURTHEST if one in states), State.DRAFTED)
        if self.overtaken and found not in UNDER_WAY:
            return "out of date"
        if not self.published and found not in UNDER_WAY:
            return "released in part" if found == State.RELEASED else "proposed"
        return "published" if found == State.DRAFTED else str(found)

    @property
    def overtaken(self) -> bool:
        """Whether an order that does its services was given another day since the plan was made:
        a plan keeps to each day that an order has, and a visit moved by hand takes its along."""
        return bool(self.elsewhere)

    @property
    def person(self) -> Person | None:
        """Who has its order."""
        return who_has((*self.orders, *self.without_day))

    @property
    def mechanic(self) -> str:
        """Who has its order, else whom the plan names."""
        return str(self.person) if self.person else self.visit.mechanic

    @property
    def own_min(self) -> int:
        """Of the mechanic, without a second person [min]."""
        needs = (getattr(one.service, "need", None) for one in self.services)
        return int(self.visit.work_min - sum(need.second_min for need in needs if need))

    @property
    def can_move(self) -> bool:
        """Whether nothing of it has begun."""
        return self.state not in ("done", *UNDER_WAY)

    def seen_with(self, places: Places, at: int) -> "Block":
        """The same, with whether who has its order is there that day."""
        who = self.person if places.open[at] and not self.done else None
        missing = who is not None and places.is_missing(who.pk, at)
        return replace(self, missing=str(who)) if missing else self


@dataclass(frozen=True)
class TooFull:
    """Somebody who is planned for more than they have on a day."""

    name: str
    planned_min: int
    present_min: int


@dataclass(frozen=True)
class Day:
    """One day of a workshop."""

    on: date
    open: bool
    why: str  # it is closed, beside its week
    cells: tuple[tuple[Block, ...], ...]  # by bay
    nowhere: tuple[Block, ...]  # without a bay
    load_min: int  # of those who work [min]
    present_min: int
    may_min: int  # of these, what is to be planned
    present: tuple[str, ...]  # who is there
    too_full: tuple[TooFull, ...]  # of them

    @property
    def blocks(self) -> tuple[Block, ...]:
        return (*(block for cell in self.cells for block in cell), *self.nowhere)

    @property
    def late_d(self) -> float:
        return sum(block.late_d for block in self.blocks)


@dataclass(frozen=True)
class VisitCounts:
    """How many visits a plan has, and what of them is counted where."""

    every: int
    stood: int  # already when the plan was made
    proposed: int  # from today on, not published whole nor out of date
    here: int  # on the days shown

    @property
    def chosen(self) -> int:
        """By the plan itself, which its comparison with other ways counts."""
        return self.every - self.stood

    @property
    def elsewhere(self) -> int:
        """On other days than those shown."""
        return self.every - self.here


@dataclass(frozen=True)
class Board:
    """Some days of a depot's plan in force."""

    plan: Plan
    workshop: Workshop
    bays: tuple[str, ...]
    days: tuple[Day, ...]
    late: tuple[PlannedService, ...]  # the latest first, and those left out
    late_d: float  # expected of all services of the plan
    nowhere: bool  # whether a visit of these days has no bay
    counts: VisitCounts
    overtaken: tuple[Block, ...]  # on whichever days


def board(plan: Plan, today: date, first: date, days: int) -> Board:
    """Read some days of a plan; a constant number of queries."""
    depot = plan.depot
    workshop = Workshop.of(depot)
    places = gather_places(depot, workshop, first, days)
    blocks = blocks_of(plan, today)
    by_day: dict[date, list[Block]] = defaultdict(list)
    for block in blocks:
        by_day[block.visit.on].append(block)
    services = [one for block in blocks for one in block.services]
    out = _left_out(plan.pk)
    late = [*(one for one in services if one.late_d >= LATE_D), *out]
    late.sort(key=lambda one: (-one.late_d, one.vehicle.fleet_number))
    shown = tuple(
        _day(places, workshop, first + timedelta(days=at), at, by_day) for at in range(days)
    )
    return Board(
        plan=plan,
        workshop=workshop,
        bays=tuple(dict.fromkeys(places.bays)),
        days=shown,
        nowhere=any(one.nowhere for one in shown),
        late=tuple(late[:LATE_SHOWN]),
        late_d=sum(one.late_d for one in [*services, *out]),
        counts=VisitCounts(
            every=len(blocks),
            stood=sum(one.visit.held for one in blocks),
            proposed=sum(
                not (one.published or one.done or one.overtaken)
                for one in blocks
                if one.visit.on >= today
            ),
            here=sum(len(one.blocks) for one in shown),
        ),
        overtaken=tuple(overtaken(blocks, today)),
    )


def overtaken(blocks: Iterable[Block], today: date) -> list[Block]:
    """Visits that orders have overtaken; on a day that is past nothing is planned any more."""
    return [one for one in blocks if one.overtaken and one.visit.on >= today]


def blocks_of(plan: Plan, today: date, visit_id: int | None = None) -> list[Block]:
    """Visits of a plan, by day and vehicle, or one of them."""
    visits = (
        Visit.objects.filter(plan=plan)
        if visit_id is None
        else Visit.objects.filter(plan=plan, pk=visit_id)
    )
    found = list(visits.select_related("vehicle").order_by("on", "vehicle__fleet_number"))
    services: dict[int | None, list[PlannedService]] = defaultdict(list)
    for one in _planned_in([one.pk for one in found]):
        services[one.visit_id].append(one)
    vehicle_ids = [one.vehicle_id for one in found]
    jobs = _jobs(plan.depot_id, vehicle_ids)
    stands = Promise.objects.filter(vehicle__in=vehicle_ids, ending="")
    promises = {(one.vehicle_id, one.on): one for one in stands}
    known = {(v, key): at for v, key, at in _planned_of(plan.pk, vehicle_ids)}
    every = [job for some in jobs.values() for job in some]
    keys, open_on = keys_of(every), next_open(plan.depot, today)
    day_of = {job.pk: day_it_takes(job.order, today, open_on) for job in every}
    recorded = _recorded(plan, vehicle_ids)
    return [
        _block(one, services[one.pk], jobs[one.vehicle_id], promises, day_of, known, recorded, keys)
        for one in found
    ]


@prepared
def _left_out(plan_id: int) -> Rows:
    rows = PlannedService.objects.filter(plan=plan_id, visit=None)
    return rows.select_related("vehicle", "service", "work")


@prepared
def _planned_in(visit_ids: Ids) -> Rows:
    planned = PlannedService.objects.filter(visit__in=visit_ids)
    named = planned.select_related("service__need", "work", "vehicle", "visit")
    return named.order_by(F("service__name").asc(nulls_first=True), "work__title")


@prepared
def _planned_of(plan_id: int, vehicle_ids: Ids) -> Rows:
    rows = PlannedService.objects.filter(plan=plan_id, vehicle__in=vehicle_ids)
    return rows.values_list("vehicle", PLANNED_KEY, "visit")


def block_of(visit: Visit, today: date) -> Block:
    """One visit, with who is there on its day."""
    depot = visit.plan.depot
    (block,) = blocks_of(visit.plan, today, visit.pk)
    workshop = Workshop.of(depot)
    return block.seen_with(gather_places(depot, workshop, visit.on, 1), 0)


def _recorded(plan: Plan, vehicle_ids: Sequence[int]) -> set[Pair]:
    """Services that were recorded, and other work that ended, since a plan was made."""
    rows = ServiceDone.objects.filter(vehicle__in=vehicle_ids, recorded_at__gt=plan.made_at)
    works = OtherWork.objects.filter(planned__plan=plan, vehicle__in=vehicle_ids)
    ended = works.exclude(pk__in=open_work()).values_list("vehicle", -F("pk"))
    return {*rows.values_list("vehicle", "service"), *ended}


def _jobs(depot_id: int, vehicle_ids: Ids) -> dict[int, list[Job]]:
    """Open jobs of vehicles on orders of a depot's own workshop that are before their end."""
    found: dict[int, list[Job]] = defaultdict(list)
    for job in _open_jobs(depot_id, vehicle_ids):
        found[job.vehicle_id].append(job)
    return found


@prepared
def _open_jobs(depot_id: int, vehicle_ids: Ids) -> Rows:
    rows = Job.objects.filter(
        vehicle__in=vehicle_ids,
        state=Job.State.OPEN,
        order__depot=depot_id,
        order__state__in=BEFORE_THE_END,
        order__where=WorkOrder.Where.OWN,
    )
    return rows.select_related("order__assigned_to").order_by("order_id", "pk")


def _block(
    visit: Visit,
    services: Sequence[PlannedService],
    jobs: Sequence[Job],
    promises: dict[tuple[int, date], Promise],
    day_of: Mapping[int, date | None],
    known: Mapping[Pair, int | None],
    recorded: set[Pair],
    keys: Mapping[int, int],
) -> Block:
    here = [job for job in jobs if day_of[job.pk] == visit.on]
    ids = {one.key for one in services}
    on_day = {keys.get(job.pk) for job in here}
    loose = [job for job in jobs if keys.get(job.pk) in ids and job.order.planned_on is None]
    mine = {job.order_id for job in (*here, *loose)}
    moved = [
        job for job in jobs
        if keys.get(job.pk) in ids
        and job.order.planned_on is not None
        and visit.on != day_of[job.pk] == job.order.planned_on  # none that has passed
    ]  # fmt: skip

    def comes_along(job: Job) -> bool:
        """A service of another visit, or left out, goes off a draft when it is published."""
        elsewhere = known.get((job.vehicle_id, keys.get(job.pk, 0)), visit.pk) != visit.pk
        return not (elsewhere and job.order.state == State.DRAFTED)

    return Block(
        visit=visit,
        services=tuple(services),
        orders=_orders(here),
        without_day=_orders([job for job in loose if job not in here]),
        promise=promises.get((visit.vehicle_id, visit.on)),
        published=bool(here) and ids <= on_day,
        elsewhere=_orders(moved),
        others=tuple(
            job
            for job in jobs
            if job.order_id in mine and keys.get(job.pk) not in ids and comes_along(job)
        ),
        done=bool(ids) and not here and all((visit.vehicle_id, pk) in recorded for pk in ids),
    )


def _orders(jobs: Sequence[Job]) -> tuple[WorkOrder, ...]:
    return tuple({job.order_id: job.order for job in jobs}.values())


def _day(
    places: Places, workshop: Workshop, on: date, at: int, by_day: dict[date, list[Block]]
) -> Day:
    blocks = [block.seen_with(places, at) for block in by_day.get(on, [])]
    present_min = places.mechanic_min[:, at]
    return Day(
        on=on,
        open=bool(places.open[at]),
        why=places.closed.get(at, ""),
        cells=tuple(
            tuple(b for b in blocks if b.visit.bay == bay) for bay in dict.fromkeys(places.bays)
        ),
        nowhere=tuple(b for b in blocks if b.visit.bay not in places.bays),
        load_min=sum(block.visit.work_min for block in blocks),
        present_min=round(float(present_min.sum())),
        may_min=int(workshop.may_plan(present_min.sum())),
        present=tuple(
            name
            for name, minutes in zip(places.mechanics, present_min, strict=True)
            if minutes and name
        ),
        too_full=_too_full(blocks, places, at),
    )


def _too_full(blocks: Sequence[Block], places: Places, at: int) -> tuple[TooFull, ...]:
    """Who is planned for more minutes of their own than they are there: a load that fits all of a
    day together may still be too much for one of them, as orders have whom somebody named."""
    planned: dict[int, int] = defaultdict(int)
    for block in blocks:
        row = places.row_of(block.person.pk if block.person else None, block.mechanic)
        if row is not None:
            planned[row] += block.own_min
    has = places.mechanic_min[:, at]
    return tuple(
        TooFull(places.mechanics[row], minutes, round(float(has[row])))
        for row, minutes in sorted(planned.items())
        if minutes > has[row] > 0
    )
