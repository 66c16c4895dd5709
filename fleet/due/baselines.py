"""Say of many vehicles at once when services were last done, each from its own document."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date

from django.db import transaction

from fleet.due import claims
from fleet.due.models import Limit, Service, ServiceDone
from fleet.due.read_off import read_off
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.today import day, today_at
from fleet.vehicles.models import Meter, Vehicle


@dataclass(frozen=True)
class Baseline:
    """A document that says when a service was last done."""

    vehicle: Vehicle  # with its depot
    service: Service
    done_on: date | None
    total_km: float | None
    total_h: float | None
    source: str  # the document
    why_it_stands: str = ""  # the answer to a question about a total

    def same_as(self, row: ServiceDone) -> bool:
        """Whether a row says just this: a form that was sent twice."""
        mine = (self.done_on, self.total_km, self.total_h, self.source)
        return mine == (row.done_on, row.total_km, row.total_h, row.source)


@dataclass(frozen=True)
class Counted:
    """What the limits of a service count."""

    km: bool
    hours: bool


def enter_baselines(actor: Actor, given: Sequence[Baseline]) -> list[ServiceDone | Fault]:
    """Enter what documents say; one outcome for each, in order.

    A row with a fault, or with a total that the readings contradict (then a `Question`), is left
    out with it, and the others are entered. With ``why_it_stands`` such a total goes through.

    Raises
    ------
    Forbidden
        The person may not enter history at the depot of one of the vehicles.
    """
    for depot_id in {one.vehicle.depot_id for one in given}:
        actor.must(Right.ENTER_HISTORY, depot_id)
    limits = counted({one.service.pk for one in given})
    with transaction.atomic():
        # one after the other for a vehicle, so that a form sent twice finds the rows of the first
        list(Vehicle.objects.select_for_update().filter(pk__in={one.vehicle.pk for one in given}))
        standing = _standing(given)
        found: list[ServiceDone | Fault | None] = [
            _known(one, standing) or _lacking(one, limits[one.service.pk], actor) for one in given
        ]
        open_rows = [at for at, outcome in enumerate(found) if outcome is None]
        _ask(given, open_rows, found)
        fresh = [at for at in open_rows if found[at] is None]
        rows = [_row(given[at], actor) for at in fresh]
        read_off(rows, actor.now)
        ServiceDone.objects.bulk_create(rows)
    made = dict(zip(fresh, rows, strict=True))
    return [outcome or made[at] for at, outcome in enumerate(found)]


def counted(service_ids: Collection[int]) -> dict[int, Counted]:
    """Which meters the limits of services count, in any duty class."""
    rows = Limit.objects.filter(service__in=service_ids).values_list(
        "service", "limit_km", "limit_h"
    )
    by_km = {service for service, km, _ in rows if km is not None}
    by_h = {service for service, _, hours in rows if hours is not None}
    return {pk: Counted(pk in by_km, pk in by_h) for pk in service_ids}


def _standing(given: Sequence[Baseline]) -> dict[tuple[int, int], ServiceDone]:
    rows = ServiceDone.objects.filter(
        vehicle__in={one.vehicle.pk for one in given},
        service__in={one.service.pk for one in given},
        superseded_by=None,
        void=False,
    )
    return {(row.vehicle_id, row.service_id): row for row in rows.order_by("done_on", "pk")}


def _known(
    one: Baseline, standing: dict[tuple[int, int], ServiceDone]
) -> ServiceDone | Fault | None:
    row = standing.get((one.vehicle.pk, one.service.pk))
    if row is None or one.same_as(row):
        return row
    return Fault(
        f"Its history is known meanwhile: done on {day(row.done_on)} ({row.source}). "
        "Nothing was added."
    )


def _lacking(one: Baseline, limits: Counted, actor: Actor) -> Fault | None:
    """What a document must say so that every limit can count from it."""
    if one.done_on is None:
        return Fault("Say on which day it was done.", about="done_on")
    if one.done_on > today_at(one.vehicle.depot.zone, actor.now):
        return Fault(f"{day(one.done_on)} lies ahead: write the day it was done.", about="done_on")
    if limits.km and one.total_km is None:
        text = "Write what the odometer stood at: this service counts distance too."
        return Fault(text, about="total")
    if limits.hours and one.total_h is None:
        text = "Write the engine hours of that day: this service counts them too."
        return Fault(text, about="hours")
    if not one.source.strip():
        return Fault("Name the document that says so.", about="source")
    return None


def _ask(
    given: Sequence[Baseline], rows: Sequence[int], found: list[ServiceDone | Fault | None]
) -> None:
    """Put the question about a total where its outcome stands, unless it is answered."""
    said = [given[at] for at in rows]
    totals = {
        Meter.Kind.KM: [one.total_km for one in said],
        Meter.Kind.HOURS: [one.total_h for one in said],
    }
    days = [one.done_on for one in said if one.done_on is not None]
    if said:
        asked = claims.asked([one.vehicle.pk for one in said], days, totals)
        for place, question in asked.items():
            if not said[place].why_it_stands.strip():
                found[rows[place]] = question


def _row(one: Baseline, actor: Actor) -> ServiceDone:
    return ServiceDone(
        vehicle=one.vehicle,
        service=one.service,
        done_on=one.done_on,  # type: ignore[misc]  # there: a row without one is lacking
        total_km=one.total_km,
        total_h=one.total_h,
        evidence=ServiceDone.Evidence.BASELINE,
        source=one.source.strip()[:300],
        why_it_stands=one.why_it_stands.strip()[:300],
        person=actor.person,
    )
