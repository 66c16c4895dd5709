"""Bays and mechanics of a depot, day by day; where nothing is entered, what is taken instead."""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fleet.calc.arrays import Array
from fleet.units import percent
from fleet.vehicles.closures import closed_days
from fleet.vehicles.models import Depot
from fleet.visits.models import Absence, Bay, BlockedDays, Mechanic, Workshop
from fleet.workorders.models import WorkOrder
from fleet.workorders.progress import UNDER_WAY

ANY_WEEKDAY = "1111111"
SOON_D = 31  # within which an open day is looked for; our choice


@dataclass(frozen=True)
class Places:
    """What a workshop has on H days.

    ``open`` (H,), with why a day is not beside its week in ``closed`` by day; ``bay_min`` (b, H)
    and ``mechanic_min`` (m, H) [min]; ``rated_kg``, ``length_m`` and ``height_m`` (b,), inf for
    any; ``skills`` of each mechanic, and ``people``: as whom each signs in, None: not at all;
    ``lacking``: what is not entered, in sentences.
    """

    open: Array
    closed: dict[int, str]
    bays: tuple[str, ...]
    bay_min: Array
    rated_kg: Array
    length_m: Array
    height_m: Array
    mechanics: tuple[str, ...]
    mechanic_min: Array
    skills: tuple[tuple[str, ...], ...]
    people: tuple[int | None, ...]
    lacking: tuple[str, ...]

    def row_of(self, person_id: int | None, name: str) -> int | None:
        """Which mechanic somebody is, by whom they sign in as, else by name; None: not entered."""
        if person_id is not None and person_id in self.people:
            return self.people.index(person_id)
        return self.mechanics.index(name) if name and name in self.mechanics else None

    def is_missing(self, person_id: int, at: int) -> bool:
        """Whether a person is not there on a day; unknown, and so no, where nobody is entered."""
        present = zip(self.people, self.mechanic_min[:, at], strict=True)
        entered = any(self.mechanics)
        return entered and not any(one == person_id and minutes for one, minutes in present)


def gather_places(depot: Depot, workshop: Workshop, today: date, days: int) -> Places:
    """Read what a depot has; never nothing: a plan says what it took instead."""
    lacking = []
    if workshop.pk is None:
        lacking.append(
            f"Nothing is entered about the workshop of {depot}: {workshop.opening_min} minutes a "
            f"day, {percent(workshop.kept_share)} of them kept for unplanned work, and usual costs "
            "are taken; enter them under Workshops."
        )
    closed = _closed(depot, today, days)
    open_days = _open_days(depot, today, days, closed)
    people = list(Mechanic.objects.filter(depot=depot).order_by("name"))
    if not people:
        people = [
            Mechanic(depot=depot, name="", minutes=workshop.opening_min, works_on=ANY_WEEKDAY)
        ]
        lacking.append(
            f"No mechanic is entered at {depot}: one is taken, on every open day; enter them "
            "under Mechanics."
        )
    bays = list(Bay.objects.filter(depot=depot).order_by("name"))
    if not bays:
        bays = [Bay(depot=depot, name="") for _ in people]
        lacking.append(
            f"No bay is entered at {depot}: one for each mechanic is taken, for any vehicle; enter "
            "them under Bays."
        )
    return Places(
        open=open_days,
        closed=closed,
        bays=tuple(bay.name for bay in bays),
        bay_min=np.outer([bay.opening_min or workshop.opening_min for bay in bays], open_days),
        rated_kg=np.array([bay.rated_kg or np.inf for bay in bays], dtype=float),
        length_m=np.array([bay.length_m or np.inf for bay in bays], dtype=float),
        height_m=np.array([bay.height_m or np.inf for bay in bays], dtype=float),
        mechanics=tuple(person.name for person in people),
        mechanic_min=_presence(people, today, days) * open_days,
        skills=tuple(tuple(person.skills) for person in people),
        people=tuple(person.person_id for person in people),
        lacking=tuple(lacking),
    )


def next_open(depot: Depot, today: date) -> date:
    """The first day from today on which the workshop is open; today where none is near."""
    open_days = _open_days(depot, today, SOON_D, _closed(depot, today, SOON_D))
    return today + timedelta(days=int(np.argmax(open_days)))


def day_it_takes(order: WorkOrder, today: date, open_on: date) -> date | None:
    """The day an order takes time on; what is left over, or under way without a day, is of the
    next open day. None: it has no day."""
    if order.planned_on is None:
        return open_on if order.state in UNDER_WAY else None
    return order.planned_on if order.planned_on >= today else open_on


def _closed(depot: Depot, today: date, days: int) -> dict[int, str]:
    """Why no visit is planned on days of the week that are otherwise open, by day."""
    last = today + timedelta(days=days - 1)
    found = {
        (on - today).days: why for on, why in closed_days([depot], today, last)[depot.pk].items()
    }
    for row in BlockedDays.objects.filter(depot=depot, from_on__lte=last, until_on__gte=today):
        first, end = max(row.from_on, today), min(row.until_on, last)
        blocked = f"no visits: {row.reason}"
        found = {(first - today).days + at: blocked for at in range((end - first).days + 1)} | found
    return found


def _open_days(depot: Depot, today: date, days: int, closed: dict[int, str]) -> Array:
    dates = [today + timedelta(days=at) for at in range(days)]
    week = [depot.working_days[on.weekday()] == "1" for on in dates]
    return np.array([there and at not in closed for at, there in enumerate(week)])


def _presence(people: list[Mechanic], today: date, days: int) -> Array:
    dates = [today + timedelta(days=at) for at in range(days)]
    minutes = np.array(
        [[one.minutes * (one.works_on[on.weekday()] == "1") for on in dates] for one in people],
        dtype=float,
    )
    row_of = {one.pk: number for number, one in enumerate(people) if one.pk}
    for absence in Absence.objects.filter(mechanic__in=list(row_of), until_on__gte=today):
        if absence.mechanic_id is not None:
            first = max(0, (absence.from_on - today).days)
            last = (absence.until_on - today).days + 1
            minutes[row_of[absence.mechanic_id], first:last] = 0
    return minutes
