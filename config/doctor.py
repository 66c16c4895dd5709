"""Looks at everything the program stands on, and says what to do about what is wrong."""

import os
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.core.checks import ERROR
from django.db import connection
from django.utils import timezone

from config import readiness
from config.database import steps_ahead, steps_behind
from fleet.runs import ledger
from fleet.runs.models import Run
from fleet.workorders.models import Procedure
from fleet.workorders.rules import printed_only
from fleet.workorders.validate import all_faults, services_without

LISTED = 5  # our choice: procedures named at once
OLDEST_PYTHON = (3, 11)
TOLD = ("Django", "celery", "gunicorn", "numpy", "scipy")
LEAST_FREE_BYTES = 2**30  # our choice: a day of photos and sheets
QUIET = timedelta(minutes=15)  # our choice: the schedule notes itself every few minutes
QUIET_EMBEDDED = timedelta(days=1)  # our choice: who ends the program at night may do so


@dataclass(frozen=True)
class Finding:
    """What was looked at, whether it is well, and what was seen or is to be done."""

    subject: str
    well: bool
    text: str


def examine() -> Iterator[Finding]:
    """One finding per subject; an examination that breaks is itself a finding."""
    for subject, look in LOOKS.items():
        try:
            yield Finding(subject, *look())
        except Exception as error:
            yield Finding(subject, False, f"{type(error).__name__}: {' '.join(str(error).split())}")


Seen = tuple[bool, str]


def python() -> Seen:
    found = ".".join(map(str, sys.version_info[:3]))
    return sys.version_info >= OLDEST_PYTHON, found


def versions() -> Seen:
    """What is installed; it is pinned, so that another version is somebody's doing."""
    try:
        own = version("sumpwise")
    except PackageNotFoundError:
        own = "not installed as a package"
    pinned = _pinned(settings.BASE_DIR / "config" / "locks" / "constraints.txt")
    found = {name: version(name) for name in TOLD}
    said = ", ".join(f"{name} {number}" for name, number in found.items())
    unlike = [
        f"{name} {number} instead of {wanted}"
        for name, number in found.items()
        if (wanted := pinned.get(name.lower(), number)) != number
    ]
    if unlike:
        return False, f"{'; '.join(unlike)}: install with -c config/locks/constraints.txt"
    return True, f"sumpwise {own}; {said}"


def _pinned(path: Path) -> dict[str, str]:
    """The versions that this program was tried with, where the list came along."""
    if not path.exists():
        return {}
    lines = [line.split(";")[0].strip() for line in path.read_text().splitlines()]
    pairs = [line.split("==") for line in lines if line.count("==") == 1 and line[0] != "#"]
    return {name.strip().lower(): number.strip() for name, number in pairs}


def disk() -> Seen:
    """Room for what comes: at least as much again as the database of the data folder takes."""
    free = shutil.disk_usage(settings.DATA_DIR).free
    kept = sum(file.stat().st_size for file in settings.DATA_DIR.glob("sumpwise.sqlite3*"))
    least = max(LEAST_FREE_BYTES, kept)
    told = f"{free / 2**30:.1f} GB free"
    if free < least:
        return False, f"{told} at {settings.DATA_DIR}: make room for {least / 2**30:.1f} GB"
    return True, told


def data_folder() -> Seen:
    folder = settings.DATA_DIR
    if not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        return False, f"{folder}: give yourself the right to read and write it."
    key = folder / "secret-key"
    if key.exists() and key.stat().st_mode & 0o077:
        return False, f"{key} can be read by others: chmod 600 {key}"
    kept = sorted(folder.glob("sumpwise.sqlite3*"))
    if open_ones := [one for one in kept if one.stat().st_mode & 0o077]:
        return False, f"{open_ones[0]} can be read by others: chmod 600 {open_ones[0]}"
    return True, str(folder)


def environment() -> Seen:
    """Settings that do not go together; what only might be meant is said and not wrong."""
    found = readiness.findings()
    texts = [readiness.in_words(one) for one in found]
    return not any(one.level >= ERROR for one in found), _first_few(texts) or "go together"


def database() -> Seen:
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    behind = steps_behind()
    if behind:
        return False, f"{connection.vendor}, {behind} steps behind: sumpwise migrate"
    if steps_ahead():
        return False, f"{connection.vendor}, newer than the program: install the newer version"
    connection.check_database_version_supported()
    return True, f"{connection.vendor} {'.'.join(map(str, connection.get_database_version()))}"


def broker() -> Seen:
    from config.celery import app

    with app.connection_for_write() as channel:
        channel.ensure_connection(max_retries=1, timeout=3)
    return True, "Redis" if settings.REDIS_URL else "files in the data folder"


def schedule() -> Seen:
    """Whether somebody starts what falls due by the clock; it notes itself in the data folder."""
    from config.celery import app

    notes = list(settings.DATA_DIR.glob("beat-schedule*"))
    told = "; ".join(app.conf.beat_schedule)
    if not notes:
        return True, f"{told}: not started yet; sumpwise serve does"
    last = datetime.fromtimestamp(max(note.stat().st_mtime for note in notes), UTC)
    gone = timezone.now() - last
    if gone > (QUIET if settings.SERVED else QUIET_EMBEDDED):
        start = "celery -A config beat" if settings.SERVED else "sumpwise serve"
        return False, f"{told}: quiet since {last:%Y-%m-%d %H:%M} UTC; start {start}"
    return True, f"{told}: last noted {last:%Y-%m-%d %H:%M} UTC"


def static_files() -> Seen:
    found = finders.find("admin/css/base.css")
    return bool(found), "found" if found else "missing: install the program again."


def procedures() -> Seen:
    """Unsound procedures are wrong; a service without one is only named: its card would be bare."""
    unsound = [f"{name}: {texts[0]}" for name, texts in all_faults().items()]
    if unsound:
        return False, f"{_first_few(unsound)}. Put right: sumpwise fleet export, then load"
    missing, printed = services_without(), printed_only()
    said = [f"{Procedure.objects.count()}, each by the rules of its family"]
    said += [f"services without one: {_first_few(missing)}"] if missing else []
    said += [f"re-checks that are printed, never due: {_first_few(printed)}"] if printed else []
    return True, "; ".join(said)


def _first_few(texts: Sequence[str]) -> str:
    more = [f"and {len(texts) - LISTED} more"] if len(texts) > LISTED else []
    return "; ".join([*texts[:LISTED], *more])


def last_night() -> Seen:
    owed = ledger.owed(timezone.now())
    done = Run.objects.filter(job=ledger.NIGHT, state=Run.State.DONE).order_by("-on").first()
    last = f"last done for {done.on}" if done else "none done yet"
    if owed:
        parts = ", ".join(f"{night.on} {night.part}" for night in owed)
        return False, f"{last}; owed: {parts}. Keep sumpwise serve running, or: sumpwise nightly"
    return True, last


LOOKS: dict[str, Callable[[], Seen]] = {
    "Python": python,
    "versions": versions,
    "data folder": data_folder,
    "settings": environment,
    "disk": disk,
    "database": database,
    "broker": broker,
    "schedule": schedule,
    "static files": static_files,
    "procedures": procedures,
    "night": last_night,
}
