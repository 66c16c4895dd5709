"""What is entered about workshops, as lists: what a depot has and what keeps vehicles out of it."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import F, Model, Q, QuerySet

from fleet.today import oldest_day, today_at
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Closure, Depot
from fleet.visits.labour import NO_PROCEDURE_MIN
from fleet.visits.models import (
    Absence,
    Bay,
    BlockedDays,
    Mechanic,
    ServiceNeed,
    SparedType,
    Workshop,
)
from fleet.workorders.book_minutes import book_minutes


@dataclass(frozen=True)
class BayRow:
    """A place where one vehicle stands; what is empty limits nothing."""

    id: int
    name: str
    rated_kg: int | None
    length_m: float | None
    height_m: float | None
    opening_min: int | None  # empty: as the workshop
    source: str


@dataclass(frozen=True)
class MechanicRow:
    """Somebody who works there."""

    id: int
    name: str
    minutes: int  # on a day of work
    works_on: str  # seven digits, Monday first
    skills: tuple[str, ...]
    person: str | None  # user name
    source: str


@dataclass(frozen=True)
class AwayRow:
    """Days on which a mechanic is not there, or a vehicle cannot come."""

    id: int
    mechanic: str | None
    vehicle: str | None
    from_on: date
    until_on: date
    reason: str


@dataclass(frozen=True)
class ClosureRow:
    """A day on which the depot is closed, or open although it is a public holiday."""

    id: int
    on: date
    open: bool
    note: str


@dataclass(frozen=True)
class BlockedRow:
    """Days without visits."""

    id: int
    from_on: date
    until_on: date
    reason: str


@dataclass(frozen=True)
class SparedRow:
    """How many vehicles of a type can be spared on one day."""

    id: int
    vehicle_type: str
    vehicles_a_day: int


@dataclass(frozen=True)
class WorkshopRow:
    """All of one depot that its plans take; days that are over are left out.

    Money in minor units. ``entered`` False: nobody said what the workshop is like, and the usual
    figures stand.
    """

    depot: str
    entered: bool
    working_days: str  # seven digits, Monday first
    holidays_in: str
    opening_min: int
    kept_share: float
    set_up_min: int
    vehicles_a_day: int | None
    visit_minor: int
    late_change_minor: int
    late_check_minor: int
    growing_minor: int
    change_minor: int
    check_minor: int
    moved_minor: int
    source: str
    bays: tuple[BayRow, ...]
    mechanics: tuple[MechanicRow, ...]
    away: tuple[AwayRow, ...]
    blocked_days: tuple[BlockedRow, ...]
    spared_types: tuple[SparedRow, ...]
    closures: tuple[ClosureRow, ...]


@dataclass(frozen=True)
class NeedRow:
    """What a service takes and asks for, at every depot."""

    id: int
    vehicle_type: str
    service: str
    book_min: int
    skills: tuple[str, ...]
    second_min: int
    source: str


OWN = (
    *("opening_min", "kept_share", "set_up_min", "vehicles_a_day", "visit_minor"),
    *("late_change_minor", "late_check_minor", "growing_minor", "change_minor", "check_minor"),
    *("moved_minor", "source"),
)


def workshop_rows(depots: Sequence[Depot], now: datetime) -> list[WorkshopRow]:
    """Of each of some depots; a constant number of queries."""
    kept = {one.depot_id: one for one in Workshop.objects.filter(depot__in=depots)}
    since = oldest_day([depot.zone for depot in depots], now)
    bays = _by_depot(Bay.objects.filter(depot__in=depots).order_by("name", "pk"))
    mechanics = _by_depot(
        Mechanic.objects.filter(depot__in=depots).select_related("person").order_by("name", "pk")
    )
    lasting = absences_of(depots).filter(until_on__gte=since)
    away = _by_depot(lasting.order_by(F("mechanic").asc(nulls_last=True), "from_on", "pk"))
    blocked = _by_depot(
        BlockedDays.objects.filter(depot__in=depots, until_on__gte=since).order_by("from_on", "pk")
    )
    spared = _by_depot(
        SparedType.objects.filter(depot__in=depots)
        .select_related("vehicle_type")
        .order_by("vehicle_type__slug")
    )
    closed = _by_depot(Closure.objects.filter(depot__in=depots, on__gte=since).order_by("on"))
    rows = []
    for depot in depots:
        shop = kept.get(depot.pk) or Workshop(depot=depot)
        today = today_at(depot.zone, now)
        rows.append(
            WorkshopRow(
                depot=depot.slug,
                entered=depot.pk in kept,
                working_days=depot.working_days,
                holidays_in=depot.holidays_in,
                **{name: getattr(shop, name) for name in OWN},
                bays=tuple(map(bay_row, bays[depot.pk])),
                mechanics=tuple(map(mechanic_row, mechanics[depot.pk])),
                away=tuple(away_row(one) for one in away[depot.pk] if one.until_on >= today),
                blocked_days=tuple(
                    blocked_row(one) for one in blocked[depot.pk] if one.until_on >= today
                ),
                spared_types=tuple(
                    SparedRow(one.pk, one.vehicle_type.slug, one.vehicles_a_day)
                    for one in spared[depot.pk]
                ),
                closures=tuple(
                    ClosureRow(one.pk, one.on, one.open, one.note)
                    for one in closed[depot.pk]
                    if one.on >= today
                ),
            )
        )
    return rows


def absences_of(depots: Depots) -> QuerySet[Absence]:
    """Of mechanics and vehicles of some depots."""
    mine = Q(mechanic__depot__in=depots) | Q(vehicle__depot__in=depots)
    return Absence.objects.filter(mine).select_related("mechanic", "vehicle")


def blocked_row(one: BlockedDays) -> BlockedRow:
    """Days without visits, as they are shown."""
    return BlockedRow(one.pk, one.from_on, one.until_on, one.reason)


def needs() -> QuerySet[ServiceNeed]:
    """What services ask for, by type."""
    rows = ServiceNeed.objects.select_related("service__vehicle_type")
    return rows.order_by("service__vehicle_type__slug", "service__slug", "pk")


def need_rows() -> list[NeedRow]:
    """Services that ask for a skill or a second person; three queries."""
    rows = list(needs())
    found = book_minutes({one.service_id for one in rows})
    return [_need_row(one, found) for one in rows]


def need_row(one: ServiceNeed) -> NeedRow:
    """What a service asks for, as it is shown."""
    return _need_row(one, book_minutes([one.service_id]))


def _need_row(one: ServiceNeed, found: Mapping[int, int]) -> NeedRow:
    return NeedRow(
        id=one.pk,
        vehicle_type=one.service.vehicle_type.slug,
        service=one.service.slug,
        book_min=found.get(one.service_id, NO_PROCEDURE_MIN),
        skills=tuple(one.skills),
        second_min=one.second_min,
        source=one.source,
    )


def _by_depot(rows: QuerySet[Any] | list[Any]) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = defaultdict(list)
    for row in rows:
        found[_place(row)].append(row)
    return found


def _place(row: Model) -> int:
    held: Any = row
    if isinstance(row, Absence):
        held = row.mechanic or row.vehicle
    return int(held.depot_id)


def bay_row(one: Bay) -> BayRow:
    """A bay, as it is shown."""
    return BayRow(
        id=one.pk,
        name=one.name,
        rated_kg=one.rated_kg,
        length_m=one.length_m,
        height_m=one.height_m,
        opening_min=one.opening_min,
        source=one.source,
    )


def mechanic_row(one: Mechanic) -> MechanicRow:
    """A mechanic, as it is shown."""
    return MechanicRow(
        id=one.pk,
        name=one.name,
        minutes=one.minutes,
        works_on=one.works_on,
        skills=tuple(one.skills),
        person=one.person.username if one.person else None,
        source=one.source,
    )


def away_row(one: Absence) -> AwayRow:
    """Days on which a mechanic or a vehicle is away, as they are shown."""
    return AwayRow(
        id=one.pk,
        mechanic=one.mechanic.name if one.mechanic else None,
        vehicle=one.vehicle.fleet_number if one.vehicle else None,
        from_on=one.from_on,
        until_on=one.until_on,
        reason=one.reason,
    )
