"""Rows of the Baselines page: what is shown of each, and what was typed into it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.http import QueryDict

from fleet.dashboard.whole_numbers import whole_number
from fleet.due.baselines import Baseline, Counted, counted
from fleet.due.listing import DueFilter, DueRow, due_rows
from fleet.due.models import Service
from fleet.faults import Fault
from fleet.people.models import Person
from fleet.people.roles import depots_of
from fleet.units import UnitError, distance_km, distance_mi, hours_h, number
from fleet.usage.listing import odometer_states
from fleet.usage.models import UsageState
from fleet.vehicles.models import Vehicle
from fleet.vehicles.own_unit import units_of

MOST_ROWS = 200  # of one form; our choice
DAY_S = 86_400
TYPED = ("done_on", "total", "hours", "source", "why")


@dataclass(frozen=True)
class Unknown:
    """A service of a vehicle whose history nobody knows."""

    vehicle_id: int
    service_id: int
    key: str  # where a list goes on


@dataclass
class Line:
    """One row: the service, what is known beside it, what was typed, and what is wrong with it."""

    vehicle: Vehicle
    service: Service
    unit: str  # of the odometer
    counts: Counted
    total: float | None  # last accepted total, in its unit
    read_on: date | None
    typed: Mapping[str, str] = field(default_factory=dict)
    baseline: Baseline | None = None
    fault: str = ""
    about: str = ""  # the field it is about
    asked: bool = False
    candidates: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        return f"{self.vehicle.pk}-{self.service.pk}"

    @property
    def touched(self) -> bool:
        return any(self.typed.values())


def unknown(
    depots: Sequence[str], *, service: str, vehicle: str, after: str, limit: int
) -> list[Unknown]:
    """Services without a history, those of one vehicle first where one is named."""
    states = ["history_unknown"]
    own = (
        due_rows(DueFilter(depots=depots, vehicle=vehicle, states=states), limit=limit)
        if vehicle
        else []
    )
    key = _after(after)
    rest = due_rows(
        DueFilter(depots=depots, service=service or None, states=states),
        after=key,
        limit=limit + len(own),
    )
    named = {(row.vehicle_id, row.service_id) for row in own}
    others = [row for row in rest if (row.vehicle_id, row.service_id) not in named]
    return [Unknown(row.vehicle_id, row.service_id, _key(row)) for row in [*own, *others]][:limit]


def _key(row: DueRow) -> str:
    return f"{row.sort_on}.{row.vehicle_id}.{row.service_id}"


def _after(text: str) -> tuple[date, int, int] | None:
    day, _, ids = text.partition(".")
    vehicle_id, _, service_id = ids.partition(".")
    if not (vehicle_id.isdecimal() and service_id.isdecimal()):
        return None
    try:
        return date.fromisoformat(day), whole_number(vehicle_id), whole_number(service_id)
    except ValueError:
        return None


def lines_of(rows: Sequence[Unknown]) -> list[Line]:
    """The rows with everything shown beside them; five queries however many there are."""
    return _lines([(row.vehicle_id, row.service_id) for row in rows], Vehicle.objects.all())


def _lines(pairs: Sequence[tuple[int, int]], seen: QuerySet[Vehicle]) -> list[Line]:
    wanted = seen.filter(pk__in={vehicle_id for vehicle_id, _ in pairs})
    vehicles = {one.pk: one for one in wanted.select_related("depot", "vehicle_type")}
    services = Service.objects.select_related("compartment").in_bulk({pk for _, pk in pairs})
    units, last = units_of(vehicles), odometer_states(vehicles)
    limits = counted(set(services))
    return [
        _line(vehicles[pk], services[of], units.get(pk, "km"), limits[of], last.get(pk))
        for pk, of in pairs
        if pk in vehicles
        and of in services
        and services[of].vehicle_type_id == vehicles[pk].vehicle_type_id
    ]


def _line(
    vehicle: Vehicle, service: Service, unit: str, counts: Counted, state: UsageState | None
) -> Line:
    if state is None:
        return Line(vehicle, service, unit, counts, None, None)
    total = distance_mi(state.last_km) if unit == "mi" else state.last_km
    read_on = datetime.fromtimestamp(state.last_at_d * DAY_S, ZoneInfo(vehicle.depot.zone)).date()
    return Line(vehicle, service, unit, counts, total, read_on)


# --- what was typed --------------------------------------------------------------------------
def read_lines(person: Person, given: QueryDict) -> list[Line]:
    """The rows of a form that this person may see, with what was typed into them."""
    pairs = []
    for key in dict.fromkeys(given.getlist("row")[:MOST_ROWS]):
        vehicle_id, _, service_id = key.partition("-")
        if vehicle_id.isdecimal() and service_id.isdecimal():
            pairs.append((whole_number(vehicle_id), whole_number(service_id)))
    lines = _lines(pairs, Vehicle.objects.filter(depot__in=depots_of(person)))
    for line in lines:
        _take(line, given)
    return lines


def _take(line: Line, given: QueryDict) -> None:
    line.typed = {name: given.get(f"{name}-{line.key}", "").strip()[:300] for name in TYPED}
    if not line.touched:
        return
    try:
        line.baseline = Baseline(
            vehicle=line.vehicle,
            service=line.service,
            done_on=read_day(line.typed["done_on"]),
            total_km=_km(line.typed["total"], line.unit),
            total_h=_hours(line.typed["hours"]),
            source=line.typed["source"] or given.get("source", "").strip()[:300],
            why_it_stands=line.typed["why"],
        )
    except Fault as fault:
        line.fault, line.about = str(fault), fault.about


def read_day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        words = f"“{text[:40]}” is not a date: write it as 2026-03-31."
        raise Fault(words, about="done_on") from None


def _km(text: str, unit: str) -> float | None:
    try:
        own = number(text, ".").unit if text else None
        return distance_km(text, None if own else unit) if text else None
    except UnitError as error:
        raise Fault(str(error), about="total") from error


def _hours(text: str) -> float | None:
    try:
        own = number(text, ".").unit if text else None
        return hours_h(text, None if own else "h") if text else None
    except UnitError as error:
        raise Fault(str(error), about="hours") from error
