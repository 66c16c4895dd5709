"""Write down what was done: services, fills, top-ups. Rows are only ever added."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import QuerySet

from fleet import bulk
from fleet.due import claims
from fleet.due.models import Fill, ServiceDone, TopUp
from fleet.due.read_off import read_off
from fleet.faults import Question
from fleet.people.models import Person
from fleet.readings.models import Reading, Verdict

SETTLED = """
    provisional AND EXISTS (
        SELECT 1 FROM readings_reading r WHERE r.id = reading_id AND r.verdict = %s)
    AND NOT EXISTS (SELECT 1 FROM due_servicedone n WHERE n.supersedes_id = due_servicedone.id)"""


def standing_rows(vehicle_id: int) -> QuerySet[ServiceDone]:
    """Services done on a vehicle that no later row corrects, those taken back among them."""
    return ServiceDone.objects.filter(vehicle=vehicle_id, superseded_by=None)


def record_done(row: ServiceDone) -> ServiceDone:
    """Record a service done, as a row not saved yet: at a reading, or at a document's total.

    A reading that is not accepted (yet) makes the row provisional: it keeps what was given, and
    ``settle_provisional`` puts the settled total in its place. Work has its instant ``done_at``; a
    document has none, and settles only what was called for on earlier days.

    Raises
    ------
    Question
        The readings contradict a total from a document; with a reason why it stands it is kept.
    """
    row.why_it_stands = row.why_it_stands.strip()[:300]
    if row.reading is not None:
        row.total_km = _total_of(row.reading)
        row.provisional = row.reading.verdict != Verdict.ACCEPTED
    elif not row.why_it_stands:
        claims.ask(row.vehicle, row.done_on, row.total_km, row.total_h)
    row.save()
    return row


def record_papers(
    documents: Sequence[Sequence[ServiceDone]], now: datetime
) -> list[Question | None]:
    """Record the services that documents tell of, those of each all at its day and its totals; a
    total that is newer than every reading is judged as one.

    Returns
    -------
    list
        What the readings ask of each document, once for all of its services: it is left out, and
        the others are recorded. With a reason why its total stands it is kept.
    """
    for rows in documents:
        for row in rows:
            row.why_it_stands = row.why_it_stands.strip()[:300]
    asked = claims.asked_of([rows[0] for rows in documents])
    kept = [row for at, rows in enumerate(documents) if at not in asked for row in rows]
    read_off(kept, now)
    ServiceDone.objects.bulk_create(kept)
    return [asked.get(at) for at in range(len(documents))]


def _total_of(reading: Reading) -> float:
    return reading.meter_value if reading.total is None else reading.total


def settle_provisional() -> int:
    """Supersede provisional rows whose reading has been accepted since; give their number."""
    if not bulk.has(ServiceDone, SETTLED, [str(Verdict.ACCEPTED)]):  # on nearly every night
        return 0
    rows = ServiceDone.objects.filter(
        provisional=True,
        superseded_by=None,
        reading__verdict=Verdict.ACCEPTED,
    ).select_related("reading")
    with transaction.atomic():
        settled = [_superseding(row, total_km=row.reading.total) for row in rows if row.reading]
        ServiceDone.objects.bulk_create(settled)
    return len(settled)


def provisional_again(readings: QuerySet[Reading]) -> int:
    """Supersede rows settled by some readings where those are accepted no more; their number."""
    rows = ServiceDone.objects.filter(
        provisional=False,
        void=False,
        superseded_by=None,
        supersedes__provisional=True,
        reading__in=readings.exclude(verdict=Verdict.ACCEPTED),
    ).select_related("reading")
    doubted = [
        _superseding(row, total_km=_total_of(row.reading), provisional=True)
        for row in rows
        if row.reading
    ]
    ServiceDone.objects.bulk_create(doubted)
    return len(doubted)


def at_reading(row: ServiceDone, reading: Reading) -> ServiceDone:
    """Supersede a service by one at another reading: the odometer was read again."""
    provisional = reading.verdict != Verdict.ACCEPTED
    changes = {"total_km": _total_of(reading), "provisional": provisional}
    fresh = _superseding(_newest(row), reading_id=reading.pk, **changes)
    fresh.save()
    return fresh


def withdraw(row: ServiceDone, *, person: Person | None, source: str) -> ServiceDone:
    """Take back a service that was not done: a row that voids it supersedes it."""
    by_id = None if person is None else person.pk
    void = _superseding(_newest(row), void=True, person_id=by_id, source=source)
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


def record_fill(row: Fill) -> Fill:
    """Record what a compartment holds from a day on, as a row not saved yet."""
    row.origin = Fill.Origin.UNKNOWN if row.product is None else Fill.Origin.PRODUCT
    row.save()
    return row


def replace_fill(key: str, row: Fill) -> Fill:
    """Record a fill in place of the one kept under its key; the night sees it by its new id."""
    with transaction.atomic():
        take_back_fill(key)
        row.key = key
        return record_fill(row)


def take_back_fill(key: str) -> None:
    """Take out the fill kept under a key."""
    Fill.objects.filter(key=key).delete()


def record_top_ups(rows: Iterable[TopUp]) -> None:
    """Record fluid added between changes, each once per key; it resets no service."""
    TopUp.objects.bulk_create(rows, ignore_conflicts=True)
