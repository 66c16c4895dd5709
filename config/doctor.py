"""Looks at everything the program stands on, and says what to do about what is wrong."""

import os
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.core.checks import ERROR
from django.db import OperationalError, connection
from django.utils import timezone
from kombu.exceptions import OperationalError as BrokerAway

from config import readiness, serving
from config.database import in_words, must_keep_letters, steps_ahead, steps_behind
from fleet import jobs
from fleet.faults import Fault
from fleet.runs import ledger
from fleet.runs.models import Run
from fleet.workorders.models import Procedure
from fleet.workorders.rules import printed_only, told_otherwise
from fleet.workorders.validate import all_faults, services_without

LISTED = 5  # our choice: procedures named at once
OLDEST_PYTHON = (3, 11)
TOLD = ("Django", "celery", "gunicorn", "numpy", "scipy")
LEAST_FREE_BYTES = 2**30  # our choice: a day of photos and sheets
QUIET = timedelta(minutes=15)  # our choice: the schedule notes itself every few minutes
QUIET_EMBEDDED = timedelta(days=1)  # our choice: who ends the program at night may do so
PATIENCE = timedelta(minutes=5)  # our choice: what waits longer is not on its way to a worker
ANSWER_WITHIN_S = 5.0  # our choice: a worker answers within milliseconds on a quiet machine
START_WORKER = "celery -A config.celery:app worker --concurrency 2"  # as in docker-compose.yml
START_BEAT = "celery -A config.celery:app beat"


class State(StrEnum):
    WELL = "well"
    LOOK = "look"  # nothing fails; somebody should know and decide
    WRONG = "wrong"


WELL, LOOK, WRONG = State


@dataclass(frozen=True)
class Finding:
    """What was looked at, how it is, and what was seen or is to be done."""

    subject: str
    state: State
    text: str

    @property
    def well(self) -> bool:
        return self.state != WRONG

    def as_json(self) -> dict[str, object]:
        return {"subject": self.subject, "well": self.well, "state": self.state, "text": self.text}


Seen = tuple[State, str]


def examine() -> Iterator[Finding]:
    """One finding per subject; an examination that breaks is itself a finding.

    What rests on something that is wrong is not looked at: its own fault would only hide that one.
    """
    wrong: set[str] = set()
    for subject, look in LOOKS.items():
        if RESTS_ON.get(subject) in wrong:
            continue
        found = Finding(subject, *_seen(look))
        if not found.well:
            wrong.add(subject)
            found = _with_what_waits_for_it(found)
        yield found


def _seen(look: Callable[[], Seen]) -> Seen:
    try:
        return look()
    except OperationalError as error:
        return WRONG, in_words(error)
    except Exception as error:
        return WRONG, f"{type(error).__name__}: {' '.join(str(error).split())}"


def _with_what_waits_for_it(found: Finding) -> Finding:
    left_out = ", ".join(name for name, base in RESTS_ON.items() if base == found.subject)
    if not left_out:
        return found
    return replace(found, text=f"{found.text.rstrip('.')}. Not looked at until then: {left_out}")


def python() -> Seen:
    found = ".".join(map(str, sys.version_info[:3]))
    return WELL if sys.version_info >= OLDEST_PYTHON else WRONG, found


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
        return WRONG, f"{'; '.join(unlike)}: install with -c config/locks/constraints.txt"
    return WELL, f"sumpwise {own}; {said}"


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
        return WRONG, f"{told} at {settings.DATA_DIR}: make room for {least / 2**30:.1f} GB"
    return WELL, told


def data_folder() -> Seen:
    folder = settings.DATA_DIR
    if not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        return WRONG, f"{folder}: give yourself the right to read and write it."
    key = folder / "secret-key"
    if key.exists() and key.stat().st_mode & 0o077:
        return WRONG, f"{key} can be read by others: chmod 600 {key}"
    kept = sorted(folder.glob("sumpwise.sqlite3*"))
    if open_ones := [one for one in kept if one.stat().st_mode & 0o077]:
        return WRONG, f"{open_ones[0]} can be read by others: chmod 600 {open_ones[0]}"
    return WELL, str(folder)


def environment() -> Seen:
    """Settings that do not go together; what only might be meant is to be looked at."""
    found = readiness.findings()
    texts = [readiness.in_words(one) for one in found]
    if any(one.level >= ERROR for one in found):
        return WRONG, _first_few(texts)
    return (LOOK, _first_few(texts)) if found else (WELL, "go together")


def database() -> Seen:
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    try:
        must_keep_letters()
    except Fault as fault:
        return WRONG, f"{connection.vendor}: {fault}"
    behind = steps_behind()
    if behind:
        return WRONG, f"{connection.vendor}, {behind} steps behind: sumpwise migrate"
    if steps_ahead():
        return WRONG, f"{connection.vendor}, newer than the program: install the newer version"
    connection.check_database_version_supported()
    return WELL, f"{connection.vendor} {'.'.join(map(str, connection.get_database_version()))}"


def broker() -> Seen:
    from config.celery import app

    try:
        with app.connection_for_write() as channel:
            channel.ensure_connection(max_retries=1, timeout=3)
    except (BrokerAway, OSError) as error:
        if not settings.REDIS_URL:
            raise
        said = " ".join(str(error).split()).rstrip(".")
        return WRONG, (
            f"Redis does not answer: {said}. See that it runs, and that SUMPWISE_REDIS_URL has its "
            "host, port and, if it asks for one, password. Nothing is lost meanwhile: what is sent "
            "waits in the database"
        )
    return WELL, "Redis" if settings.REDIS_URL else "files in the data folder"


def worker() -> Seen:
    """Whether somebody takes tasks.

    A worker of processes answers whatever they are busy with. That of ``sumpwise serve`` does its
    work itself and answers only between two tasks, so there its supervisor is asked.
    """
    if not settings.SERVED:
        return _kept_worker()
    from config.celery import app

    if app.control.ping(timeout=ANSWER_WITHIN_S, limit=1):
        return WELL, "answers"
    return WRONG, f"none answers: start the worker: {START_WORKER}"


def _kept_worker() -> Seen:
    if serving.port() is None:
        return WELL, "not started; sumpwise serve does"
    since = timezone.now() - PATIENCE
    ended = Run.objects.filter(job=serving.failure_of(serving.WORKER), finished_at__gt=since)
    if (times := ended.count()) > 1:
        return WRONG, f"ended {times} times within {_minutes(PATIENCE)}: see Runs for why"
    return WELL, "kept by sumpwise serve"


def waiting() -> Seen:
    """What people sent or asked for, and nobody has taken for longer than a worker needs to."""
    before = timezone.now() - PATIENCE
    kept = [f"{what} since {since:%Y-%m-%d %H:%M} UTC" for what, since in jobs.untaken(before)]
    if not kept:
        return WELL, f"nothing for longer than {_minutes(PATIENCE)}"
    if at_work := ledger.at_work():
        return LOOK, f"{_first_few(kept)}. Meanwhile somebody is at {at_work[0]}: see Runs"
    start = START_WORKER if settings.SERVED else "sumpwise serve"
    return WRONG, f"{_first_few(kept)}. Nobody is at work: start the worker: {start}"


def _minutes(span: timedelta) -> str:
    return f"{span // timedelta(minutes=1)} minutes"


def schedule() -> Seen:
    """Whether somebody starts what falls due by the clock; it notes itself in the data folder."""
    from config.celery import app

    notes = list(settings.DATA_DIR.glob("beat-schedule*"))
    told = "; ".join(app.conf.beat_schedule)
    start = START_BEAT if settings.SERVED else "sumpwise serve"
    if not notes:
        return LOOK if settings.SERVED else WELL, f"{told}: not started yet; {start} does"
    last = datetime.fromtimestamp(max(note.stat().st_mtime for note in notes), UTC)
    gone = timezone.now() - last
    if gone > (QUIET if settings.SERVED else QUIET_EMBEDDED):
        return WRONG, f"{told}: quiet since {last:%Y-%m-%d %H:%M} UTC; start {start}"
    return WELL, f"{told}: last noted {last:%Y-%m-%d %H:%M} UTC"


def static_files() -> Seen:
    found = finders.find("admin/css/base.css")
    return (WELL, "found") if found else (WRONG, "missing: install the program again.")


def procedures() -> Seen:
    """Unsound procedures are wrong; a service without one is only named: its card would be bare.
    So is a distance in a procedure that its re-check contradicts."""
    unsound = [f"{name}: {texts[0]}" for name, texts in all_faults().items()]
    if unsound:
        return WRONG, f"{_first_few(unsound)}. Put right: sumpwise fleet export, then load"
    missing, printed, other = services_without(), printed_only(), told_otherwise()
    said = [f"{Procedure.objects.count()}, each by the rules of its family"]
    said += [f"services without one: {_first_few(missing)}"] if missing else []
    said += [f"re-checks that are printed, never due: {_first_few(printed)}"] if printed else []
    said += [f"distances that the re-check contradicts: {_first_few(other)}"] if other else []
    return LOOK if missing or other else WELL, "; ".join(said)


def _first_few(texts: Sequence[str]) -> str:
    more = [f"and {len(texts) - LISTED} more"] if len(texts) > LISTED else []
    return "; ".join([*texts[:LISTED], *more])


def last_night() -> Seen:
    owed = ledger.owed(timezone.now())
    done = Run.objects.filter(job=ledger.NIGHT, state=Run.State.DONE).order_by("-on").first()
    last = f"last done for {done.on}" if done else "none done yet"
    if owed:
        parts = ", ".join(f"{night.on} {night.part}" for night in owed)
        keep = "worker and beat" if settings.SERVED else "sumpwise serve"
        return WRONG, f"{last}; owed: {parts}. Keep {keep} running, or: sumpwise nightly"
    return WELL, last


LOOKS: dict[str, Callable[[], Seen]] = {
    "Python": python,
    "versions": versions,
    "data folder": data_folder,
    "settings": environment,
    "disk": disk,
    "database": database,
    "broker": broker,
    "worker": worker,
    "waiting": waiting,
    "schedule": schedule,
    "static files": static_files,
    "procedures": procedures,
    "night": last_night,
}
RESTS_ON = {
    "worker": "broker",
    "waiting": "database",
    "procedures": "database",
    "night": "database",
}
