"""Which calls for a service still stand: neither withdrawn nor followed by the service."""

from collections.abc import Iterable
from datetime import date, datetime
from typing import NamedTuple

from django.db.models import Case, DateTimeField, Exists, F, OuterRef, Q, QuerySet, When

from fleet import bulk
from fleet.calc.arrays import IntArray
from fleet.due.models import DueEarlier, ServiceDone
from fleet.readings.models import Verdict
from fleet.reads import Read, Rows, prepared, reader


def standing(vehicle_ids: Iterable[int] | None = None) -> QuerySet[DueEarlier]:
    """Calls of some vehicles (default: of all) that still stand, oldest first, with ``since``: from
    when on the service, or a record, counts as done after the call.

    Work ends a call by its instant; a document, which gives only a day, ends those of earlier
    days. What a call follows never ends it: a check that says *watch* is recorded as done after
    its value was measured.
    """
    after = ServiceDone.objects.filter(
        Q(done_at__gt=OuterRef("since")) | Q(done_at=None, done_on__gt=OuterRef("called_on")),
        vehicle=OuterRef("vehicle"),
        service=OuterRef("service"),
        void=False,
        superseded_by=None,
    )
    calls = DueEarlier.objects.filter(withdrawn_at=None)
    if vehicle_ids is not None:
        calls = calls.filter(vehicle__in=list(vehicle_ids))
    return calls.annotate(since=_since()).filter(~Exists(after)).order_by("pk")


def by_call() -> Exists:
    """Of due dates, whether the day is that of a call, which comes before any limit by calendar."""
    own = standing().filter(vehicle=OuterRef("vehicle"), service=OuterRef("service"))
    return Exists(own.filter(due_on=OuterRef("calendar_on")))


def _since() -> Case:
    return Case(
        When(anchor__done_at__gt=F("called_at"), then=F("anchor__done_at")),
        default=F("called_at"),
        output_field=DateTimeField(),
    )


@reader
def called_since(vehicle_id: int, service_id: int | None) -> Read[datetime | None]:
    """From when on records count for the newest standing call of a service; None: none stands."""
    rows = _standing_of(vehicle_id, service_id)
    yield [rows]
    return max((row.since for row in rows), default=None)


@prepared
def _standing_of(vehicle_id: int, service_id: int | None) -> Rows:
    return standing([vehicle_id]).filter(service=service_id).annotate(since=_since())


class Call(NamedTuple):
    """A standing call, as the forecast takes it."""

    vehicle_id: int
    service_id: int
    called_on: date
    due_on: date | None  # None: by distance alone
    after_km: float | None  # None: by day alone
    from_km: float | None  # total that the distance counts from; None: not known yet
    provisional: bool  # that total is not settled yet


def gather_calls(vehicle_ids: IntArray) -> list[Call]:
    """Standing calls of many vehicles, each with the total that its distance counts from now."""
    here, ids = bulk.among("due_dueearlier.vehicle_id", vehicle_ids)
    if not bulk.has(DueEarlier, f"withdrawn_at IS NULL AND {here}", ids):  # of nearly all
        return []
    rows = list(standing().extra(where=[here], params=ids).select_related("reading"))  # noqa: S610
    newest = _newest(row.anchor_id for row in rows if row.anchor_id and row.after_km is not None)
    return [_call(row, newest.get(row.anchor_id or 0)) for row in rows]


def _call(row: DueEarlier, anchor: ServiceDone | None) -> Call:
    from_km, settled = None, True
    if anchor is not None and not anchor.void:
        from_km, settled = anchor.total_km, not anchor.provisional
    elif row.reading is not None:
        from_km = row.reading.meter_value if row.reading.total is None else row.reading.total
        settled = row.reading.verdict == Verdict.ACCEPTED
    provisional = row.after_km is not None and (from_km is None or not settled)
    return Call(
        *(row.vehicle_id, row.service_id, row.called_on, row.due_on, row.after_km),
        *(from_km, provisional),
    )


def _newest(done_ids: Iterable[int]) -> dict[int, ServiceDone]:
    """By service done, the row that stands for it now: it may have been superseded, and again."""
    found = {row.pk: row for row in ServiceDone.objects.filter(pk__in=set(done_ids))}
    newest, asked = dict(found), {pk: pk for pk in found}  # by newest row, the one asked about
    while asked:
        later = ServiceDone.objects.filter(supersedes__in=list(asked))
        step = {row.pk: (asked[row.supersedes_id or 0], row) for row in later}
        newest |= dict(step.values())
        asked = {pk: first for pk, (first, _) in step.items()}
    return newest
