"""Plan the workshop days of depots: gather, compute, record. No order follows from it."""

import time
from collections.abc import Callable, Collection
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from functools import partial
from typing import Any

import numpy as np
from django.db import transaction
from django.utils import timezone

from fleet.calc import visit_plan, visit_solver
from fleet.calc.arrays import Array
from fleet.calc.visit_effort import Effort, never
from fleet.calc.visit_extra import MINUTES
from fleet.calc.visit_plan import Found
from fleet.calc.visit_reasons import Reason, reasons
from fleet.vehicles.models import Depot
from fleet.visits import promises
from fleet.visits.behind import why_behind
from fleet.visits.cannot import cannot
from fleet.visits.gather import Gathered, Wanted, gather
from fleet.visits.listing import PlanRow, gap
from fleet.visits.models import PLANNED_KEY, Plan, PlannedService, Visit
from fleet.visits.naive import came_to, compare
from fleet.visits.set_out import set_out
from fleet.visits.task import JOIN_MINOR, Made, are_rounds, costs, make
from fleet.visits.unfit import unfit
from fleet.visits.unplanned import unplanned
from fleet.visits.waits import Wait, to_mend, waits

DAYS = 56  # our choice
NIGHT_S = 20.0  # of a depot at most; our choice. Work is counted and ends long before
KEPT_D = 60  # plans older than this are taken away; our choice
TRIES = 3  # where a person moves visits while a plan is computed; our choice
STANDS = "its day stands"  # why a service of a visit that stands is on its day
FIRST_PRICES = 20  # of minutes, dearest first, kept with a plan; our choice


Told = Callable[[float], None]  # how far planning is: one of the shares below
READING, WORKING, KEEPING = 0.1, 0.3, 0.9  # of the work that is done when each begins; about


def nobody(share: float) -> None:
    """Where nobody waits for a plan."""


def safety_clock(seconds: float) -> Callable[[], bool]:
    """Say whether so many seconds have passed since now: it ends what takes far too long."""
    end = time.monotonic() + seconds
    return lambda: time.monotonic() > end


@dataclass(frozen=True)
class Drawn:
    """A plan that is not stored yet."""

    gathered: Gathered
    made: Made
    found: Found
    cost_minor: float  # without the price of moves, and what rounds are worth on a visit
    told: list[Reason]
    waits: dict[int, Wait]  # by number of a service: the part that it waits for
    behind: dict[int, str]  # likewise, of a late one: what keeps it from an earlier place
    places: dict[tuple[int, int], tuple[str, str]]  # (vehicle row, day) → bay and mechanic
    unfit: dict[int, str]  # by number of a visit that stands: why its day holds it no more

    @property
    def bound_minor(self) -> float:
        """Below which no plan lies, reckoned as its cost."""
        of_rounds = JOIN_MINOR * float(self.made.rounds.sum())
        return min(self.found.bound_minor - of_rounds, self.cost_minor)


def plan(
    depot_ids: Collection[int],
    today: date,
    days: int = DAYS,
    late: Callable[[], bool] = never,
    effort: Effort | None = None,
    told: Told = nobody,
) -> list[Plan]:
    """Plan some depots from a day on, and store each plan; a depot without due dates has one too.

    With the same inputs on the same day the plan there is stays. One that was overtaken by another
    while it was computed is not stored: the newer one is given.
    """
    stored = []
    for depot in Depot.objects.filter(pk__in=depot_ids).order_by("slug"):
        stored.append(_one(depot, today, days, late, effort, told))
        promises.settle(depot, today, timezone.now())
    return stored


def _one(
    depot: Depot,
    today: date,
    days: int,
    late: Callable[[], bool],
    effort: Effort | None,
    told: Told,
) -> Plan:
    for _ in range(TRIES):
        told(READING)
        found = gather(depot, today, days)
        made = make(found)
        newest = Plan.objects.filter(depot=depot).order_by("-id").first()
        if newest and newest.as_of_on == today and newest.inputs_hash == made.inputs_hash:
            return newest
        told(WORKING)
        drawn = draw(found, made, late, effort)
        told(KEEPING)
        stored = record(drawn)
        if stored.pk != found.newest_plan_id:
            break
    return stored


def draw(
    found: Gathered,
    made: Made | None = None,
    late: Callable[[], bool] = never,
    effort: Effort | None = None,
) -> Drawn:
    """Compute a plan; store nothing."""
    made = made or make(found)
    best = visit_plan.plan(made.task, made.start, effort or Effort(), late)
    come = _come(made, best)
    told_unfit = unfit(found, made, come)
    no_more = {one.number for one in told_unfit if not one.placed}
    told = reasons(made.plain, best, made.around)
    return Drawn(
        gathered=found,
        made=made,
        found=best,
        cost_minor=came_to(made, best.day).cost_minor,
        told=told,
        waits=waits(found, made, best, told),
        behind=why_behind(found, made, best),
        places=set_out(found, made, come, no_more),
        unfit={one.number: one.why for one in told_unfit},
    )


def _come(made: Made, best: Found) -> dict[int, list[tuple[int, list[int], bool]]]:
    """What a plan brings in on each day: vehicle row, services, whether they join."""
    by_day: dict[int, list[tuple[int, list[int], bool]]] = {}
    for vehicle, on, mask in best.visits:
        of = made.task.services_of[vehicle]
        services = of[(mask >> np.arange(len(of)) & 1).astype(bool)].tolist()
        by_day.setdefault(on, []).append((vehicle, services, bool(made.task.joins[vehicle, on])))
    return by_day


def record(drawn: Drawn) -> Plan:
    """Store a plan in one transaction, if none was stored meanwhile."""
    found = drawn.gathered
    with transaction.atomic():
        Depot.objects.select_for_update().get(pk=found.depot.pk)
        newest = Plan.objects.filter(depot=found.depot).order_by("-id").first()
        if newest is not None and (newest.pk, newest.version) != (
            found.newest_plan_id,
            found.newest_version,
        ):
            return newest
        stored = Plan.objects.create(**_facts(drawn))
        visits = _store_visits(stored, drawn)
        PlannedService.objects.bulk_create(_services(stored, drawn, visits))
        old = found.today - timedelta(days=KEPT_D)
        Plan.objects.filter(depot=found.depot, as_of_on__lt=old).delete()
    return stored


def _facts(drawn: Drawn) -> dict[str, object]:
    found, best = drawn.gathered, drawn.found
    lately = unplanned(found.depot, found.today)
    return {
        "depot": found.depot,
        "as_of_on": found.today,
        "days": found.days,
        "inputs_hash": drawn.made.inputs_hash,
        "cost_minor": round(drawn.cost_minor),
        "linear_minor": round(best.linear_minor),
        "bound_minor": round(drawn.bound_minor),
        "solver": visit_solver.version(),
        "seed": visit_solver.SEED,
        "prices": _prices(drawn),
        "lacking": lacking(drawn),
        "compared": compare(found, drawn.made, best.day),
        "unplanned": asdict(lately) if lately else None,
    }


def _prices(drawn: Drawn) -> list[dict[str, object]]:
    price, rows = drawn.found.price, drawn.made.task.rows
    dearest = np.argsort(-price, axis=None, kind="stable")[:FIRST_PRICES]
    told = []
    for number, day in zip(*np.unravel_index(dearest, price.shape), strict=True):
        if price[number, day] > 0 and rows[number].kind != "part":
            on = drawn.gathered.today + timedelta(days=int(day))
            one_more = 60 if rows[number].kind in MINUTES else 1  # an hour, or one vehicle or part
            saves = round(one_more * float(price[number, day]))
            told.append({"what": rows[number].name, "on": on.isoformat(), "minor_per_h": saves})
    return told


def _store_visits(stored: Plan, drawn: Drawn) -> dict[tuple[int, int], Visit]:
    """Visits by vehicle row and day; what joins one that stands lengthens it."""
    found, made = drawn.gathered, drawn.made
    at, shop = partial(_day, found.today), found.workshop
    row_of = {vehicle.pk: row for row, vehicle in enumerate(found.vehicles)}
    rows: dict[tuple[int, int], Visit] = {}
    for number, one in enumerate(found.standing):
        key = (row_of[one.vehicle_id], one.day)
        bay, mechanic = drawn.places.get(key, (one.bay, ""))
        if key not in rows:
            rows[key] = Visit(plan=stored, vehicle_id=one.vehicle_id, on=at(one.day), held=True,
                              bay=bay, mechanic=mechanic, minutes=shop.set_up_min,
                              work_min=shop.set_up_min)  # fmt: skip
        rows[key].minutes += one.work_min + one.wait_min
        rows[key].work_min += one.work_min + one.second_min
        rows[key].locked |= one.locked
        rows[key].unfit = rows[key].unfit or drawn.unfit.get(number, "")
    for vehicle, day, mask in drawn.found.visits:
        of = made.task.services_of[vehicle]
        services = of[(mask >> np.arange(len(of)) & 1).astype(bool)].tolist()
        joins = bool(made.task.joins[vehicle, day])
        bay, mechanic = drawn.places.get((vehicle, day), ("", ""))
        row = rows.get((vehicle, day)) or Visit(
            plan=stored, vehicle_id=found.vehicles[vehicle].pk, on=at(day), bay=bay,
            mechanic=mechanic, minutes=0,
        )  # fmt: skip
        if made.task.crew:
            work, second, in_bay = made.task.crew.minutes(vehicle, services, joins)
            row.minutes, row.work_min = (
                row.minutes + round(in_bay),
                row.work_min + round(work + second),
            )
        rows[vehicle, day] = row
    Visit.objects.bulk_create(rows.values())
    return rows


def _day(today: date, day: int) -> date:
    return today + timedelta(days=day)


def _services(
    stored: Plan, drawn: Drawn, visits: dict[tuple[int, int], Visit]
) -> list[PlannedService]:
    found, day, made = drawn.gathered, drawn.found.day, drawn.made
    rows = []
    for number, one in enumerate(found.wanted):
        on, vehicle = int(day[number]), int(made.task.vehicle[number])
        if on < 0 and made.rounds[number]:
            continue  # done on its own round; it only joins
        rows.append(
            PlannedService(
                plan=stored,
                vehicle_id=one.vehicle_id,
                **_planned(one.service_id),
                visit=visits[vehicle, on] if on >= 0 else None,
                wanted_on=_wanted_on(found, one, made.around.wanted_minor[number]),
                late_d=0.0 if made.rounds[number] else float(made.costs.late_d[number, on]),
                reason=drawn.told[number],
                detail=_detail(drawn, number),
                **({} if made.rounds[number] or on < 0 else made.costs.wasted(number, on)),
            )
        )
    return rows + _standing_services(stored, found, visits)


def _detail(drawn: Drawn, number: int) -> str:
    """The part that a service waits for, or what keeps it from an earlier place."""
    waiting = drawn.waits.get(number)
    return (waiting.words if waiting else drawn.behind.get(number, ""))[:200]


def _planned(key: int) -> dict[str, int]:
    return {"service_id": key} if key > 0 else {"work_id": -key}


def _wanted_on(found: Gathered, one: Wanted, cost: Array) -> date:
    """The day it would cost least; of other work the last on which it is in time."""
    if one.service_id > 0:
        return _day(found.today, int(np.argmin(cost)))
    return _day(found.today, int(min(max(0.0, one.due_d), found.days - 1)))


def _standing_services(
    stored: Plan, found: Gathered, visits: dict[tuple[int, int], Visit]
) -> list[PlannedService]:
    """Services of visits that stand: planned on their day, whatever it costs."""
    row_of = {vehicle.pk: row for row, vehicle in enumerate(found.vehicles)}
    own = replace(found, wanted=found.committed)
    by_day, rounds = costs(own), are_rounds(own)
    chosen = _chosen(found)
    at = {(one.vehicle_id, one.service_id): row for row, one in enumerate(found.committed)}

    def told(vehicle_id: int, service_id: int, day: int) -> dict[str, Any]:
        row = at.get((vehicle_id, service_id))
        if row is None:  # it falls due by no forecast
            return {"wanted_on": _day(found.today, day), "late_d": 0.0}
        wanted_on = _wanted_on(found, found.committed[row], by_day.minor[row])
        if rounds[row]:
            return {"wanted_on": wanted_on, "late_d": 0.0}
        late_d = float(by_day.late_d[row, day])
        return {"wanted_on": wanted_on, "late_d": late_d, **by_day.wasted(row, day)}

    return [
        PlannedService(
            plan=stored,
            vehicle_id=one.vehicle_id,
            **_planned(service_id),
            visit=visits[row_of[one.vehicle_id], one.day],
            held=True,
            reason=STANDS,
            planned_because=chosen.get((one.vehicle_id, service_id, one.day), ""),
            **told(one.vehicle_id, service_id, one.day),
        )
        for one in found.standing
        for service_id in one.service_ids
    ]


def _chosen(found: Gathered) -> dict[tuple[int, int, int], str]:
    """Why the plan before, or the one that it had it from, chose the days it has: by vehicle,
    service and day."""
    rows = PlannedService.objects.filter(plan=found.newest_plan_id, visit__on__gte=found.today)
    given = rows.values_list("vehicle", PLANNED_KEY, "visit__on", "reason", "planned_because")
    return {
        (vehicle_id, key, (on - found.today).days): before if reason == STANDS else reason
        for vehicle_id, key, on, reason, before in given
    }


def lacking(drawn: Drawn) -> list[str]:
    """What is not entered or cannot be done, in sentences."""
    found = drawn.gathered
    return [*found.lacking, *cannot(found, drawn.made), *to_mend(found, drawn.waits)]


def before_minor(drawn: Drawn) -> int:
    """What of a plan's cost is for days that had passed before its first, late already [minor
    units]: no plan can change it."""
    made = drawn.made
    return round(float(made.costs.before_minor[~made.rounds].sum()))


def in_figures(drawn: Drawn) -> PlanRow:
    """A plan that is not stored, in the figures of one that is."""
    found = drawn.gathered
    cost, bound = round(drawn.cost_minor), round(drawn.bound_minor)
    new = {(vehicle, on) for vehicle, on, _ in drawn.found.visits}
    row_of = {vehicle.pk: row for row, vehicle in enumerate(found.vehicles)}
    stands = {(row_of[one.vehicle_id], one.day) for one in found.standing}
    committed = sum(len(one.service_ids) for one in found.standing)
    planned = drawn.found.day >= 0
    return PlanRow(
        depot=found.depot.slug,
        cost=cost,
        bound=bound,
        gap=gap(cost, bound),
        visits=len(new | stands),
        services=int((planned | ~drawn.made.rounds).sum()) + committed,
        left_out=int((~planned & ~drawn.made.rounds).sum()),
    )
