"""Write down what was done: services, fills, top-ups. Rows are only ever added."""

from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from fleet.due import claims
from fleet.due.models import Fill, Service, ServiceDone, TopUp
from fleet.people.models import Person
from fleet.readings.models import Reading, Verdict
from fleet.stores.models import Product
from fleet.vehicles.models import Compartment, Vehicle


def standing_rows(vehicle: Vehicle) -> QuerySet[ServiceDone]:
    """Services done on a vehicle that no later row corrects, those taken back among them."""
    return ServiceDone.objects.filter(vehicle=vehicle, superseded_by=None)


def record_done(
    *,
    vehicle: Vehicle,
    service: Service,
    done_on: date,
    evidence: str,
    source: str,
    person: Person | None,
    reading: Reading | None = None,
    total_km: float | None = None,
    total_h: float | None = None,
    why_it_stands: str = "",
    done_at: datetime | None = None,
) -> ServiceDone:
    """Record a service done, at a reading or at a total taken from a document.

    A reading that is not accepted (yet) makes the row provisional: it keeps what was given, and
    ``settle_provisional`` puts the settled total in its place. Work has its instant ``done_at``; a
    document has none, and settles only what was called for on earlier days.

    Raises
    ------
    Question
        The readings contradict a total from a document; with a reason why it stands it is kept.
    """
    if reading is not None:
        total_km = reading.meter_value if reading.total is None else reading.total
    elif not why_it_stands.strip():
        claims.ask(vehicle, done_on, total_km, total_h)
    return ServiceDone.objects.create(
        vehicle=vehicle,
        service=service,
        done_on=done_on,
        done_at=done_at,
        total_km=total_km,
        total_h=total_h,
        evidence=evidence,
        source=source,
        reading=reading,
        provisional=reading is not None and reading.verdict != Verdict.ACCEPTED,
        why_it_stands=why_it_stands.strip()[:300],
        person=person,
    )


def settle_provisional() -> int:
    """Supersede provisional rows whose reading has been accepted since; give their number."""
    rows = ServiceDone.objects.filter(
        provisional=True,
        superseded_by=None,
        reading__verdict=Verdict.ACCEPTED,
    ).select_related("reading")
    with transaction.atomic():
        settled = [_superseding(row, total_km=row.reading.total) for row in rows if row.reading]
        ServiceDone.objects.bulk_create(settled)
    return len(settled)


def at_reading(row: ServiceDone, reading: Reading) -> ServiceDone:
    """Supersede a service by one at another reading: the odometer was read again."""
    total_km = reading.meter_value if reading.total is None else reading.total
    provisional = reading.verdict != Verdict.ACCEPTED
    fresh = _superseding(
        _newest(row), reading_id=reading.pk, total_km=total_km, provisional=provisional
    )
    fresh.save()
    return fresh


def withdraw(row: ServiceDone, *, person: Person | None, source: str) -> ServiceDone:
    """Take back a service that was not done: a row that voids it supersedes it."""
    void = _superseding(_newest(row), void=True, person=person, source=source)
    void.save()
    return void


def _newest(row: ServiceDone) -> ServiceDone:
    """The row that stands now: settling a reading may have superseded the one given."""
    while later := ServiceDone.objects.filter(supersedes=row).first():
        row = later
    return row


def _superseding(row: ServiceDone, **changes: object) -> ServiceDone:
    given = {
        "vehicle_id": row.vehicle_id,
        "service_id": row.service_id,
        "done_on": row.done_on,
        "done_at": row.done_at,
        "total_km": row.total_km,
        "total_h": row.total_h,
        "evidence": row.evidence,
        "source": row.source,
        "reading_id": row.reading_id,
        "person_id": row.person_id,
        "supersedes": row,
        "provisional": False,
    }
    return ServiceDone(**(given | changes))


def record_fill(
    *,
    vehicle: Vehicle,
    compartment: Compartment,
    filled_on: date,
    product: Product | None,
    quantity_ml: int | None,
    source: str,
    full_change: bool = True,
    mixed_with: str = "",
    key: str | None = None,
) -> Fill:
    """Record what a compartment holds from a day on."""
    origin = Fill.Origin.UNKNOWN if product is None else Fill.Origin.PRODUCT
    return Fill.objects.create(
        vehicle=vehicle,
        compartment=compartment,
        filled_on=filled_on,
        origin=origin,
        product=product,
        quantity_ml=quantity_ml,
        full_change=full_change,
        mixed_with=mixed_with,
        source=source,
        key=key,
    )


def replace_fill(key: str, **given: Any) -> Fill:
    """Record a fill in place of the one kept under its key; the night sees it by its new id."""
    with transaction.atomic():
        take_back_fill(key)
        return record_fill(key=key, **given)


def take_back_fill(key: str) -> None:
    """Take out the fill kept under a key."""
    Fill.objects.filter(key=key).delete()


def record_top_up(
    *,
    vehicle: Vehicle,
    compartment: Compartment,
    topped_up_at: datetime,
    quantity_ml: int,
    source: str,
    client_key: str,
    product: Product | None = None,
    total_km: float | None = None,
    to_level: bool = True,
) -> TopUp:
    """Record fluid added between changes, once per key; it resets no service."""
    row, _ = TopUp.objects.get_or_create(
        client_key=client_key,
        defaults={
            "vehicle": vehicle,
            "compartment": compartment,
            "topped_up_at": topped_up_at,
            "quantity_ml": quantity_ml,
            "source": source,
            "product": product,
            "total_km": total_km,
            "to_level": to_level,
        },
    )
    return row
