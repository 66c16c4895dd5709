"""Readings and uploads as they are listed: one rule for pages, API and whoever asks next."""

from collections.abc import Collection, Sequence

from django.db.models import Count, Q, QuerySet

from fleet.people.models import Person
from fleet.readings.models import OPEN, Reading, Upload, UploadRow, Verdict
from fleet.readings.reasons import WITHDRAWN
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Meter, Vehicle


def readings_at(depots: Depots, verdicts: Collection[str] | None = None) -> QuerySet[Reading]:
    """Readings of vehicles of some depots, with some verdicts (default with any)."""
    rows = Reading.objects.filter(vehicle__depot__in=depots)
    return rows if verdicts is None else rows.filter(verdict__in=verdicts)


def held(depots: Depots) -> QuerySet[Reading]:
    """Held readings in the order in which they came."""
    return readings_at(depots).filter(verdict=Verdict.HELD).order_by("pk")


def held_beside(reading: Reading) -> QuerySet[Reading]:
    """Held readings of the same meter, which a decision on this one may settle as well."""
    rows = Reading.objects.filter(meter=reading.meter_id, verdict=Verdict.HELD)
    return rows.exclude(pk=reading.pk).order_by("pk")


def last_accepted(meter: Meter | None) -> Reading | None:
    """The reading that a meter stands at."""
    accepted = Reading.objects.filter(meter=meter, verdict=Verdict.ACCEPTED)
    return accepted.order_by("-taken_at", "-id").first()


def odometer_of(vehicle_id: int) -> Reading | None:
    """The newest accepted reading of a vehicle's odometer."""
    rows = Reading.objects.filter(
        vehicle=vehicle_id, meter__kind=Meter.Kind.KM, verdict=Verdict.ACCEPTED
    )
    return rows.select_related("meter").order_by("-taken_at", "-id").first()


def newest_first(vehicle: Vehicle, before: Reading | None = None) -> QuerySet[Reading]:
    """A vehicle's readings, those before one of them where that is named."""
    found = Reading.objects.filter(vehicle=vehicle).order_by("-taken_at", "-id")
    if before is None:
        return found
    earlier = Q(taken_at__lt=before.taken_at) | Q(taken_at=before.taken_at, pk__lt=before.pk)
    return found.filter(earlier)


def uploads_seen_by(person: Person, depots: Depots) -> QuerySet[Upload]:
    """A person's own uploads, and those that hold a row of a vehicle of these depots."""
    every = Upload.objects.select_related("person", "withdrawal__person")
    if person.is_superuser:
        return every
    rows = UploadRow.objects.filter(vehicle__depot__in=depots)
    return every.filter(Q(person=person) | Q(pk__in=rows.values("upload")))


def with_unseen(uploads: QuerySet[Upload]) -> QuerySet[Upload]:
    """Uploads with rejected rows that nobody has looked at."""
    rows = UploadRow.objects.filter(_waiting(Verdict.REJECTED))
    return uploads.filter(pk__in=rows.values("upload"))


def _waiting(verdict: str) -> Q:
    """Rows of uploads with a verdict that still stands, and that nobody decided on."""
    found = Q()
    for name in ("reading", "hours_reading"):
        judged = Q(**{f"{name}__verdict": verdict, f"{name}__decisions": None})
        found |= Q(outcome=verdict) & judged & ~Q(**{f"{name}__reason": WITHDRAWN})
    return found


def own_newest(person: Person) -> Upload | None:
    """The sheet that a person sent last."""
    return Upload.objects.filter(person=person).order_by("-pk").first()


def rows_seen_by(person: Person, upload: Upload, depots: Depots) -> QuerySet[UploadRow]:
    """Rows of vehicles of these depots, and of one's own upload those without a vehicle."""
    own = Q(vehicle__depot__in=depots)
    if person.is_superuser or upload.person_id == person.pk:
        own |= Q(vehicle=None)
    return upload.rows.filter(own).order_by("number")


def with_outcomes(rows: QuerySet[UploadRow], outcomes: Collection[str]) -> QuerySet[UploadRow]:
    return rows.filter(outcome__in=outcomes)


def open_now(uploads: Sequence[Upload]) -> dict[int, dict[str, int]]:
    """Of each upload how many rows still wait for a person: held ones, and rejected ones that
    nobody has looked at; one query."""
    still = Q()
    for verdict in OPEN:
        still |= _waiting(verdict)
    rows = UploadRow.objects.filter(still, upload__in=[one.pk for one in uploads])
    found: dict[int, dict[str, int]] = {one.pk: dict.fromkeys(map(str, OPEN), 0) for one in uploads}
    counted = rows.order_by().values_list("upload", "outcome").annotate(Count("pk", distinct=True))
    for upload, outcome, number in counted:
        found[upload][outcome] = number
    return found
