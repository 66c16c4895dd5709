"""CPU seconds, statements and memory of a piece of work."""

import os
import platform
import resource
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

from django.db import connection


@dataclass
class Cost:
    """What a piece of work took."""

    cpu_s: float = 0.0  # of this process and its own, and of the one PostgreSQL keeps for it
    wall_s: float = 0.0
    statements: int = 0
    peak_mb: float = 0.0  # above what the process held before
    longest_transaction_s: float = 0.0
    _texts: list[str] = field(default_factory=list, repr=False)


@contextmanager
def measured() -> Iterator[Cost]:
    """Measure a block."""
    cost = Cost()
    with _statements(cost), _memory(cost):
        cpu, wall = cpu_s(), time.perf_counter()
        yield cost
        cost.cpu_s, cost.wall_s = cpu_s() - cpu, time.perf_counter() - wall


def cpu_s() -> float:
    """CPU seconds of this process, of those it started and saw end (a sheet is read in one of its
    own), and of its own process of a PostgreSQL on this machine."""
    ended = os.times()
    started_s = ended.children_user + ended.children_system
    return time.process_time() + started_s + _of_the_database_s()


def _of_the_database_s() -> float:
    if connection.vendor != "postgresql":
        return 0.0
    connection.ensure_connection()
    stat = Path(f"/proc/{connection.connection.info.backend_pid}/stat")
    if not stat.exists():
        return 0.0
    user, system = stat.read_text().rpartition(")")[2].split()[11:13]
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


SPREAD, MOST_ROUNDS = 0.1, 5  # our choice


def interleaved(arms: Mapping[str, Callable[[], object]]) -> dict[str, Cost]:
    """Of each arm the run with the least CPU: all in turn, until the two best of each lie close.

    What disturbs the machine for a while disturbs every arm alike.
    """
    runs: dict[str, list[Cost]] = {name: [] for name in arms}
    for number in range(MOST_ROUNDS):
        for name, work in arms.items():
            with measured() as cost:
                work()
            runs[name] = sorted([*runs[name], cost], key=lambda cost: cost.cpu_s)
        if number and all(two[1].cpu_s <= (1 + SPREAD) * two[0].cpu_s for two in runs.values()):
            break
    return {name: costs[0] for name, costs in runs.items()}


def machine() -> str:
    """What the figures were taken on, in one line."""
    cores = os.cpu_count()
    versions = ", ".join(f"{name} {version(name)}" for name in ("django", "numpy", "scipy"))
    with connection.cursor() as cursor:
        asked = "SHOW server_version" if connection.vendor == "postgresql" else VERSION_OF_SQLITE
        cursor.execute(asked)
        database = f"{connection.vendor} {cursor.fetchone()[0]}"
    python = f"{platform.machine()}, Python {platform.python_version()}"
    return f"{cores} cores, {python}, {versions}, {database}"


VERSION_OF_SQLITE = "SELECT sqlite_version()"


def best(work: Callable[[], object], times: int = 3) -> Cost:
    """The quickest of several runs: the one least disturbed."""
    runs = []
    for _ in range(times):
        with measured() as cost:
            work()
        runs.append(cost)
    return min(runs, key=lambda cost: cost.wall_s)


@contextmanager
def _statements(cost: Cost) -> Iterator[None]:
    begun: list[float] = []

    def count(execute, sql, params, many, context):  # type: ignore[no-untyped-def]
        cost.statements += 1
        in_block = connection.in_atomic_block
        if in_block and not begun:
            begun.append(time.perf_counter())
        result = execute(sql, params, many, context)
        if begun:
            held = time.perf_counter() - begun[0]
            cost.longest_transaction_s = max(cost.longest_transaction_s, held)
        if not in_block:
            begun.clear()
        return result

    with connection.execute_wrapper(count):
        yield


@contextmanager
def _memory(cost: Cost) -> Iterator[None]:
    """Sample the resident memory; the kernel's own peak never falls, so it is of no use here."""
    stop = threading.Event()
    before_mb = resident_mb()

    def sample() -> None:
        while not stop.wait(0.01):
            cost.peak_mb = max(cost.peak_mb, resident_mb() - before_mb)

    thread = threading.Thread(target=sample, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def resident_mb() -> float:
    """Resident memory of this process [MB]."""
    status = Path("/proc/self/statm")
    if status.exists():
        return int(status.read_text().split()[1]) * resource.getpagesize() / 2**20
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def report(name: str, figure: float, limit: float, unit: str = "×", *, least: bool = False) -> None:
    """Print one figure beside its mark."""
    kept = figure >= limit if least else figure <= limit
    sign = "≥" if least else "≤"
    mark = "PASS       " if kept else "FALLS SHORT"
    print(f"  {mark}  {name}: {figure:.3g} {unit} (mark {sign} {limit:g})", flush=True)
