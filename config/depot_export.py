"""One depot as a file that any program reads: a zip archive of tables, photos and papers.

``read-me.txt`` says what is in it; ``rows/`` holds a table each as CSV (RFC 4180, UTF-8, the names
of columns first, with their units; instants in UTC); ``files/`` what the rows name.
"""

import json
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from io import TextIOWrapper
from pathlib import Path
from typing import Any

from django.conf import settings
from django.utils import timezone

from config.backup import workroom
from config.whereabouts import DATABASE
from fleet import copies, handover
from fleet.copies import Tell
from fleet.faults import Fault
from fleet.tables import csv_line
from fleet.vehicles.models import Depot

READ_ME = "read-me.txt"


@dataclass(frozen=True)
class Exported:
    """What went out: rows by table, and files."""

    depot: str
    made_at: datetime
    rows: dict[str, int]
    files: int
    missing: list[str]  # files that rows name and the folder does not hold
    secrets: bool  # whether a blinded trial keeps a product of them secret
    blinded: dict[str, int]  # texts that named it and do so no more, by table and column


def export(slug: str, path: Path, tell: Tell) -> Exported:
    """Write the rows and files of a depot, as of one moment; the program may run meanwhile.

    Raises
    ------
    Fault
        There is no such depot, or the place cannot be written to.
    """
    depot = Depot.objects.filter(slug=slug).first()
    if depot is None:
        known = ", ".join(Depot.objects.order_by("slug").values_list("slug", flat=True))
        raise Fault(f"There is no depot {slug}: name one of {known or 'those you load first'}.")
    with workroom(path.absolute().parent) as room:
        made_at = timezone.now()
        copies.snapshot(room / DATABASE, tell)
        packed = room / "packed.zip"
        packed.touch(mode=0o600)
        with (
            copies.opened(room / DATABASE) as alias,
            zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        ):
            blinded: dict[str, int] = {}
            rows = dict(_tables(archive, depot.pk, alias, made_at, tell, blinded))
            missing = list(_files(archive, handover.files_of(depot.pk, alias)))
            files = sum(name.startswith("files/") for name in archive.namelist())
            secrets = bool(handover.secrets_of(depot.pk, made_at))
            told = Exported(slug, made_at, rows, files, missing, secrets, blinded)
            archive.writestr(READ_ME, "\n".join(_read_me(depot, told)))
        packed.replace(path)
    return told


def _tables(
    archive: zipfile.ZipFile,
    depot_id: int,
    alias: str,
    now: datetime,
    tell: Tell,
    blinded: dict[str, int],
) -> Iterator[tuple[str, int]]:
    for table in handover.of_depot(depot_id, alias, now):
        tell(table.name)
        count = 0
        with (
            archive.open(f"rows/{table.name}.csv", "w", force_zip64=True) as raw,
            TextIOWrapper(raw, "utf-8", newline="") as text,
        ):
            text.write(csv_line(table.columns))
            for count, row in enumerate(table.rows, 1):  # noqa: B007
                text.write(csv_line(map(_cell, row)))
        for column, texts in sorted(table.blinded.items()):
            blinded[f"{table.name}.{column}"] = texts
        yield table.name, count


def _cell(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    return json.dumps(value) if isinstance(value, dict | list) else value


def _files(archive: zipfile.ZipFile, names: list[str]) -> Iterator[str]:
    """Put the files in; name those that are not there."""
    folder = settings.DATA_DIR / "files"
    for name in names:
        if (folder / name).is_file():
            archive.write(folder / name, f"files/{name}")
        else:
            yield name


def _read_me(depot: Depot, told: Exported) -> Iterator[str]:
    yield f"{depot.name} ({depot.slug}) as of {told.made_at:%Y-%m-%d %H:%M} UTC"
    yield ""
    yield "Each table of rows/ is a CSV file in UTF-8. Units end the names of columns; instants are"
    yield "UTC. A column named below with a table holds the id of a row there. A text that a"
    yield "spreadsheet could take for a formula begins with an apostrophe."
    yield ""
    yield "What was done on a vehicle of this depot goes with the vehicle, wherever it was done."
    yield "Other depots, their vehicles, and people stand here only as far as these rows name them."
    yield ""
    if told.secrets:
        yield "A blinded trial keeps secret what is in some vehicles: until it is over, the rows of"
        yield "these compartments leave the product empty, and texts about these vehicles have"
        yield f"{handover.BLINDED} where they named it. Export again after that."
        for column, count in told.blinded.items():
            yield f"    {column}: {count:,} text{'' if count == 1 else 's'}"
        yield ""
    for name, count in told.rows.items():
        yield f"{name}: {count:,} row{'' if count == 1 else 's'}"
        for column, table in handover.keys_of(name):
            yield f"    {column}: {table}"
    yield ""
    yield f"files/: {told.files:,} photos and papers"
    for name in told.missing:
        yield f"named by a row and not found: {name}"
    yield ""
    for why in handover.LEFT_OUT:
        yield f"Left out: {why}."
