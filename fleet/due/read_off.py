"""A total that papers tell is a reading like any other, where it is newer than every reading.

An older one has been held against the readings about it (``claims``) and tells nothing new.
"""

from collections.abc import Collection, Sequence
from datetime import datetime

import numpy as np
from django.db.models import Subquery

from fleet.due.models import ServiceDone
from fleet.readings import judge
from fleet.readings.enter import Entry, enter, noon_at
from fleet.readings.models import Reading, Source, Verdict, VerdictMemory
from fleet.reads import Read, Rows, prepared, reader
from fleet.today import day
from fleet.usage import rates
from fleet.vehicles.models import Meter, Vehicle
from fleet.vehicles.own_unit import figures, in_own


def read_off(rows: Sequence[ServiceDone], now: datetime) -> None:
    """Judge the totals [km] of services, not saved yet, as readings at noon of their days; each
    row stands at its own, provisional until that is accepted."""
    last = _last({row.vehicle_id for row in rows if row.total_km is not None})
    newer = [
        (row, last[row.vehicle_id])
        for row in rows
        if row.total_km is not None
        and row.vehicle_id in last
        and noon_at(row.done_on, row.vehicle.depot.zone) > last[row.vehicle_id].taken_at
    ]
    entered = enter([_entry(row, before) for row, before in newer], Source.WORK_ORDER)
    meters = np.unique(np.array([before.meter_id for _, before in newer], dtype=np.int64))
    judge.judge(meters, now, rates.start_rates)
    read = Reading.objects.in_bulk([one.reading_id for one in entered])
    for (row, _), one in zip(newer, entered, strict=True):
        row.reading = read[one.reading_id]
        row.provisional = row.reading.verdict != Verdict.ACCEPTED


@reader
def unread(vehicle: Vehicle) -> Read[ServiceDone | None]:
    """The newest service with a total that papers tell, and that was never judged as a reading
    although it is newer than all there are: when it was entered there was none to judge it by."""
    newest = _newest_told(vehicle.pk)
    yield [newest]
    found: ServiceDone | None = next(
        (
            row
            for row in newest
            if row.read_at and noon_at(row.done_on, vehicle.depot.zone) > row.read_at
        ),
        None,
    )
    return found


@prepared
def _newest_told(vehicle_id: int) -> Rows:
    accepted = Reading.objects.filter(
        vehicle=vehicle_id, meter__kind=Meter.Kind.KM, verdict=Verdict.ACCEPTED
    )
    last = accepted.order_by("-taken_at").values("taken_at")[:1]
    told = ServiceDone.objects.filter(
        vehicle=vehicle_id, reading=None, done_at=None, superseded_by=None, void=False
    ).exclude(total_km=None)
    return told.annotate(read_at=Subquery(last)).order_by("-done_on", "-pk")[:1]


def unread_words(row: ServiceDone, unit: str) -> str:
    """Why the total of such papers does not count, and what to do."""
    return (
        f"The papers of {day(row.done_on)} give {figures(row.total_km or 0.0, unit)}. When they "
        "were entered no reading was there to judge that by, so no date counts on it: add it as a "
        "reading, and it is judged."
    )


def _last(vehicle_ids: Collection[int]) -> dict[int, Reading]:
    """The newest accepted reading of the odometer, by vehicle."""
    memories = VerdictMemory.objects.filter(
        meter__vehicle__in=vehicle_ids, meter__kind=Meter.Kind.KM
    )
    rows = Reading.objects.filter(pk__in=memories.values("last_id"), total__isnull=False)
    return {row.vehicle_id: row for row in rows.select_related("meter")}


def _entry(row: ServiceDone, before: Reading) -> Entry:
    unit = before.meter.unit
    offset_km = (before.total or 0.0) - before.shown
    return Entry(
        vehicle_id=row.vehicle_id,
        meter_id=before.meter_id,
        taken_at=noon_at(row.done_on, row.vehicle.depot.zone),
        time_known=False,
        value=round(in_own((row.total_km or 0.0) - offset_km, unit), 1),
        unit=unit,
        note=row.source,
    )
