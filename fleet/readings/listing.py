"""Readings and uploads as they are listed: one rule for pages, API and whoever asks next."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from typing import Any, NamedTuple

from django.db.models import Count, Exists, OuterRef, Q, QuerySet
from django.db.models.functions import Coalesce

from fleet.people.models import Person
from fleet.readings.models import (
    OPEN,
    Reading,
    ReadingDecision,
    RowCorrection,
    Upload,
    UploadRow,
    Verdict,
)
from fleet.readings.reasons import SENTENCES, WITHDRAWN
from fleet.reads import Read, Rows, prepared, reader
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Meter


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


def standing() -> QuerySet[ReadingDecision]:
    """Decisions that nobody has withdrawn."""
    return ReadingDecision.objects.filter(withdrawal=None, begun_with__withdrawal=None)


class Now(NamedTuple):
    """What stands of a row's reading, where that is not what was said first."""

    verdict: str
    why: str  # in words


def said_now(outcomes: Mapping[int, str]) -> dict[int, Now]:
    """What stands now of readings of rows with these outcomes, where somebody decided about them or
    a later reading brought another verdict: by reading."""
    made = standing().filter(reading__in=outcomes).order_by("pk")
    decided = {one.reading_id: one for one in made}
    found = {}
    for one in Reading.objects.filter(pk__in=outcomes):
        decision = decided.get(one.pk)
        if decision is not None:
            settled = f"settled, {decision.get_action_display()} ({decision.reason})."
            found[one.pk] = Now(one.verdict, settled)
        elif one.verdict != outcomes[one.pk]:
            found[one.pk] = Now(one.verdict, SENTENCES.get(one.reason, "Nothing is odd about it."))
    return found


def settlements(depots: Depots) -> QuerySet[ReadingDecision]:
    """The first decision of each act about readings of some depots.

    Those that do not tell what stood before are not among them: from before an act could be
    withdrawn, and of uploads that were.
    """
    told = ReadingDecision.objects.filter(reading__vehicle__depot__in=depots).exclude(before={})
    begun = told.annotate(first=Coalesce("begun_with", "pk")).values("first")
    every = ReadingDecision.objects.filter(pk__in=begun)
    return every.select_related("person", "withdrawal__person")


def of_act(first: ReadingDecision) -> QuerySet[ReadingDecision]:
    """All decisions that were taken together with one, and that one."""
    return ReadingDecision.objects.filter(Q(pk=first.pk) | Q(begun_with=first))


def vehicles_of_acts(acts: Collection[int]) -> dict[int, Counter[str]]:
    """Of each act, by its first decision, how many decisions by fleet number; one query."""
    found = {pk: Counter[str]() for pk in acts}
    for first, number in _about(acts, "reading__vehicle__fleet_number"):
        found[first][number] += 1
    return found


def readings_of_acts(acts: Collection[int]) -> dict[int, list[int]]:
    """Of each act, by its first decision, the readings it decided about; one query."""
    found: dict[int, list[int]] = {pk: [] for pk in acts}
    for first, reading in _about(acts, "reading"):
        found[first].append(reading)
    return found


def _about(acts: Collection[int], column: str) -> QuerySet[ReadingDecision, tuple[Any, ...]]:
    theirs = ReadingDecision.objects.filter(Q(pk__in=acts) | Q(begun_with__in=acts))
    named = theirs.order_by("pk").annotate(first=Coalesce("begun_with", "pk"))
    return named.values_list("first", column)


@reader
def last_accepted(meter: Meter | None) -> Read[Reading | None]:
    """The reading that a meter stands at."""
    newest = _last_accepted(meter.pk if meter else None)
    yield [newest]
    return newest[0] if newest else None


@prepared
def _last_accepted(meter_id: int | None) -> Rows:
    accepted = Reading.objects.filter(meter=meter_id, verdict=Verdict.ACCEPTED)
    return accepted.order_by("-taken_at", "-id")[:1]


@reader
def odometer_of(vehicle_id: int) -> Read[Reading | None]:
    """The newest accepted reading of a vehicle's odometer."""
    newest = _by_odometer(vehicle_id)
    yield [newest]
    return newest[0] if newest else None


@prepared
def _by_odometer(vehicle_id: int) -> Rows:
    rows = Reading.objects.filter(
        vehicle=vehicle_id, meter__kind=Meter.Kind.KM, verdict=Verdict.ACCEPTED
    )
    return rows.select_related("meter").order_by("-taken_at", "-id")[:1]


def newest_first(vehicle_id: int, before: Reading | None = None) -> QuerySet[Reading]:
    """A vehicle's readings, those before one of them where that is named."""
    found = Reading.objects.filter(vehicle=vehicle_id).order_by("-taken_at", "-id")
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
        decided = Exists(standing().filter(reading=OuterRef(name)))
        judged = Q(**{f"{name}__verdict": verdict}) & ~decided
        found |= Q(outcome=verdict) & judged & ~Q(**{f"{name}__reason": WITHDRAWN})
    return found


def corrected_away(upload: Upload) -> list[int]:
    """Ids of the readings that rows of an upload had brought before they were corrected."""
    pairs = RowCorrection.objects.filter(row__upload=upload).values_list("reading", "hours_reading")
    return sorted({pk for pair in pairs for pk in pair if pk is not None})


def corrections_of(row_ids: Collection[int]) -> QuerySet[RowCorrection]:
    """What people corrected of some rows, the first correction first."""
    rows = RowCorrection.objects.filter(row__in=row_ids).order_by("pk")
    return rows.select_related(
        "person", "reading", "vehicle__depot", "row__reading", "row__hours_reading"
    )


def corrections_into(reading_ids: Collection[int]) -> dict[int, RowCorrection]:
    """The newest correction of the row that brought a reading, by reading: of odometers."""
    rows = RowCorrection.objects.filter(row__reading__in=reading_ids).order_by("pk")
    told = rows.select_related("person", "reading", "vehicle__depot", "row")
    return {one.row.reading_id: one for one in told if one.row.reading_id is not None}


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


def corrected(rows: QuerySet[UploadRow]) -> QuerySet[UploadRow]:
    """Rows of which people corrected something, the vehicle that a name means among it."""
    return rows.filter(Exists(RowCorrection.objects.filter(row=OuterRef("pk"))))


def looked_at(rows: QuerySet[UploadRow], outcomes: Collection[str]) -> QuerySet[UploadRow]:
    """Rows with these outcomes, and those corrected one by one, which keep their place there.

    A name taken for a vehicle takes up thousands at once: they would hide what waits.
    """
    made = RowCorrection.objects.filter(row=OuterRef("pk"))
    by_hand = Exists(made.exclude(outcome=UploadRow.Outcome.UNKNOWN_VEHICLE))
    return rows.filter(Q(outcome__in=outcomes) | by_hand)


def count_unseen_by(
    person: Person, upload: Upload, depots: Depots, outcomes: Collection[str]
) -> int:
    """How many rows of some outcomes the totals count that the person does not see."""
    seen = rows_seen_by(person, upload, depots)
    return with_outcomes(upload.rows.exclude(pk__in=seen.order_by().values("pk")), outcomes).count()


def open_now(uploads: Sequence[Upload]) -> dict[int, dict[str, int]]:
    """Of each upload how many rows still wait for a person: held ones, and rejected ones that
    nobody has looked at; one query."""
    still = Q()
    for verdict in OPEN:
        still |= _waiting(verdict)
    rows = UploadRow.objects.filter(still, upload__in=[one.pk for one in uploads])
    found: dict[int, dict[str, int]] = {one.pk: dict.fromkeys(map(str, OPEN), 0) for one in uploads}
    counted = rows.order_by().values_list("upload", "outcome").annotate(Count("pk"))
    for upload, outcome, number in counted:
        found[upload][outcome] = number
    return found
