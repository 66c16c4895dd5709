"""An upload from its bytes to rows with an outcome: received, read, (judged elsewhere,) done.

Each step may be interrupted and begun again. Parsing holds no lock on the database; rows are
written in chunks of one short transaction each, which also moves ``rows_read``.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Literal

import numpy as np
from django.conf import settings
from django.db import IntegrityError, connection, transaction
from django.db.models import Count, Exists, OuterRef, Q

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.faults import Fault
from fleet.people.models import Person
from fleet.people.roles import depots_of
from fleet.readings import leavings
from fleet.readings.models import Reading, RowCorrection, Source, Upload, UploadRow, Verdict
from fleet.readings.reasons import sentence
from fleet.readings.record import AtOnce, Recorded, record
from fleet.readings.report import Report, refusal, report_of
from fleet.readings.resolve import Resolved, clipped, resolve
from fleet.readings.roll import Roll
from fleet.readings.scratch import scratch
from fleet.readings.sheets import ReadSheet, open_sheets
from fleet.readings.spreadsheet import SpreadsheetFault

Outcome = UploadRow.Outcome
Progress = Callable[[float], None]

MOST_BYTES = 64 << 20  # of a file as sent: our choice
STEP_BYTES = 1 << 20
MANY_ROWS = 5_000  # after so many the database counts its rows anew; our choice
ROWS_AT_ONCE = 20_000  # keeps the write lock of SQLite well under a second
REPEATED = "This reading was there already."


class TotalsFault(AssertionError):
    """Rows were lost or counted twice: a fault of the program, never of the file."""


@dataclass(frozen=True, slots=True)
class Options:
    """What is stated for a whole file."""

    unit: Literal["km", "mi"] | None = None  # None: as the sheet says, else each vehicle's meter
    depots: tuple[str, ...] | None = None  # slugs; None: all


# --- received --------------------------------------------------------------------------------


def receive(
    source: Path | bytes | IO[bytes],
    name: str,
    person: Person | None = None,
    options: Options = Options(),  # noqa: B008 - frozen
) -> Upload:
    """Keep a file and its upload; the same bytes and options again give the upload they gave.

    ``seen_before`` tells the two apart. A person reaches only vehicles of own depots. After new
    vehicles were added, a file with unknown vehicles counts as new: its other rows are repeated.
    """
    options = _within_reach(options, person)
    kept, digest, size = _keep(source)
    try:
        key = _next_key(f"{digest}{json.dumps(asdict(options), sort_keys=True)}", options)
        known = Upload.objects.filter(hash=key).first()
        if known is None:
            os.replace(kept, path_of(key))
            return _create(key, name, size, person, options)
        if not path_of(key).exists():
            os.replace(kept, path_of(key))
        return _seen_before(known)
    finally:
        kept.unlink(missing_ok=True)


def path_of(key: str) -> Path:
    """Where the bytes of an upload are kept."""
    return Path(settings.DATA_DIR) / "uploads" / key


def _within_reach(options: Options, person: Person | None) -> Options:
    if person is None or person.is_superuser:
        return options
    own = set(depots_of(person).values_list("slug", flat=True))
    wanted = own if options.depots is None else own & set(options.depots)
    return Options(options.unit, tuple(sorted(wanted)))


def _keep(source: Path | bytes | IO[bytes]) -> tuple[Path, str, int]:
    folder = path_of("x").parent
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    digest, size = hashlib.sha256(), 0
    handle, name = tempfile.mkstemp(dir=folder, prefix=leavings.prefix(leavings.ARRIVING))
    try:
        with os.fdopen(handle, "wb") as file:
            for step in _steps(source):
                size += len(step)
                if size > MOST_BYTES:
                    raise Fault(
                        f"The file is larger than {MOST_BYTES >> 20} MB: "
                        "split it into smaller files."
                    )
                digest.update(step)
                file.write(step)
    except BaseException:
        Path(name).unlink()
        raise
    return Path(name), digest.hexdigest(), size


def _steps(source: Path | bytes | IO[bytes]) -> Iterator[bytes]:
    if isinstance(source, bytes):
        yield source
    elif isinstance(source, Path):
        with source.open("rb") as file:
            yield from _steps(file)
    else:
        while step := source.read(STEP_BYTES):
            yield step


def _next_key(text: str, options: Options) -> str:
    """The hash of an upload, moved on while it had unknown vehicles and others are known now."""
    key = hashlib.sha256(text.encode()).hexdigest()
    now = ""
    while (known := Upload.objects.filter(hash=key).first()) is not None:
        if not known.counts.get(Outcome.UNKNOWN_VEHICLE):
            break
        now = now or Roll(options.depots).fingerprint()
        if known.options.get("vehicles") == now:
            break
        key = hashlib.sha256(f"{key}{now}".encode()).hexdigest()
    return key


def _create(key: str, name: str, size: int, person: Person | None, options: Options) -> Upload:
    try:
        with transaction.atomic():
            return Upload.objects.create(
                name=clipped(name, 200),
                hash=key,
                size_bytes=size,
                person=person,
                options=asdict(options),
            )
    except IntegrityError:  # the same file came twice at the same time
        return _seen_before(Upload.objects.get(hash=key))


def _seen_before(known: Upload) -> Upload:
    """A file that was refused is looked at again: the program may have learnt to read it."""
    if known.state == Upload.State.REFUSED:
        known.state, known.message = Upload.State.RECEIVED, ""
        known.save(update_fields=["state", "message"])
    known.seen_before = True
    return known


# --- read ------------------------------------------------------------------------------------


def stage(upload: Upload, progress: Progress | None = None, at_once: AtOnce | None = None) -> None:
    """Read the file into rows and readings that wait for a verdict; go on where it stopped.

    ``at_once`` says which readings are accepted as they are written, and need not wait.
    """
    if upload.state != Upload.State.RECEIVED:
        return
    try:
        with open_sheets(kept_file(upload)) as sheets:
            _stage(upload, sheets, progress or (lambda share: None), at_once)
    except SpreadsheetFault as fault:
        upload.state, upload.message = Upload.State.REFUSED, str(fault)
        upload.save(update_fields=["state", "message"])


def kept_file(upload: Upload) -> Path:
    path = path_of(upload.hash)
    if not path.exists():
        raise SpreadsheetFault("The file is no longer in the data folder: send it again.")
    return path


def _stage(
    upload: Upload, sheets: list[ReadSheet], progress: Progress, at_once: AtOnce | None = None
) -> None:
    roll = Roll(depots_of_upload(upload), upload.options.get("treat_as"))
    upload.rows_total = sum(found.count for found in sheets)
    upload.message = _remarks(sheets)
    upload.options = {**upload.options, "vehicles": roll.fingerprint()}
    upload.save(update_fields=["rows_total", "message", "options"])
    unit, at = upload.options.get("unit"), 0
    for found in sheets:
        for entries in found.entries():
            if at + len(entries) > upload.rows_read:
                resolved = resolve(entries, roll, unit, upload.received_at)
                write_rows(upload, resolved, at, at_once)
            at += len(entries)
            progress(at / max(1, upload.rows_total))
    if upload.rows_total >= MANY_ROWS:
        bulk.analyze(Reading)
    upload.state = Upload.State.READ
    upload.save(update_fields=["state"])


def depots_of_upload(upload: Upload) -> list[str] | None:
    depots: list[str] | None = upload.options.get("depots")
    return depots


def _remarks(sheets: list[ReadSheet]) -> str:
    """Sheets that were left alone, so that nobody believes they were read."""
    return " ".join(
        f"{found.message} It was left alone."
        for found in sheets
        if found.message and not found.count
    )


def write_rows(upload: Upload, resolved: Resolved, at: int, at_once: AtOnce | None = None) -> None:
    """Write one chunk of rows and their readings; ``at`` rows of the file came before it."""
    rows, count = resolved.rows, len(resolved.rows["row"])
    already = max(0, upload.rows_read - at)  # of an earlier run that cut its chunks elsewhere
    with transaction.atomic():
        _claim(upload, at + count)
        link(resolved, record(resolved.readings, Source.SHEET, upload.received_at, at_once))
        rows["number"] = np.arange(at + 1, at + count + 1)
        rows["upload_id"] = np.full(count, upload.pk)
        bulk.insert(UploadRow, {name: column[already:] for name, column in rows.items()})
    upload.rows_read = at + count


def link(resolved: Resolved, found: Recorded) -> None:
    """Tie rows to the readings recorded of them; a row that brought nothing new is repeated, one
    whose readings are all accepted need not wait."""
    rows = resolved.rows
    for name, hours in (("reading_id", False), ("hours_reading_id", True)):
        rows[name] = np.full(len(rows["row"]), None, object)
        mine = resolved.hours == hours
        rows[name][resolved.row_of[mine]] = found.id[mine].tolist()
    _mark_repeated(rows, resolved.row_of[found.new])
    accepted = rows["outcome"] == Outcome.WAITING
    accepted[resolved.row_of[~found.accepted]] = False
    rows["outcome"][accepted] = Outcome.ACCEPTED.value


def _claim(upload: Upload, after: int) -> None:
    won = Upload.objects.filter(
        pk=upload.pk, state=Upload.State.RECEIVED, rows_read=upload.rows_read
    ).update(rows_read=after)
    if not won:
        raise Fault(f"“{upload.name}” is being read by another process: wait for it to end.")


def _mark_repeated(rows: dict[str, Array], with_news: Array) -> None:
    repeated = rows["outcome"] == Outcome.WAITING
    repeated[with_news] = False
    rows["outcome"][repeated] = Outcome.REPEATED.value
    rows["message"][repeated] = REPEATED


def dry_run(
    source: Path | bytes | IO[bytes],
    name: str,
    judge: Callable[[Array], object],
    person: Person | None = None,
    options: Options = Options(),  # noqa: B008 - frozen
) -> Report:
    """Report what an upload would do, and keep nothing of it.

    ``judge`` gives the readings of the vehicles with these ids their verdicts. Everything is
    written to copies that are thrown away; the file is parsed before they are made.
    """
    options = _within_reach(options, person)
    kept, digest, size = _keep(source)
    try:
        with open_sheets(kept) as sheets, scratch(lambda: _named(sheets, options)):
            key = f"tried {digest}"[:64]
            upload = _create(key, name, size, person, options)
            _stage(upload, sheets, lambda share: None)
            judge(vehicles_of(upload))
            finish(upload)
            return report_of(upload, tried=True)
    except SpreadsheetFault as fault:
        return refusal(name, str(fault))
    finally:
        kept.unlink(missing_ok=True)


def _named(sheets: list[ReadSheet], options: Options) -> Array:
    """Ids of the vehicles that a file speaks of."""
    roll = Roll(options.depots)
    cells = {cell for found in sheets for part in found.entries() for cell in part.vehicles}
    places = [place for cell in cells if type(place := roll.find(cell)) is int]
    return roll.ids[np.array(places, dtype=np.int64)]


# --- done ------------------------------------------------------------------------------------


def vehicles_of(upload: Upload) -> Array:
    """Ids of the vehicles whose readings this upload brought."""
    with_reading = Q(reading__isnull=False) | Q(hours_reading__isnull=False)
    corrected = Exists(RowCorrection.objects.filter(row=OuterRef("pk")))
    rows = upload.rows.filter(with_reading & (~Q(outcome=Outcome.REPEATED) | corrected))
    found = rows.order_by("vehicle_id").values_list("vehicle_id", flat=True).distinct()
    return np.array(list(found), dtype=np.int64)


def finish(upload: Upload) -> None:
    """Give every waiting row the verdict on its readings, count, and check the totals."""
    if upload.state == Upload.State.DONE:
        return
    for start in range(0, upload.rows_total or 0, ROWS_AT_ONCE):
        _settle_rows(upload, start, start + ROWS_AT_ONCE)
        _explain_rows(upload, start, start + ROWS_AT_ONCE)
    upload.counts = outcomes_of(upload)
    check_totals(upload)
    upload.state = Upload.State.DONE
    upload.save(update_fields=["counts", "state"])


def _settle_rows(upload: Upload, start: int, stop: int) -> None:
    """Of a row with an odometer and engine hours the worse verdict counts."""
    rows = UploadRow._meta.db_table
    judged = f"SELECT r.verdict FROM {Reading._meta.db_table} r WHERE r.verdict <> %s AND r.id"  # noqa: S608
    sql = (
        f"UPDATE {rows} SET outcome = COALESCE(CASE WHEN hours_reading_id IS NULL "  # noqa: S608
        f"THEN ({judged} = {rows}.reading_id) "
        f"ELSE ({judged} IN ({rows}.reading_id, {rows}.hours_reading_id) "
        "ORDER BY CASE r.verdict WHEN %s THEN 0 WHEN %s THEN 1 ELSE 2 END LIMIT 1) END, outcome) "
        "WHERE upload_id = %s AND number > %s AND number <= %s AND outcome = %s"
    )
    verdicts = [*[Verdict.NOT_JUDGED] * 2, Verdict.REJECTED, Verdict.HELD]
    with connection.cursor() as cursor:
        cursor.execute(sql, [*verdicts, upload.pk, start, stop, Outcome.WAITING])


def _explain_rows(upload: Upload, start: int, stop: int) -> None:
    rows = upload.rows.filter(
        number__gt=start, number__lte=stop, outcome__in=[Outcome.HELD, Outcome.REJECTED]
    )
    told: dict[int, str] = {}
    for column in ("reading", "hours_reading"):
        for pk, message, *why in rows.filter(
            **{f"{column}__verdict__in": [Verdict.HELD, Verdict.REJECTED]}
        ).values_list(
            "pk", "message", *(f"{column}__{f}" for f in ("reason", "suggestion", "meter__unit"))
        ):
            said, before = sentence(*why), told.get(pk, message)
            if said not in before:
                told[pk] = clipped(f"{before} {said}".strip())
    if told:
        columns = {"id": np.array(list(told)), "message": np.array(list(told.values()), object)}
        bulk.update(UploadRow, columns)


def outcomes_of(upload: Upload) -> dict[str, int]:
    """Number of rows in each outcome."""
    found = upload.rows.order_by().values_list("outcome").annotate(Count("id"))
    return {str(outcome): number for outcome, number in found}


def check_totals(upload: Upload) -> None:
    """Every row of the file has exactly one outcome, and none is missing."""
    final = {outcome.value for outcome in Outcome} - {Outcome.WAITING.value}
    counted = sum(number for outcome, number in upload.counts.items() if outcome in final)
    stored = upload.rows.count()
    if not upload.rows_total == counted == stored:
        raise TotalsFault(
            f"Upload {upload.pk}: {upload.rows_total} rows in the file, {stored} stored, "
            f"{counted} with an outcome ({upload.counts})."
        )
