"""Cost per 1,000 km by vehicle, service, depot or duty class, from what was recorded.

Materials are what the ledger booked, at its prices; labour is the minutes of each job at the rate
of its depot; outside work is its invoice. Materials and an invoice of several jobs are shared out
by their minutes. The km are those between the first and the last accepted reading of the time.
A job is of the duty class that its service has on that vehicle today, since one compartment may
be in severe duty and another not; the km of a class are those of all vehicles with such a service.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Count, F, Max, Min, Q, Sum

from fleet.calc.costs import Cost, JobCost, add_up, labour, split, sum_of
from fleet.due.models import DueDate, Service, ServiceDone
from fleet.readings.models import Reading, Verdict
from fleet.stores.models import StockMove
from fleet.vehicles.models import Depot, Meter, Vehicle
from fleet.workorders.models import Job, LabourRate, WorkOrder

ClassOf = dict[tuple[str, str], str]
BY = ("vehicle", "service", "depot", "class")
ENDED = (WorkOrder.State.FINISHED, WorkOrder.State.SIGNED_OFF)
YEAR = timedelta(days=365)
MOST_YEARS = 10  # that are offered to look back at; our choice
OTHER_WORK, NOT_KNOWN = "other work", "not known"


@dataclass(frozen=True)
class CostLine:
    """What one vehicle, service or depot cost."""

    name: str  # fleet number, service, depot or duty class
    cost: Cost
    vehicles: int = 0  # of a duty class, that have a service in it
    of_all: int = 0  # likewise, vehicles of the depots


@dataclass(frozen=True)
class _Materials:
    worth_minor: int
    unpriced: int


def costs(depot_ids: Collection[int], *, by: str, from_on: date, until_on: date) -> list[CostLine]:
    """Cost of the time from the start of one day to the end of another, the dearest first."""
    since, until = _span(depot_ids, from_on, until_on)
    jobs = list(_jobs(depot_ids, since, until))
    priced = list(zip(jobs, _priced(jobs), strict=True))
    km_of, vehicles = _driven(depot_ids, since, until), _vehicles(depot_ids)
    class_of: ClassOf = _classes(depot_ids) if by == "class" else {}
    groups: dict[str, list[JobCost]] = defaultdict(list)
    for row, cost in priced:
        groups[_key(row, by, class_of)].append(cost)
    km = _km_by(by, km_of, vehicles, class_of)
    size = Counter(own for _, own in {(number, own) for (number, _), own in class_of.items()})
    found = [
        CostLine(name, add_up(group, km(name)), size[name], len(vehicles) if size[name] else 0)
        for name, group in groups.items()
    ]
    return sorted(found, key=lambda line: (-line.cost.total_minor, line.name))


def years(depot_ids: Collection[int], today: date) -> list[tuple[date, date]]:
    """First and last day of each year back from today in which work was finished, and of all
    between, the last one first; the one that ends today in any case."""
    done = WorkOrder.objects.filter(depot__in=depot_ids, state__in=ENDED)
    first = done.aggregate(first=Min("finished_at"))["first"]
    found = [(today - YEAR, today)]
    while first and len(found) < MOST_YEARS:
        until_on = found[-1][0] - timedelta(days=1)
        if _span(depot_ids, until_on, until_on)[1] <= first:
            break
        found.append((until_on - YEAR, until_on))
    return found


def without_order(depot_ids: Collection[int], *, from_on: date, until_on: date) -> int:
    """Services recorded as done without a work order: nobody knows what they cost."""
    return ServiceDone.objects.filter(
        vehicle__depot__in=depot_ids,
        done_on__gte=from_on,
        done_on__lte=until_on,
        job=None,
        void=False,
        superseded_by=None,
    ).count()


def _span(depot_ids: Collection[int], from_on: date, until_on: date) -> tuple[datetime, datetime]:
    zones = Depot.objects.filter(pk__in=depot_ids).values_list("zone", flat=True)
    zone = ZoneInfo(zones.first() or "UTC")
    start = datetime.combine(from_on, time(), zone)
    return start, datetime.combine(until_on + timedelta(days=1), time(), zone)


def _jobs(depot_ids: Collection[int], since: datetime, until: datetime) -> Any:
    return (
        Job.objects.filter(
            order__depot__in=depot_ids,
            order__state__in=ENDED,
            order__finished_at__gte=since,
            order__finished_at__lt=until,
        )
        .exclude(state=Job.State.DROPPED)
        .order_by("id")
        .values(
            "order_id",
            "minutes",
            "state",
            "spent_min",
            number=F("order__number"),
            depot=F("order__depot__slug"),
            where=F("order__where"),
            invoice=F("order__cost_minor"),
            vehicle_no=F("vehicle__fleet_number"),
            slug=F("service__slug"),
        )
    )


def _priced(jobs: list[dict[str, Any]]) -> list[JobCost]:
    """A cost for each job, in their order."""
    rates = dict(LabourRate.objects.values_list("depot__slug", "rate_minor_per_h"))
    booked = _booked({row["number"] for row in jobs})
    of_order: dict[int, list[int]] = defaultdict(list)
    for at, row in enumerate(jobs):
        of_order[row["order_id"]].append(at)
    found: dict[int, JobCost] = {}
    for places in of_order.values():
        rows = [jobs[at] for at in places]
        found.update(zip(places, _of_order(rows, rates, booked), strict=True))
    return [found[at] for at in range(len(jobs))]


def _of_order(
    rows: list[dict[str, Any]], rates: dict[str, int], booked: dict[str, _Materials]
) -> list[JobCost]:
    weights = [row["minutes"] for row in rows]
    if rows[0]["where"] == WorkOrder.Where.OUTSIDE:
        invoice = rows[0]["invoice"]
        gap = () if invoice is not None else ("invoice without a cost",)
        return [JobCost(0, 0, part, gap) for part in split(invoice or 0, weights)]
    materials = booked.get(rows[0]["number"], _Materials(0, 0))
    gap = ("material without a price",) if materials.unpriced else ()
    parts = split(materials.worth_minor, weights)
    return [_own(row, part, rates, gap) for row, part in zip(rows, parts, strict=True)]


def _own(
    row: dict[str, Any], materials_minor: int, rates: dict[str, int], gap: tuple[str, ...]
) -> JobCost:
    rate = rates.get(row["depot"])
    if rate is None:
        gap = (*gap, f"no labour rate at {row['depot']}")
    minutes = _minutes(row)
    if not minutes and (minutes is None or row["state"] == Job.State.DONE):
        gap = (*gap, "no labour minutes")
    return JobCost(materials_minor, labour(minutes or 0, rate or 0), 0, gap)


def _minutes(row: dict[str, Any]) -> int | None:
    """By the book where it was done, else those spent; None: nobody said."""
    found: int | None = row["minutes"] if row["state"] == Job.State.DONE else row["spent_min"]
    return found


def _booked(numbers: Collection[str]) -> dict[str, _Materials]:
    rows = (
        StockMove.objects.filter(order_number__in=numbers)
        .order_by()
        .values("order_number")
        .annotate(worth=Sum("price_minor"), unpriced=Count("pk", filter=Q(price_minor=None)))
    )
    return {row["order_number"]: _Materials(-(row["worth"] or 0), row["unpriced"]) for row in rows}


def _driven(depot_ids: Collection[int], since: datetime, until: datetime) -> dict[str, float]:
    """Fleet number to km between the first and the last accepted reading."""
    rows = (
        Reading.objects.filter(
            vehicle__depot__in=depot_ids,
            meter__kind=Meter.Kind.KM,
            verdict=Verdict.ACCEPTED,
            taken_at__gte=since,
            taken_at__lt=until,
        )
        .order_by()
        .values("vehicle__fleet_number")
        .annotate(first=Min("total"), last=Max("total"))
    )
    return {row["vehicle__fleet_number"]: (row["last"] or 0) - (row["first"] or 0) for row in rows}


def _vehicles(depot_ids: Collection[int]) -> list[tuple[str, str, int]]:
    """Fleet number, depot and type of each vehicle."""
    rows = Vehicle.objects.filter(depot__in=depot_ids)
    return list(rows.values_list("fleet_number", "depot__slug", "vehicle_type_id"))


def _classes(depot_ids: Collection[int]) -> ClassOf:
    """Duty class of each service of each vehicle, by fleet number and the service's slug."""
    rows = DueDate.objects.filter(vehicle__depot__in=depot_ids).order_by()
    named = rows.values_list("vehicle__fleet_number", "service__slug", "duty_class")
    return {(number, slug): str(own) for number, slug, own in named}


def names_by(by: str) -> dict[str, str]:
    """What groups are called, by the slug under which they are counted; vehicles by no other."""
    if by == "depot":
        return dict(Depot.objects.values_list("slug", "name"))
    # of one that types call differently, the name that comes first
    named = Service.objects.order_by("-name").values_list("slug", "name")
    return dict(named) if by == "service" else {}


def _key(row: dict[str, Any], by: str, class_of: ClassOf) -> str:
    if by == "vehicle":
        return str(row["vehicle_no"])
    if by == "class" and row["slug"]:
        return class_of.get((row["vehicle_no"], row["slug"]), NOT_KNOWN)
    return str(row["depot"]) if by == "depot" else str(row["slug"] or OTHER_WORK)


def _km_by(
    by: str,
    km_of: dict[str, float],
    vehicles: list[tuple[str, str, int]],
    class_of: ClassOf,
) -> Callable[[str], float]:
    """The km that a group is held against: a service, against those of all that have it."""
    if by == "vehicle":
        return lambda name: km_of.get(name, 0.0)
    if by == "class":
        pairs = {(number, own) for (number, _), own in class_of.items()}
        of = {one: {number for number, own in pairs if own == one} for _, one in pairs}
        return lambda name: sum_of(km_of, of.get(name, {number for number, *_ in vehicles}))
    if by == "depot":
        return lambda name: sum_of(km_of, (number for number, at, _ in vehicles if at == name))
    types: dict[str, set[int]] = defaultdict(set)
    for slug, vehicle_type in Service.objects.values_list("slug", "vehicle_type_id"):
        types[slug].add(vehicle_type)
    every = {vehicle_type for _, _, vehicle_type in vehicles}
    return lambda name: sum_of(
        km_of, (number for number, _, kind in vehicles if kind in types.get(name, every))
    )
