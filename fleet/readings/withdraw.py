"""Withdraw an upload as a whole: rows and readings stay, what it brought counts no more."""

from datetime import datetime

import numpy as np
from django.db import connection, transaction

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.readings.listing import corrected_away, standing
from fleet.readings.models import (
    Reading,
    ReadingDecision,
    Upload,
    UploadRow,
    UploadWithdrawal,
    Verdict,
    VerdictMemory,
)
from fleet.readings.reasons import WITHDRAWN
from fleet.vehicles.models import MeterChange, Vehicle

Outcome = UploadRow.Outcome
OF_READINGS = (Outcome.ACCEPTED, Outcome.HELD, Outcome.REJECTED, Outcome.REPEATED)


def withdraw(
    upload: Upload, *, person: Person | None, reason: str, channel: str, now: datetime
) -> UploadWithdrawal:
    """Reject all readings that only this upload brought, whatever was decided about them.

    The caller brings the upload to its end as after mending: its meters are judged again from
    their first reading, and everything to the right follows. The same file may be sent again; a
    reading that it brings then is judged like a new one.

    Raises
    ------
    Fault
        There is no reason.
    Refused
        Nothing was taken in, it was withdrawn already, or it has not come to its end.
    Forbidden
        The person may not settle readings at a depot of these vehicles.
    """
    if not reason.strip():
        raise Fault("Say why it is withdrawn: the reason is kept with it.", about="reason")
    if UploadWithdrawal.objects.filter(upload=upload).exists():
        raise Refused("This upload was withdrawn already.")
    if upload.state == Upload.State.REFUSED:
        raise Refused("Nothing of this file was taken in: there is nothing to withdraw.")
    with transaction.atomic():
        state = Upload.State
        freed = {"hash": f"withdrawn {upload.pk}", "state": state.READ}
        if not Upload.objects.filter(pk=upload.pk, state=state.DONE).update(**freed):
            raise Refused("This upload has not come to its end yet: wait for it.")
        ids = _brought_by_it_alone(upload)
        _must_settle(person, ids)
        kept = UploadWithdrawal.objects.create(
            upload=upload,
            hash=upload.hash,
            readings=len(ids),
            person=person,
            reason=reason.strip()[:300],
            channel=channel,
            withdrawn_at=now,
        )
        _undo_decisions(ids, kept)
        _reject(ids)
        _wait_again(upload, ids)
    upload.refresh_from_db()
    return kept


def _brought_by_it_alone(upload: Upload) -> Array:
    """Ids of the readings on its rows, also before they were corrected, that no other upload,
    unless withdrawn, holds as well."""
    sql = """
        SELECT DISTINCT reading_id AS id FROM readings_uploadrow
        WHERE upload_id = %s AND reading_id IS NOT NULL
        UNION SELECT hours_reading_id FROM readings_uploadrow
        WHERE upload_id = %s AND hours_reading_id IS NOT NULL"""
    ids = bulk.read(sql, [upload.pk, upload.pk], {"id": "i8"})["id"]
    ids = np.union1d(ids, np.array(corrected_away(upload), np.int64))
    for column in ("reading_id", "hours_reading_id"):
        where, params = bulk.among(column, ids)
        also = f"""
            SELECT DISTINCT {column} AS id FROM readings_uploadrow
            WHERE {where} AND upload_id <> %s
            AND upload_id NOT IN (SELECT upload_id FROM readings_uploadwithdrawal)"""  # noqa: S608
        ids = np.setdiff1d(ids, bulk.read(also, [*params, upload.pk], {"id": "i8"})["id"])
    return ids


def _must_settle(person: Person | None, ids: Array) -> None:
    if person is None:
        return
    where, params = bulk.among("id", ids)
    rows = Reading.objects.extra(where=[where], params=params)  # noqa: S610
    vehicles = Vehicle.objects.filter(pk__in=rows.values("vehicle"))
    for depot_id in vehicles.order_by("depot").values_list("depot", flat=True).distinct():
        if not may(person, Right.SETTLE_READINGS, depot_id):
            raise Forbidden(
                f"{person} may not settle readings at every depot of this upload: ask a person "
                "who may."
            )


def _undo_decisions(ids: Array, kept: UploadWithdrawal) -> None:
    """What was decided about its readings is decided otherwise; what that had settled is free."""
    where, params = bulk.among("readings_reading.id", ids)
    decided = Reading.objects.exclude(decisions=None)
    rows = list(decided.extra(where=[where], params=params).distinct())  # noqa: S610
    ReadingDecision.objects.bulk_create(
        ReadingDecision(
            reading=one,
            action=ReadingDecision.Action.REJECT,
            reason=f"Upload withdrawn: {kept.reason}"[:300],
            person=kept.person,
            channel=kept.channel,
        )
        for one in rows
    )
    for one in rows:
        MeterChange.objects.filter(meter=one.meter_id, from_at=one.taken_at).delete()
        Reading.objects.filter(
            meter=one.meter_id, taken_at=one.taken_at, source=one.source
        ).exclude(reason=WITHDRAWN).exclude(pk=one.pk).exclude(
            pk__in=standing().values("reading")
        ).update(fixed="")


def _reject(ids: Array) -> None:
    where, params = bulk.among("id", ids)
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE readings_reading SET verdict = %s, fixed = %s, reason = %s, "  # noqa: S608
            f"settled_value = NULL, suggestion = NULL, probability = NULL WHERE {where}",
            [Verdict.REJECTED, Verdict.REJECTED, WITHDRAWN, *params],
        )
        cursor.execute(
            f"UPDATE {VerdictMemory._meta.db_table} SET to_replay = %s WHERE meter_id IN "  # noqa: S608
            f"(SELECT meter_id FROM readings_reading WHERE {where})",
            [True, *params],
        )


def _wait_again(upload: Upload, ids: Array) -> None:
    """Its rows wait for the verdict anew, so that its end counts them as they are then."""
    parts = [bulk.among(column, ids) for column in ("reading_id", "hours_reading_id")]
    where = " OR ".join(part for part, _ in parts)
    rows = upload.rows.filter(outcome__in=OF_READINGS)
    rows.extra(  # noqa: S610
        where=[f"({where})"], params=[one for _, params in parts for one in params]
    ).update(outcome=Outcome.WAITING, message="")
