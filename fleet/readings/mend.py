"""Mend many rows of an upload at once: a name that nobody knew, or values likely meant."""

from datetime import datetime
from typing import NamedTuple

import numpy as np
from django.db import transaction

from fleet import bulk
from fleet.faults import Fault, Stale
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.readings.beside import beside
from fleet.readings.intake import depots_of_upload, kept_file, link
from fleet.readings.models import (
    Reading,
    ReadingDecision,
    RowCorrection,
    Source,
    Upload,
    UploadRow,
    Verdict,
)
from fleet.readings.record import record
from fleet.readings.resolve import Resolved, resolve
from fleet.readings.roll import Roll, key_of
from fleet.readings.settle import settle_many
from fleet.readings.sheets import open_sheets
from fleet.vehicles.models import Vehicle

Outcome = UploadRow.Outcome
State = Upload.State
MENDED = ("vehicle_id", "reading_id", "hours_reading_id", "outcome", "message", "named")
MOST_AT_ONCE = 300  # decisions in one go; our choice
NOT_MEANT = "Nothing that may have been meant fits the readings about it: decide on it alone."
NOT_YOURS = "Your role settles no readings at its depot."
NOT_YET = f"{MOST_AT_ONCE} are accepted at once: accept the rest after them."
MOST_LOOKED_AT = 10 * MOST_AT_ONCE  # for those, of a large sheet that is wrong throughout


class By(NamedTuple):
    """Who takes a name for a vehicle, by which channel, and when."""

    person: Person | None
    channel: str
    at: datetime


def treat_as(upload: Upload, named: str, vehicle: Vehicle, by: By) -> int:
    """Take a name in a finished upload for a vehicle; how many rows that takes up.

    Each of them keeps what was said of it, as a row corrected by hand does. The file is
    read again for these rows alone. Its caller brings the upload to its end.

    Raises
    ------
    Fault
        No row waits under this name, or the upload has not come to its end.
    """
    key = key_of(named)
    unknown = upload.rows.filter(outcome=Outcome.UNKNOWN_VEHICLE).exclude(named="")
    waiting = unknown.order_by("named").values_list("named", flat=True).distinct()
    if key not in {key_of(name) for name in waiting}:
        raise Fault(f"No row of this upload waits for “{named[:40]}”.", about="named")
    names = {**upload.options.get("treat_as", {}), key: vehicle.fleet_number}
    roll = Roll(depots_of_upload(upload), names)
    if type(roll.find(named)) is not int:
        raise Fault(f"This upload does not reach {vehicle}: choose another.", about="vehicle")
    # what is cut short from here on is brought to its end like any upload
    if not Upload.objects.filter(pk=upload.pk, state=State.DONE).update(state=State.RECEIVED):
        raise Stale("This upload has not come to its end yet: wait for it.")
    taken = _take_up(upload, roll, by)
    upload.options = {**upload.options, "treat_as": names}
    upload.state = State.READ
    upload.save(update_fields=["options", "state"])
    return taken


def _take_up(upload: Upload, roll: Roll, by: By) -> int:
    """Resolve the rows again whose vehicle nobody knew; how many are known now."""
    unit, at, taken = upload.options.get("unit"), 0, 0
    with open_sheets(kept_file(upload)) as sheets:
        for found in sheets:
            for entries in found.entries():
                resolved = resolve(entries, roll, unit, upload.received_at)
                taken += _rewrite(upload, resolved, at, by)
                at += len(entries)
    return taken


def _rewrite(upload: Upload, resolved: Resolved, at: int, by: By) -> int:
    count = len(resolved.rows["row"])
    waiting = upload.rows.filter(
        number__gt=at, number__lte=at + count, outcome=Outcome.UNKNOWN_VEHICLE
    )
    stored = dict(waiting.values_list("number", "pk"))
    known = resolved.rows["outcome"] != Outcome.UNKNOWN_VEHICLE
    here = np.array([at + 1 + place in stored for place in range(count)]) & known
    if not here.any():
        return 0
    mine = here[resolved.row_of]
    part = Resolved(
        resolved.rows,
        {name: column[mine] for name, column in resolved.readings.items()},
        resolved.row_of[mine],
        resolved.hours[mine],
    )
    numbers = at + 1 + np.flatnonzero(here)
    with transaction.atomic():
        link(part, record(part.readings, Source.SHEET, upload.received_at))
        columns = {name: resolved.rows[name][here] for name in MENDED}
        columns["id"] = np.array([stored[number] for number in numbers.tolist()])
        _keep(columns["id"].tolist(), columns["vehicle_id"].tolist(), by)
        bulk.update(UploadRow, columns)
    return int(here.sum())


def _keep(row_ids: list[int], vehicle_ids: list[int], by: By) -> None:
    """What was said of rows until a name of theirs was taken for a vehicle."""
    kept = UploadRow.objects.in_bulk(row_ids)
    RowCorrection.objects.bulk_create(
        RowCorrection(
            row_id=row,
            vehicle_id=vehicle,
            outcome=kept[row].outcome,
            message=kept[row].message,
            reason=f"“{kept[row].named}” was named",
            person=by.person,
            channel=by.channel,
            corrected_at=by.at,
        )
        for row, vehicle in zip(row_ids, vehicle_ids, strict=True)
    )


def accept_suggestions(
    upload: Upload, reason_code: str, person: Person, why: str
) -> list[tuple[Reading, Fault | None]]:
    """Accept what was likely meant for all held readings of one reason; each with what refuses it,
    or None. The caller refreshes their vehicles."""
    rows = Reading.objects.filter(
        pk__in=upload.rows.filter(outcome=Outcome.HELD).values("reading"),
        verdict=Verdict.HELD,
        reason=reason_code,
        suggestion__isnull=False,
    ).select_related("vehicle")
    held = list(rows.order_by("pk")[:MOST_LOOKED_AT])
    looked = beside([one.pk for one in held])
    found: dict[int, Fault | None] = {}
    mine = []
    for one in held:
        if looked[one.pk].suggestion is None:
            found[one.pk] = Fault(NOT_MEANT)
        elif not may(person, Right.SETTLE_READINGS, one.vehicle.depot_id):
            found[one.pk] = Fault(NOT_YOURS)
        else:
            mine.append(one.pk)
    if not mine:
        raise Fault("No held reading of this kind comes with a value that you may accept.")
    found |= settle_many(
        mine[:MOST_AT_ONCE],
        action=ReadingDecision.Action.ACCEPT_SUGGESTION,
        person=person,
        reason=why,
        channel="page",
    )
    found |= dict.fromkeys(mine[MOST_AT_ONCE:], Fault(NOT_YET))
    return [(one, found[one.pk]) for one in held]
