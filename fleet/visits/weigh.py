"""What it would cost to put a visit on another day, by the same costs that the plan is made with.

Nothing is stored here. A day that cannot hold the visit whole is refused; one that would take
minutes kept for unplanned work is not, but says so.
"""

from collections import Counter
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import NoReturn

import numpy as np

from fleet.calc.arrays import Array
from fleet.calc.visit_refusal import why_not
from fleet.calc.whole_jobs import Crew
from fleet.faults import Fault, Refused
from fleet.units import percent
from fleet.visits.gather import Gathered, Standing, Wanted, gather, wanted_of
from fleet.visits.models import PLANNED_KEY, Visit
from fleet.visits.places import day_it_takes, next_open
from fleet.visits.refusals import sentence
from fleet.visits.task import Costs, Made, are_rounds, costs, make, standing_pairs
from fleet.workorders.models import WorkOrder
from fleet.workorders.progress import BEFORE_THE_END, NOT_BEGUN

Come = list[tuple[int, list[int], bool]]  # vehicle row, services, joins


@dataclass(frozen=True)
class Weighed:
    """A visit on another day, against the day it has."""

    vehicle: str
    from_on: date
    on: date
    bay: str
    mechanic: str
    cost_minor: int | None  # more than now; None: the day it has cannot be weighed any more
    late_d: float  # expected of all its services together [d]
    late_before_d: float | None
    of_each: dict[int, dict[str, float]]  # by service, how late, how early, what that wastes
    minutes: int  # in the bay [min]
    work_min: int
    joins: bool  # another visit of the vehicle is on that day: they become one
    beyond: tuple[str, ...]  # what it takes more of than should be planned, in sentences
    drafted: tuple[str, ...]  # numbers of orders that move with it
    released: tuple[str, ...]  # and of those that do so only when named


def orders_of(visit: Visit) -> list[WorkOrder]:
    """Orders that give a visit its day, oldest first."""
    today = visit.plan.as_of_on
    open_on = next_open(visit.plan.depot, today)
    rows = WorkOrder.objects.filter(
        vehicle=visit.vehicle_id,
        depot=visit.plan.depot_id,
        where=WorkOrder.Where.OWN,
        state__in=BEFORE_THE_END,
    )
    return [one for one in rows.order_by("pk") if day_it_takes(one, today, open_on) == visit.on]


def weigh(visit: Visit, on: date, bay: str, today: date) -> Weighed:
    """Weigh a visit of a plan on a day.

    Raises
    ------
    Fault
        The day is no day of the plan, or there is no such bay.
    Refused
        The work has begun, or the day cannot hold the visit.
    """
    depot, days = visit.plan.depot, visit.plan.days
    at = (on - today).days
    if not 0 <= at < days:
        last = today + timedelta(days=days - 1)
        raise Fault(f"Choose a day from {_day(today)} to {_day(last)}.", about="on")
    orders = orders_of(visit)
    for order in orders:
        if order.state not in NOT_BEGUN:
            raise Refused(f"{order} is {order.state}: work that has begun is not moved.")
    ids = set(visit.services.values_list(PLANNED_KEY, flat=True))
    found = gather(depot, today, days)
    on_day = _OnDay(visit, found, ids, at, bay)
    on_day.refuse_absence()
    own = replace(found, wanted=wanted_of(depot, visit.vehicle_id, ids, today, days))
    by_day = _of_services(own)
    cost, late_d = by_day.minor, by_day.late_d
    before = (visit.on - today).days
    if before != at:
        on_day.refuse_early(own.wanted, cost)
    bay_name, mechanic = on_day.places()
    joins = on_day.other_visit is not None
    return Weighed(
        vehicle=visit.vehicle.fleet_number,
        from_on=visit.on,
        on=on,
        bay=bay_name,
        mechanic=mechanic,
        cost_minor=_more(cost, before, at, found.workshop.visit_minor * joins),
        late_d=round(float(late_d[:, at].sum()), 1),
        late_before_d=round(float(late_d[:, before].sum()), 1) if before >= 0 else None,
        of_each={
            one.service_id: {"late_d": float(late_d[row, at]), **by_day.wasted(row, at)}
            for row, one in enumerate(own.wanted)
        },
        **on_day.minutes(),
        joins=joins,
        beyond=on_day.beyond(),
        drafted=tuple(one.number for one in orders if one.state == WorkOrder.State.DRAFTED),
        released=tuple(one.number for one in orders if one.state == WorkOrder.State.RELEASED),
    )


def _of_services(own: Gathered) -> Costs:
    """Of services by day; rounds cost nothing and are never late."""
    found, rounds = costs(own), are_rounds(own)
    cost = found.minor
    cost[rounds] = np.where(np.isfinite(cost[rounds]), 0.0, np.inf)
    return replace(found, late_d=found.late_d * ~rounds[:, None])


def _more(cost: Array, before: int, at: int, saved_minor: int) -> int | None:
    had = cost[:, before] if before >= 0 else np.array([np.inf])
    if not np.isfinite(had).all():
        return None
    return round(float((cost[:, at] - had).sum())) - saved_minor


class _OnDay:
    """A day of the plan with the visit on it."""

    def __init__(self, visit: Visit, found: Gathered, ids: set[int], at: int, bay: str) -> None:
        self.visit, self.found, self.at, self.bay = visit, found, at, bay
        self.row = next(
            (n for n, one in enumerate(found.vehicles) if one.pk == visit.vehicle_id), -1
        )
        if self.row < 0:
            raise Refused(f"Nothing of {visit.vehicle} is due any more: plan anew.")
        moved = tuple(self._moved(one) for one in found.standing)
        self.made: Made = make(replace(found, standing=moved))
        self.ids = ids
        same_day = Visit.objects.filter(plan=visit.plan, vehicle=visit.vehicle_id, on=self.on)
        self.other_visit = same_day.exclude(pk=visit.pk).first()

    @property
    def on(self) -> date:
        return self.found.today + timedelta(days=self.at)

    def _moved(self, one: Standing) -> Standing:
        had = max(0, (self.visit.on - self.found.today).days)
        if one.vehicle_id != self.visit.vehicle_id or one.day != had:
            return one
        return replace(one, day=self.at, bay=self.bay or one.bay)

    def refuse_absence(self) -> None:
        if not self.found.places.open[self.at]:
            why = self.found.places.closed.get(self.at, "")
            said = f": {why}" if why else ""
            raise Refused(f"The workshop is closed on {_day(self.on)}{said}.", about="on")
        if self.found.away[self.row, self.at]:
            raise Refused(f"{self.visit.vehicle} is away on {_day(self.on)}.", about="on")

    def refuse_early(self, wanted: tuple[Wanted, ...], cost: Array) -> None:
        for one, by_day in zip(wanted, cost, strict=True):
            if not np.isfinite(by_day[self.at]):
                first = self.found.today + timedelta(days=int(np.argmax(np.isfinite(by_day))))
                raise Refused(
                    f"{one.name} is too early on {_day(self.on)}: its early window begins on "
                    f"{_day(first)}.", about="on",
                )  # fmt: skip

    @property
    def crew(self) -> Crew:
        """Bays and mechanics, the chosen bay the only one for this vehicle."""
        crew = self.made.task.crew
        if crew is None:
            raise RuntimeError("a depot has a crew")
        names = self.found.places.bays
        if not self.bay:
            return crew
        if self.bay not in names:
            raise Fault(f"There is no bay {self.bay!r}: choose one of the depot.", about="bay")
        fits = crew.bay_fits.copy()
        chosen = np.arange(len(names)) == names.index(self.bay)
        if not (fits[self.row] & chosen).any():
            raise Refused(f"{self.bay} does not carry {self.visit.vehicle}.", about="bay")
        fits[self.row] &= chosen
        return replace(crew, bay_fits=fits)

    def come(self) -> Come:
        """Visits of the day that do not stand: those of the plan, and this one."""
        days: dict[int, list[int]] = {}
        for number, one in enumerate(self.found.wanted):
            pair = (one.vehicle_id, one.service_id)
            here = one.vehicle_id == self.visit.vehicle_id and one.service_id in self.ids
            if here or self.found.before.get(pair, -1) == self.at:
                days.setdefault(int(self.made.task.vehicle[number]), []).append(number)
        joins = self.made.task.joins[:, self.at]
        return [(row, services, bool(joins[row])) for row, services in sorted(days.items())]

    def places(self) -> tuple[str, str]:
        """Bay and mechanic, the day shared out whole."""
        visits, standing = self.come(), self._standing()
        ids = [one.pk for one in self.found.vehicles]
        rows = [ids.index(one.vehicle_id) for one in standing] + [row for row, _, _ in visits]
        if self.row not in rows:
            raise Refused(f"Nothing of this visit of {self.visit.vehicle} is left: plan anew.")
        shared = self.crew.set_out(self.at, visits)
        if shared is None:
            self._refuse(visits, [number for number, row in enumerate(rows) if row == self.row])
        mine = rows.index(self.row)
        names = self.found.places
        return names.bays[shared[0][mine]], names.mechanics[shared[1][mine]]

    def _refuse(self, visits: Come, mine: list[int]) -> NoReturn:
        """Say which of bay, skill, second person, minutes and opening the day lacks."""
        lack = why_not(self.crew, self.at, visits, mine)
        asked = {skill for one in self._standing() if self._row(one) == self.row
                 for skill in one.skills}  # fmt: skip
        services = (number for row, numbers, _ in visits if row == self.row for number in numbers)
        asked |= {skill for number in services for skill in self.found.wanted[number].skills}
        where = f" in {self.bay}" if self.bay else ""
        told = sentence(self.found, self.row, self.at, lack, asked)
        raise Refused(
            f"{self.visit.vehicle} does not fit on {_day(self.on)}{where}: {told}.", about="on"
        )

    def _standing(self) -> list[Standing]:
        return [one for one in map(self._moved, self.found.standing) if one.day == self.at]

    def minutes(self) -> dict[str, int]:
        """In the bay and of who works on it, also of a visit that is there already."""
        other, set_up = self.other_visit, self.found.workshop.set_up_min
        more = (other.minutes - set_up, other.work_min - set_up) if other else (0, 0)
        return {
            "minutes": self.visit.minutes + max(0, more[0]),
            "work_min": self.visit.work_min + max(0, more[1]),
        }

    def beyond(self) -> tuple[str, ...]:
        """What the day would take more of than should be planned."""
        crew, visits, shop = self.crew, self.come(), self.found.workshop
        each = [crew.minutes(row, services, joins) for row, services, joins in visits]
        committed = crew.committed[self.at]
        work = sum(one.work_min for one in committed) + sum(w + s for w, s, _ in each)
        present_min = float(crew.mechanic_min[:, self.at].sum())
        told = []
        if work > shop.may_plan(present_min):
            told.append(
                f"{work:.0f} of the mechanics' {present_min:.0f} minutes would be planned: "
                f"that takes from the {percent(shop.kept_share)} kept for unplanned work."
            )
        told += self._too_much()
        rows = {row for row, _, _ in visits} | {self._row(one) for one in self._standing()}
        if shop.vehicles_a_day is not None and len(rows) > shop.vehicles_a_day:
            told.append(
                f"{len(rows)} vehicles would be in; the depot can spare {shop.vehicles_a_day}."
            )
        told += self._short_of()
        types = Counter(self.found.vehicles[row].vehicle_type_id for row in rows)
        told += [
            f"{types[one.vehicle_type_id]} {one.vehicle_type.name} would be in; the depot can "
            f"spare {one.vehicles_a_day}."
            for one in self.found.spared
            if types[one.vehicle_type_id] > one.vehicles_a_day
        ]
        return tuple(told)

    def _too_much(self) -> list[str]:
        """That whoever has its order has more of them that day than minutes."""
        crew = self.crew
        who = crew.has.get((self.row, self.at))
        if who is None:
            return []
        asked_min = sum(one.work_min for one in crew.committed[self.at] if one.whose == who)
        present_min = float(crew.mechanic_min[who, self.at])
        name = self.found.places.mechanics[who]
        return [
            f"{name}, who has its order, would have {asked_min:.0f} min of orders and is there for "
            f"{present_min:.0f} min: give one to another."
        ] * (asked_min > present_min)

    def _short_of(self) -> list[str]:
        """Parts of which less is there by then than the visit takes, after what comes before."""
        vehicle_id, found = self.visit.vehicle_id, self.found
        mine = [(vehicle_id, pk) for pk in self.ids]
        others = [(at, pair) for at, pair in standing_pairs(found) if pair[0] != vehicle_id]
        others += [
            (at, pair)
            for pair, at in found.before.items()
            if pair[0] != vehicle_id and at <= self.at
        ]
        return [
            f"Of {part.item.name} too little is there by then for what it takes."
            for part in found.parts
            if part.use(mine).sum() > part.by_day(found.days, others)[self.at]
        ]

    def _row(self, one: Standing) -> int:
        return [van.pk for van in self.found.vehicles].index(one.vehicle_id)


def _day(on: date) -> str:
    return f"{on.day} {on:%b %Y}"
