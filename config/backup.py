"""A backup is one file with everything: rows, photos, papers and what was sent in.

A zip archive of ``sumpwise.json`` (what it is), ``rows.sqlite3`` (all rows, whatever kept them)
and the files of the data folder. The secret key is not in it.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.auth.models import Permission
from django.contrib.contenttypes.models import ContentType
from django.db import connection, connections, transaction
from django.db.migrations.recorder import MigrationRecorder
from django.utils import timezone

from config.database import known_steps, migrate, must_not_be_newer, steps_behind
from config.serving import only_one, stopped
from config.whereabouts import DATABASE
from fleet import copies
from fleet.copies import Tell
from fleet.faults import Fault
from fleet.stores.models import GradeLimit

FORMAT = 1
ABOUT, ROWS, FILES = "sumpwise.json", "rows.sqlite3", "kept/"
# of the data folder; the rest is made anew (queues, locks, compressed pages) or secret (the key)
KEPT = ("files", "uploads", "workbooks", "demo")
# rows that every new database brings
BROUGHT_ALONG = (ContentType, Permission, GradeLimit, MigrationRecorder.Migration)


@dataclass(frozen=True)
class About:
    """What a backup holds: rows by table, files, and the migrations that its rows went through."""

    format: int
    made_at: str
    rows: dict[str, int]
    files: int
    steps: list[list[str]]

    @property
    def in_words(self) -> str:
        made = datetime.fromisoformat(self.made_at)
        vehicles = self.rows.get("vehicles_vehicle", 0)
        counts = (vehicles, "vehicle"), (sum(self.rows.values()), "row"), (self.files, "file")
        said = [f"{count:,} {noun}{'' if count == 1 else 's'}" for count, noun in counts]
        return f"{', '.join(said)} as of {made.day} {made:%b %Y %H:%M} UTC"


def back_up(path: Path, tell: Tell) -> About:
    """Write a backup of the program's own database and data folder; both may be in use."""
    with workroom(path.absolute().parent) as room:
        # files once before the rows and once after: none that a row names is missed, though one
        # may be taken back and another come meanwhile
        found = dict(_files(settings.DATA_DIR, room / "before"))
        copies.snapshot(room / DATABASE, tell)
        found |= dict(_files(settings.DATA_DIR, room / "after"))
        return _pack(room, found, path)


def restore(source: Path, tell: Tell) -> About:
    """Bring all of a backup, or of another data folder, into this empty one and its database.

    Raises
    ------
    Fault
        It is no backup, a damaged or a newer one, or there is something here already, or either
        place is being served.
    """
    with only_one():
        must_be_empty()
        with workroom(settings.DATA_DIR) as room:
            made_at = (_take_over if source.is_dir() else _unpack)(source, room)
            copies.must_be_whole(room / DATABASE)
            _bring_up_to_date(room)
            files = sum(path.is_file() for path in (room / FILES).rglob("*"))
            about = _about(room, files, made_at)
            _put(room, tell)
    return about


def _take_over(folder: Path, room: Path) -> str:
    """Copy another data folder with its embedded database; give the instant."""
    if not (folder / DATABASE).is_file():
        raise Fault(f"{folder} holds no {DATABASE}: name a backup, or an embedded data folder.")
    with stopped(folder):
        copies.copy_file(folder / DATABASE, room / DATABASE)
        for name in KEPT:
            start, target = folder / name, room / FILES / name
            target.parent.mkdir(exist_ok=True)
            if start.is_dir():
                shutil.copytree(start, target)
            elif start.exists():
                shutil.copyfile(start, target)
    return _now()


def _put(room: Path, tell: Tell) -> None:
    try:
        _put_files(room)
        _put_rows(room / DATABASE, tell)
    except BaseException:
        for name in KEPT:  # the folder was empty: what is there came from here
            _remove(settings.DATA_DIR / name)
        raise


def must_be_empty() -> None:
    """Refuse to restore over anything.

    Raises
    ------
    Fault
        With where something is.
    """
    where = settings.DATABASE_URL and "The database" or str(settings.DATA_DIR)
    if connection.introspection.table_names():
        must_not_be_newer()
        if steps_behind():
            raise Fault(f"{where} is older than the program: run sumpwise migrate, then again.")
        ours = {one._meta.db_table for one in BROUGHT_ALONG}
        if filled := copies.counted("default").keys() - ours:
            raise Fault(
                f"{where} is not empty ({len(filled)} tables hold rows): restore into a new "
                "database or data folder, and keep this one until you have seen the other."
            )
    for name in KEPT:
        path = settings.DATA_DIR / name
        if path.is_file() or path.is_dir() and any(path.rglob("*")):
            raise Fault(f"{path} is there already: name another data folder in SUMPWISE_DATA.")


@contextmanager
def workroom(folder: Path) -> Iterator[Path]:
    """A private folder beside where the result goes, so that moving it there is one step."""
    try:
        room = Path(tempfile.mkdtemp(prefix=".sumpwise-", dir=folder))
    except OSError as error:
        raise Fault(f"Cannot write in {folder} ({error.strerror}): name another.") from error
    try:
        yield room
    finally:
        shutil.rmtree(room, ignore_errors=True)


def _files(folder: Path, into: Path) -> Iterator[tuple[str, Path]]:
    """Each kept file's name and a copy of it that nobody takes back meanwhile."""
    for name in KEPT:
        start = folder / name
        for path in sorted(start.rglob("*")) if start.is_dir() else [start]:
            relative = path.relative_to(folder)
            target = into / relative
            with suppress(FileNotFoundError, IsADirectoryError):
                target.parent.mkdir(parents=True, exist_ok=True)
                _link(path, target)
                yield relative.as_posix(), target


def _link(path: Path, target: Path) -> None:
    """A second name for a file where the disk allows it, else a copy."""
    if path.is_dir():
        raise IsADirectoryError(path)
    try:
        os.link(path, target)
    except FileNotFoundError:
        raise
    except OSError:
        shutil.copyfile(path, target)


def _now() -> str:
    return timezone.now().isoformat(timespec="seconds")


def _about(room: Path, files: int, made_at: str) -> About:
    with copies.opened(room / DATABASE) as alias:
        steps = sorted(map(list, MigrationRecorder(connections[alias]).applied_migrations()))
        rows = copies.counted(alias)
    return About(FORMAT, made_at, rows, files, steps)


def _pack(room: Path, files: dict[str, Path], path: Path) -> About:
    about = _about(room, len(files), _now())
    packed = room / "packed.zip"
    packed.touch(mode=0o600)
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr(ABOUT, json.dumps(asdict(about), indent=1))
        archive.write(room / DATABASE, ROWS)
        for name, file in files.items():
            archive.write(file, FILES + name)
    packed.replace(path)
    return about


def _unpack(path: Path, room: Path) -> str:
    """Take a backup apart; give the instant it is of."""
    try:
        with zipfile.ZipFile(path) as archive:
            told = json.loads(archive.read(ABOUT))
            made_at = str(told["made_at"])
            _must_be_known(told)
            for name in archive.namelist():
                if name == ROWS or name.startswith(tuple(FILES + kept for kept in KEPT)):
                    archive.extract(name, room)  # stays inside, whatever a name says
    except FileNotFoundError as error:
        raise Fault(f"There is no file {path}: check the name.") from error
    except (OSError, zipfile.BadZipFile, KeyError, ValueError, TypeError) as error:
        raise Fault(f"{path} is no backup, or a damaged one ({error}): take another.") from error
    (room / ROWS).rename(room / DATABASE)
    return made_at


def _must_be_known(told: dict[str, Any]) -> None:
    unknown = {tuple(step) for step in told["steps"]} - known_steps()
    if told["format"] > FORMAT or unknown:
        raise Fault(
            "The backup is newer than the program: install the version of the program that made "
            "it, or a later one."
        )


def _bring_up_to_date(room: Path) -> None:
    """Migrate the rows in a process of its own, to which they are its embedded database."""
    given = {name: text for name, text in os.environ.items() if not name.startswith("SUMPWISE_")}
    done = subprocess.run(
        [sys.executable, "-m", "config", "migrate"],
        env={**given, "SUMPWISE_DATA": str(room)},
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
    )
    if done.returncode:
        raise Fault(f"The rows of the backup cannot be brought up to date: {done.stderr.strip()}")


def _put_files(room: Path) -> None:
    for name in KEPT:
        if (room / FILES / name).exists():
            _remove(settings.DATA_DIR / name)  # an empty folder at most
            (room / FILES / name).rename(settings.DATA_DIR / name)


def _remove(path: Path) -> None:
    shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink(missing_ok=True)


def _put_rows(path: Path, tell: Tell) -> None:
    migrate()
    with copies.opened(path) as alias, transaction.atomic():
        copies.copy_rows(alias, "default", tell)
        tell("comparing every row")
        if unlike := copies.difference(alias, "default"):
            raise Fault(f"What was restored is not what the backup holds: {unlike}")
