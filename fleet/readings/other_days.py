"""Another day that a reading may have been meant for: day and month swapped, or another year.

A value that is odd on its own day and as expected on such a day was likely written with the wrong
one. Nothing is decided by it: it is asked.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from django.db.models import Case, DateTimeField, FloatField, OuterRef, Q, Subquery, Value, When
from django.db.models.functions import Coalesce
from django.utils import timezone

from fleet.readings.beside import INSTRUMENT, Beside, Row, step_of
from fleet.readings.correct import CORRECTABLE
from fleet.readings.judge import gather_meters
from fleet.readings.models import Reading, Upload, UploadRow, Verdict
from fleet.today import today_at
from fleet.vehicles.models import MeterChange

SWAPPED, YEAR = "day_and_month", "year"
WORDS = {
    SWAPPED: "Day and month may have been swapped",
    YEAR: "The year may be another one",
}
MOST = 100  # readings looked at: no page shows more; our choice
BEFORE, AFTER = ("before", "before_km", "before_new"), ("after", "after_km", "after_new")
_COLUMNS = ("meter_id", "meter__unit", "unit", "meter_value", "reason", "suggestion", "taken_at")


@dataclass(frozen=True, slots=True)
class OtherDay:
    """A day on which a reading would be as expected."""

    slip: str  # SWAPPED or YEAR
    on: date  # at the depot
    instead_of: date


Asked = tuple[dict[str, Any], list[tuple[datetime, OtherDay]]]


def other_days(looked: Mapping[int, Beside]) -> dict[int, list[OtherDay]]:
    """Days on which readings that are odd on their own would be as expected, by id.

    Parameters
    ----------
    looked
        What stands beside each reading.
    """
    rows = Reading.objects.filter(pk__in=looked).values("pk", "vehicle__depot__zone", *_COLUMNS)
    asked = {row["pk"]: (row, list(_thought_of(row, looked[row["pk"]]))) for row in rows}
    asked = {pk: pair for pk, pair in list(asked.items())[:MOST] if pair[1]}
    known = [(one, row) for one, row in _placed(asked) if row.before is not None]
    if not known:
        return {}
    only = [row for _, row in known]
    meters = gather_meters(np.unique(np.array([row.meter_id for row in only], dtype=np.int64)))
    step, _ = step_of(only, meters, np.searchsorted(meters.id, [row.meter_id for row in only]))
    fits = step.as_expected(np.array([row.meter_value for row in only]))
    found: dict[int, list[OtherDay]] = {}
    for (one, row), fit in zip(known, fits.tolist(), strict=True):
        if fit:
            found.setdefault(row.pk, []).append(one)
    return found


def _thought_of(row: dict[str, Any], its: Beside) -> Iterator[tuple[datetime, OtherDay]]:
    """Instants that a reading may have been meant for; none for one that is as expected."""
    if its.likely and its.likely[0] <= row["meter_value"] <= its.likely[1] and not its.to_come:
        return
    zone = row["vehicle__depot__zone"]
    local = row["taken_at"].astimezone(ZoneInfo(zone))
    ways = [(YEAR, {"year": local.year + 1}), (YEAR, {"year": local.year - 1})]
    if local.day <= 12 and local.day != local.month:
        ways.insert(0, (SWAPPED, {"month": local.day, "day": local.month}))
    for slip, parts in ways:
        try:
            at = local.replace(**parts)
        except ValueError:  # 29 February
            continue
        if at.date() <= today_at(zone, timezone.now()):
            yield at, OtherDay(slip, at.date(), local.date())


def _placed(asked: Mapping[int, Asked]) -> Iterator[tuple[OtherDay, Row]]:
    """Readings as if each had been taken at another instant, with the accepted ones about that;
    one query, whatever their number."""
    if not asked:
        return
    ways = range(max(len(thought) for _, thought in asked.values()))
    columns: dict[str, Any] = {}
    for way in ways:
        columns |= _about(way, {pk: t[way][0] for pk, (_, t) in asked.items() if way < len(t)})
    rows = Reading.objects.filter(pk__in=asked).annotate(**columns)
    for found in rows.values("pk", *columns):
        row, thought = asked[found["pk"]]
        for way, (at, one) in enumerate(thought):
            about = [found[f"{name}_{way}"] for name in (*BEFORE, *AFTER, "offset")]
            plain = [row[name] for name in _COLUMNS[:-1]]
            yield one, Row._make([row["pk"], *plain[:3], at, *plain[3:], *about])


def _about(way: int, instants: Mapping[int, datetime]) -> dict[str, Any]:
    """Columns of the accepted readings about other instants of readings."""
    whens = [When(pk=pk, then=Value(at)) for pk, at in instants.items()]
    at = f"at_{way}"
    counted = Q(verdict=Verdict.ACCEPTED) | Q(moves_base=True)
    others = Reading.objects.filter(counted, meter=OuterRef("meter")).exclude(pk=OuterRef("pk"))
    others = others.annotate(instrument=INSTRUMENT)
    earlier = others.filter(taken_at__lt=OuterRef(at)).order_by("-taken_at", "-id")
    later = others.filter(taken_at__gt=OuterRef(at)).order_by("taken_at", "id")
    changes = MeterChange.objects.filter(meter=OuterRef("meter"), from_at__lte=OuterRef(at))
    offset = Subquery(changes.order_by("-from_at").values("offset")[:1], FloatField())
    wanted = ("taken_at", "instrument", "provisional")
    return {
        at: Case(*whens, default=None, output_field=DateTimeField()),
        **{
            f"{name}_{way}": Subquery(rows.values(column)[:1])
            for names, rows in ((BEFORE, earlier), (AFTER, later))
            for name, column in zip(names, wanted, strict=True)
        },
        f"offset_{way}": Coalesce(offset, 0.0),
    }


def rows_to_correct(reading_ids: Mapping[int, Any]) -> dict[int, tuple[int, int]]:
    """Upload and number of the row that brought a reading and may be corrected, by reading."""
    rows = UploadRow.objects.filter(
        reading__in=reading_ids,
        outcome__in=CORRECTABLE,
        upload__state=Upload.State.DONE,
        upload__withdrawal=None,
    )
    return {pk: (upload, number) for pk, upload, number in
            rows.values_list("reading", "upload", "number")}  # fmt: skip
