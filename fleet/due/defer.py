"""Leave to do a service later. It moves no limit and counts as late all the same."""

from datetime import date, datetime

from django.db.models import Case, QuerySet, When

from fleet.due.models import Deferral, DueDate, Service
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.today import today_at
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Vehicle
from fleet.vehicles.own_unit import unit_column


def defer(
    *,
    vehicle: Vehicle,
    service: Service,
    person: Person,
    reason: str,
    until_on: date | None = None,
    until_km: float | None = None,
    second_person: Person | None = None,
    may_wait: bool = False,
) -> Deferral:
    """Defer a service to a date or a total; beyond its tolerance a second person must agree.

    With ``may_wait`` one beyond the tolerance is kept without that person; it holds from when
    somebody agrees (``agree``).

    Raises
    ------
    Forbidden
        Either person may not defer at the vehicle's depot.
    Fault
        No reason or no end, or a second person is needed.
    """
    for who in filter(None, (person, second_person)):
        if not may(who, Right.DEFER, vehicle.depot_id):
            raise Forbidden(f"{who} may not defer services at this depot.")
    if not reason.strip() or (until_on is None and until_km is None):
        raise Fault(
            "A deferral needs a reason, and a date or a km reading until when.", about="until_on"
        )
    beyond = is_beyond_tolerance(vehicle, service, until_on, until_km)
    if beyond and not may_wait and (second_person is None or second_person == person):
        raise Fault("That is beyond the tolerance: a second person must agree to it.")
    return Deferral.objects.create(
        vehicle=vehicle,
        service=service,
        person=person,
        reason=reason.strip(),
        until_on=until_on,
        until_km=until_km,
        beyond_tolerance=beyond,
        second_person=second_person,
    )


def is_beyond_tolerance(
    vehicle: Vehicle, service: Service, until_on: date | None, until_km: float | None = None
) -> bool:
    """Whether a deferral so far needs a second person.

    Raises
    ------
    Fault
        There is no date that could be deferred.
    """
    row = DueDate.objects.filter(vehicle=vehicle, service=service).select_related("limit").first()
    if row is None or not row.history_known:
        raise Fault(f"{service.name} of {vehicle} has no due date that could be deferred.")
    late = bool(until_on and row.tolerance_until_on and until_on > row.tolerance_until_on)
    if until_km is None or row.remaining_km is None:
        return late or row.beyond_tolerance_by_reading
    last_km = vehicle.usage_states.filter(meter__kind="km").values_list("last_km", flat=True)
    limit_km = (last_km.first() or 0) + row.remaining_km
    tolerance_km = row.limit.tolerance_km if row.limit else 0
    return late or until_km > limit_km + tolerance_km


def agree(deferral: Deferral, *, person: Person) -> Deferral:
    """Agree, as a second person, to a deferral beyond the tolerance; it holds from now on.

    Raises
    ------
    Forbidden
        The person asked for it, or may not defer at the vehicle's depot.
    Refused
        It waits for nobody: within the tolerance, agreed to already, or taken back.
    """
    if not may(person, Right.DEFER, deferral.vehicle.depot_id):
        raise Forbidden(f"{person} may not agree to deferrals at this depot.")
    if deferral.person_id == person.pk:
        raise Forbidden("Nobody agrees to their own deferral: ask another person who may defer.")
    if not deferrals(waiting=True).filter(pk=deferral.pk).update(second_person=person):
        raise Refused("This deferral waits for nobody's agreement.")
    deferral.refresh_from_db()
    return deferral


def withdraw(deferral: Deferral, *, person: Person, now: datetime) -> Deferral:
    """Take a deferral back; the row stays.

    Raises
    ------
    Forbidden
        The person may not defer at the vehicle's depot.
    Refused
        It has ended.
    """
    depot = deferral.vehicle.depot
    if not may(person, Right.DEFER, depot.pk):
        raise Forbidden(f"{person} may not take deferrals back at this depot.")
    if deferral.has_ended(today_at(depot.zone, now)):
        raise Refused("This deferral has ended by itself: there is nothing to take back.")
    Deferral.objects.filter(pk=deferral.pk, withdrawn_at=None).update(withdrawn_at=now)
    deferral.refresh_from_db()
    return deferral


def deferrals(*, withdrawn: bool | None = None, waiting: bool = False) -> QuerySet[Deferral]:
    """Deferrals taken back or not (default both), or only those that wait for a second person."""
    rows = Deferral.objects.all()
    if withdrawn is not None:
        rows = rows.filter(withdrawn_at__isnull=not withdrawn)
    if waiting:
        rows = rows.filter(beyond_tolerance=True, second_person=None, withdrawn_at=None)
    return rows


@prepared
def standing(vehicle_ids: Ids, today: date) -> Rows:
    """Deferrals of vehicles that nobody has taken back, with whether each has ``ended``."""
    return _standing(vehicle_ids, today)


def _standing(vehicle_ids: Ids, today: date) -> QuerySet[Deferral]:
    rows = deferrals(withdrawn=False).filter(vehicle__in=vehicle_ids)
    rows = rows.annotate(ended=Case(When(until_on__lt=today, then=True), default=False))
    return rows.select_related("service", "person", "second_person")


def waiting_for(person: Person, depots: Depots) -> QuerySet[Deferral]:
    """Those of some depots that wait for a person: never one's own."""
    rows = deferrals(waiting=True).filter(vehicle__depot__in=depots).exclude(person=person)
    rows = rows.annotate(odometer_unit=unit_column())
    return rows.select_related("vehicle__depot", "service", "person").order_by("created_at")


@reader
def in_force(vehicle_ids: list[int], today: date) -> Read[dict[tuple[int, int], Deferral]]:
    """Deferrals that still run, by vehicle and service; the newest one counts.

    One beyond the tolerance that nobody has agreed to is none yet.
    """
    rows = _in_force(vehicle_ids, today)
    yield [rows]
    return {(row.vehicle_id, row.service_id): row for row in rows}


@prepared
def _in_force(vehicle_ids: Ids, today: date) -> Rows:
    rows = _standing(vehicle_ids, today).exclude(until_on__lt=today)
    return rows.exclude(beyond_tolerance=True, second_person=None).order_by("created_at")
