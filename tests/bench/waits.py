"""What others wait for while a large sheet is tried out: they do not."""

import sys
import threading
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from django.db import connection
from django.test import Client
from django.utils import timezone

from config import webserver
from fleet import chain
from fleet.people.models import Person
from fleet.readings import intake
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Reading, Source
from fleet.vehicles.models import Vehicle
from tests.bench import fleet
from tests.bench.measure import measured, report
from tests.bench.night import analyze, empty
from tests.bench.upload import READINGS_EACH, _write

WEEKS = 20  # of history
MOST_S = 2.0
PAUSE_S = 0.05
ALONE_S = 8.0


def run(rows: int) -> None:
    """Try a sheet that names half of the fleet, while others read and write."""
    empty()
    sys.setswitchinterval(webserver.SWITCH_S)
    fleet.build(rows // READINGS_EACH * 2, WEEKS)
    chain.nightly(fleet.first_of_month_after_last())
    analyze()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "readings.xlsx"
        _write(path, rows)
        others = [_Other(name, work) for name, work in (("a reading", _enter), ("a page", _page()))]
        for other in others:
            other.start()
        time.sleep(ALONE_S)
        alone = [max(other.took_s, default=0.0) for other in others]
        for other in others:
            other.took_s.clear()
        with measured() as trial:
            found = intake.dry_run(path, path.name, lambda ids: chain.catch_up(timezone.now(), ids))
        for other in others:
            other.stop()
    known = Reading.objects.count()
    print(f"{rows:,} rows tried beside {known:,} readings in {trial.wall_s:.1f} s: {found.counts}")
    for other, alone_s in zip(others, alone, strict=True):
        name = f"{other.name} meanwhile, longest of {len(other.took_s)}"
        report(name, max(other.took_s), MOST_S, "s")
        print(f"      before, while they were alone: {alone_s:.2f} s")


class _Other(threading.Thread):
    """Somebody who does the same thing again and again, as another thread of the server would."""

    def __init__(self, name: str, work: Callable[[], object]) -> None:
        super().__init__(name=name, daemon=True)
        self.work, self.took_s, self.ended = work, list[float](), threading.Event()

    def run(self) -> None:
        while not self.ended.wait(PAUSE_S):
            begun_s = time.perf_counter()
            self.work()
            self.took_s.append(time.perf_counter() - begun_s)
        connection.close()

    def stop(self) -> None:
        self.ended.set()
        self.join()


def _enter() -> None:
    """A reading of a vehicle that the sheet names as well, taken in by the whole chain."""
    vehicle = Vehicle.objects.earliest("pk")
    newest = Reading.objects.filter(vehicle=vehicle).latest("taken_at")
    at, km = newest.taken_at + timedelta(hours=1), newest.value + 1
    enter([Entry(vehicle.pk, vehicle.pk, at, True, km, "km")], Source.PAGE)
    chain.refresh([vehicle.pk], timezone.now())


def _page() -> Callable[[], object]:
    person = Person.objects.create_superuser(username="bench")
    client = Client(headers={"host": "127.0.0.1"})
    client.force_login(person)

    def look() -> None:
        answer = client.get("/readings")
        assert answer.status_code == 200, answer.status_code

    return look
