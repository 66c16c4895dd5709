"""Looks at everything the program stands on, and says what to do about what is wrong."""

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

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
    return True, connection.vendor


def broker() -> Seen:
    from config.celery import app

    with app.connection_for_write() as channel:
        channel.ensure_connection(max_retries=1, timeout=3)
    return True, "Redis" if settings.REDIS_URL else "files in the data folder"


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
    "data folder": data_folder,
    "settings": environment,
    "database": database,
    "broker": broker,
    "static files": static_files,
    "procedures": procedures,
    "night": last_night,
}
