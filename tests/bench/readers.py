"""Who reads while the night runs: how long answers take, and whether any is half new.

The pages' own server answers two readers who ask at a steady rate, first while nothing else runs,
then while another process runs the night over every vehicle. All dates change: limits are halved
(and doubled for the next night), so that the dates of a vehicle are those of before or of after.
The night runs at the priority of the pages, and at that of the worker.

Pages, database and night share what processors there are. On two of them a night takes one or
both, so what is measured is partly the want of a third: what a loop that only counts does to the
same readers stands beside it. A night's statements to PostgreSQL run at the priority of the
database, whatever that of the worker.
"""

import os
import random
import re
import subprocess
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from datetime import date
from http.client import HTTPConnection
from itertools import cycle
from json import loads

import numpy as np
from django.conf import settings
from django.db import connection
from django.db.models import F
from django.test import Client

from fleet import chain
from fleet.due.models import DueDate, Limit
from fleet.people import tokens
from fleet.people.models import Person, Role
from fleet.vehicles.models import Depot
from tests.bench import fleet
from tests.bench.measure import report
from tests.bench.night import analyze
from tests.config.test_serve import free_port
from tests.processes import environment, wait_for

READERS, EVERY_S = 2, 0.25
ALONE_S, NIGHTS = 20.0, 2
MOST_OF_ALONE = 1.5
ASKED = (  # {} is replaced by the beginning of some fleet numbers
    *("/overview", "/due", "/todays-orders", "/api/v1/work-orders?limit=50"),
    *("/api/v1/due-dates?limit=50", "/due?rows=all&state=overdue&search={}"),
    "/api/v1/due-dates?limit=500&vehicle={}0",
)
NIGHT = """
import os, sys, django
os.nice(int(sys.argv[1]))
django.setup()
from datetime import date
from fleet import chain
chain.nightly(date.fromisoformat(sys.argv[2]), again=True)
"""
Dates = Mapping[str, Mapping[str, str | None]]  # by vehicle, then service


def run(vehicles: int) -> None:
    fleet.build(vehicles, weeks=8)
    on = fleet.first_of_month_after_last()
    chain.nightly(on)
    analyze()
    person = Person.objects.create_user("bench-reader", role=Role.SUPERVISOR)
    person.depots.set(Depot.objects.all())
    with server() as port:
        ask = _asker(port, person)
        for address in ASKED:
            ask(address.format("B-00001"))
        alone = _read(ask, vehicles, _a_while)
        _say("alone", alone)
        with _counting():
            _say("beside a loop that only counts", _read(ask, vehicles, _a_while))
        for name, nice in (
            ("at the worker's priority", settings.WORKER_NICENESS),
            ("at the pages' own", 0),
        ):
            read = [_during_a_night(ask, vehicles, on, nice, at) for at in range(NIGHTS)]
            _say(f"during a night {name}", sum(read, _Found()))
            _compare(name, alone, sum(read, _Found()))


def _a_while() -> None:
    time.sleep(ALONE_S)


@contextmanager
def _counting() -> Iterator[None]:
    """A processor less, at the worker's priority: what its want alone makes of the times."""
    loop = f"import os; os.nice({settings.WORKER_NICENESS})\nwhile True: pass"
    process = subprocess.Popen([sys.executable, "-c", loop])
    try:
        yield
    finally:
        process.kill()
        process.wait()


@contextmanager
def server() -> Iterator[int]:
    """The pages as ``serve`` starts them, on a port of their own."""
    port = free_port()
    command = ["-m", "gunicorn", "-c", "python:config.webserver", "--log-level", "warning"]
    process = subprocess.Popen(
        [sys.executable, *command, "--bind", f"127.0.0.1:{port}"],
        env=environment(),
        cwd=settings.BASE_DIR,
    )
    try:
        wait_for(lambda: _is_up(port))
        yield port
    finally:
        process.terminate()
        process.wait(timeout=20)


def _is_up(port: int) -> bool:
    try:
        return _get(port, "/health", {})[0] == 200
    except OSError:
        return False


def _get(port: int, address: str, headers: Mapping[str, str]) -> tuple[int, str]:
    with closing(HTTPConnection("127.0.0.1", port, timeout=60)) as http:
        http.request("GET", address, headers=dict(headers))
        answer = http.getresponse()
        return answer.status, answer.read().decode()


def _asker(port: int, person: Person) -> Callable[[str], str]:
    scopes = ("work-orders:read", "due-dates:read")
    _, secret = tokens.issue(person=person, label="bench", scopes=scopes, days=1)
    client = Client()
    client.force_login(person)
    by_page = {"Cookie": f"sessionid={client.cookies['sessionid'].value}"}
    by_api = {"Authorization": f"Bearer {secret}"}

    def ask(address: str) -> str:
        status, text = _get(port, address, by_api if address.startswith("/api") else by_page)
        assert status == 200, (address, status, text[:500])
        return text

    return ask


class _Found:
    """What readers met: seconds by what was asked for, dates by answer, and totals that fail."""

    def __init__(self) -> None:
        self.took_s: dict[str, list[float]] = defaultdict(list)
        self.dates: list[Dates] = []
        self.mixed, self.looked, self.wrong_totals, self.totals = 0, 0, 0, 0

    def __add__(self, other: "_Found") -> "_Found":
        both = _Found()
        for one in (self, other):
            for name, took_s in one.took_s.items():
                both.took_s[name] += took_s
            for name in ("mixed", "looked", "wrong_totals", "totals"):
                setattr(both, name, getattr(both, name) + getattr(one, name))
        return both

    def note(self, name: str, text: str, taken_s: float) -> None:
        self.took_s[name].append(taken_s)
        if name.startswith("/api/v1/due-dates"):
            self.dates.append(_by_vehicle(loads(text)["rows"]))
        elif name.startswith("/due?rows=all"):
            counted = re.search(r'id="state-overdue"><strong>([\d,]+)</strong>', text)
            assert counted, text[:500]
            listed = text.split('id="due-rows"')[1].count("<tr") if 'id="due-rows"' in text else 0
            self.totals += 1
            self.wrong_totals += int(counted[1].replace(",", "")) != listed


def _by_vehicle(rows: list[dict[str, str]]) -> Dates:
    found: dict[str, dict[str, str | None]] = defaultdict(dict)
    for row in rows:
        found[row["vehicle"]][row["service"]] = row["p50"]
    return found


class _Reader(threading.Thread):
    """Somebody who asks for one thing after the other, at a steady rate."""

    def __init__(self, ask: Callable[[str], str], vehicles: int, seed: int) -> None:
        super().__init__(daemon=True)
        self.ask, self.vehicles, self.found = ask, vehicles, _Found()
        self.ended, self.chance, self.begins_s = threading.Event(), random.Random(seed), seed / 8  # noqa: S311
        self.failed: BaseException | None = None

    def run(self) -> None:
        due_s = time.perf_counter() + self.begins_s
        for name in cycle(ASKED):
            if self.ended.wait(max(0.0, due_s - time.perf_counter())):
                return
            numbers = f"B-{self.chance.randrange(1, self.vehicles):06}"[:-1]
            begun_s = time.perf_counter()
            try:
                text = self.ask(name.format(numbers))
            except Exception as failed:
                self.failed = failed
                return
            self.found.note(name, text, time.perf_counter() - begun_s)
            due_s = max(due_s + EVERY_S, time.perf_counter())


def _read(ask: Callable[[str], str], vehicles: int, meanwhile: Callable[[], object]) -> _Found:
    readers = [_Reader(ask, vehicles, seed) for seed in range(READERS)]
    for reader in readers:
        reader.start()
    meanwhile()
    for reader in readers:
        reader.ended.set()
        reader.join()
        if reader.failed:
            raise reader.failed
    found = _Found()
    for reader in readers:
        found += reader.found
        found.dates += reader.found.dates
    return found


def _during_a_night(
    ask: Callable[[str], str], vehicles: int, on: date, nice: int, number: int
) -> _Found:
    """What readers meet while every date changes; each vehicle's must be all old or all new."""
    before = _dates()
    by = 0.5 if number % 2 == 0 else 2
    Limit.objects.update(limit_km=F("limit_km") * by, limit_months=F("limit_months") * by)
    with connection.cursor() as cursor:
        cursor.execute("UPDATE due_duestamp SET rules = rules + 1")
    night = [sys.executable, "-c", NIGHT, str(nice), on.isoformat()]
    given = {**environment(), "DJANGO_SETTINGS_MODULE": os.environ["DJANGO_SETTINGS_MODULE"]}
    begun_s = time.perf_counter()
    found = _read(
        ask,
        vehicles,
        lambda: subprocess.run(night, env=given, cwd=settings.BASE_DIR, check=True),
    )
    print(f"      the night took {time.perf_counter() - begun_s:.1f} s", flush=True)
    after = _dates()
    for answer in found.dates:
        for vehicle, seen in answer.items():
            told = [
                (
                    seen[service] == before[vehicle][service],
                    seen[service] == after[vehicle][service],
                )
                for service in seen
            ]
            found.looked += 1
            found.mixed += not (all(old for old, _ in told) or all(new for _, new in told))
    return found


def _dates() -> Dates:
    rows = DueDate.objects.values_list("vehicle__fleet_number", "service__slug", "p50")
    found: dict[str, dict[str, str | None]] = defaultdict(dict)
    for vehicle, service, p50 in rows:
        found[vehicle][service] = p50 and p50.isoformat()
    return found


def _ms(found: _Found, share: float) -> float:
    return 1_000 * float(np.quantile(sum(found.took_s.values(), []), share))


def _say(name: str, found: _Found) -> None:
    asked = sum(map(len, found.took_s.values()))
    half, most = _ms(found, 0.5), _ms(found, 0.99)
    print(f"      {name}: {asked} requests, p50 {half:.0f} ms, p99 {most:.0f} ms", flush=True)
    for address, took_s in found.took_s.items():
        half, most = np.quantile(took_s, (0.5, 0.99)) * 1_000
        print(f"          {address}: {len(took_s)} times, p50 {half:.0f} ms, p99 {most:.0f} ms")


def _compare(name: str, alone: _Found, found: _Found) -> None:
    for share in (0.5, 0.99):
        times = _ms(found, share) / _ms(alone, share)
        report(f"p{100 * share:.0f} during a night {name}, of that alone", times, MOST_OF_ALONE)
    report(f"vehicles half new, of {found.looked:,} seen", found.mixed, 0, "")
    report(f"totals unlike the list, of {found.totals} pages", found.wrong_totals, 0, "")
