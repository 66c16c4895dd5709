"""CPU seconds, statements and memory of a piece of work."""

import math
import os
import platform
import resource
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from django.db import connection

from fleet.readings import apart


@dataclass
class Cost:
    """What a piece of work took."""

    cpu_s: float = 0.0  # of this process and its own, and of the one PostgreSQL keeps for it
    wall_s: float = 0.0
    statements: int = 0
    peak_mb: float = 0.0  # above what the process held before
    resident_mb: float = 0.0  # the most that the process held
    longest_transaction_s: float = 0.0  # from its first statement to the end of its commit
    longest_transaction_cpu_s: float = 0.0  # of this thread, from first statement to commit
    spread: float = 0.0  # of the two best runs


@contextmanager
def measured() -> Iterator[Cost]:
    """Measure a block."""
    cost = Cost()
    with _statements(cost), _transactions(cost), _memory(cost):
        cpu, wall = cpu_s(), time.perf_counter()
        yield cost
        cost.cpu_s, cost.wall_s = cpu_s() - cpu, time.perf_counter() - wall


def cpu_s() -> float:
    """CPU seconds of this process, of those it started and saw end, of the one that reads sheets
    for it, and of its own process of a PostgreSQL on this machine."""
    ended = os.times()
    started_s = ended.children_user + ended.children_system
    return time.process_time() + started_s + _of_the_reader_s() + _of_the_database_s()


def _of_the_reader_s() -> float:
    """Of the prepared process and of its children, one for each sheet, that it saw end."""
    reader = apart.mine._process
    return 0.0 if reader is None else _of_process_s(reader.pid, ended=True)


def _of_the_database_s() -> float:
    if connection.vendor != "postgresql":
        return 0.0
    connection.ensure_connection()
    return _of_process_s(connection.connection.info.backend_pid)


def _of_process_s(pid: int, *, ended: bool = False) -> float:
    """CPU seconds of a process on this machine, and of its children that have ``ended``; without
    those by the scheduler, to the nanosecond where it tells that, else by ticks of 10 ms."""
    exact, stat = Path(f"/proc/{pid}/schedstat"), Path(f"/proc/{pid}/stat")
    if not ended and exact.exists():
        return int(exact.read_text().split()[0]) / 1e9
    if not stat.exists():
        return 0.0
    ticks = stat.read_text().rpartition(")")[2].split()[11 : 15 if ended else 13]
    return sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")


def alone() -> None:
    """Let a PostgreSQL do everything in the one process whose CPU is counted."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET max_parallel_workers_per_gather = 0")
            cursor.execute("SET max_parallel_maintenance_workers = 0")


SPREAD, MOST_ROUNDS = 0.1, 5  # our choice


def interleaved(
    arms: Mapping[str, Callable[[], object]],
    most_rounds: int = MOST_ROUNDS,
    before: Callable[[], object] = lambda: None,
) -> dict[str, Cost]:
    """Of each arm the run with the least CPU: all in turn, until the two best of each lie close.

    What disturbs the machine for a while disturbs every arm alike. Each cost says how far its two
    best runs lie apart. What is done ``before`` each is not counted.
    """
    runs: dict[str, list[Cost]] = {name: [] for name in arms}
    for number in range(most_rounds):
        for name, work in arms.items():
            before()
            with measured() as cost:
                work()
            runs[name] = sorted([*runs[name], cost], key=lambda cost: cost.cpu_s)
        if number and all(two[1].cpu_s <= (1 + SPREAD) * two[0].cpu_s for two in runs.values()):
            break
    for costs in runs.values():
        costs[0].spread = costs[min(1, len(costs) - 1)].cpu_s / costs[0].cpu_s - 1
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
    def count(execute, sql, params, many, context):  # type: ignore[no-untyped-def]
        cost.statements += 1
        return execute(sql, params, many, context)

    with connection.execute_wrapper(count):
        yield


@contextmanager
def _transactions(cost: Cost) -> Iterator[None]:
    """How long what writes lasts until it is committed: SQLite locks all writers out as long."""
    commit, rollback, since = connection.commit, connection.rollback, _Since(cost)

    def watch(execute, sql, params, many, context):  # type: ignore[no-untyped-def]
        waits, alone = sql.startswith("BEGIN"), not connection.in_atomic_block
        if not waits and not sql.lstrip().startswith("SELECT"):
            since.begin()
        result = execute(sql, params, many, context)
        if waits:  # for the lock, and has it from here on
            since.begin()
        elif alone:
            since.end()
        return result

    def ended(by: Callable[[], None]) -> Callable[[], None]:
        def end() -> None:
            by()
            since.end()

        return end

    connection.commit, connection.rollback = ended(commit), ended(rollback)  # type: ignore[method-assign]
    try:
        with connection.execute_wrapper(watch):
            yield
    finally:
        connection.commit, connection.rollback = commit, rollback  # type: ignore[method-assign]


class _Since:
    """When the transaction that is open began."""

    def __init__(self, cost: Cost) -> None:
        self.cost, self.begun = cost, (math.nan, math.nan)

    def begin(self) -> None:
        if math.isnan(self.begun[0]):
            self.begun = time.perf_counter(), time.thread_time()

    def end(self) -> None:
        wall_s, cpu_s = time.perf_counter() - self.begun[0], time.thread_time() - self.begun[1]
        if wall_s > self.cost.longest_transaction_s:
            self.cost.longest_transaction_s = wall_s
        if cpu_s > self.cost.longest_transaction_cpu_s:
            self.cost.longest_transaction_cpu_s = cpu_s
        self.begun = math.nan, math.nan


@contextmanager
def _memory(cost: Cost) -> Iterator[None]:
    """Sample the resident memory; the kernel's own peak never falls, so it is of no use here."""
    stop = threading.Event()
    before_mb = resident_mb()

    def sample() -> None:
        while not stop.wait(0.01):
            cost.resident_mb = max(cost.resident_mb, resident_mb())
            cost.peak_mb = max(cost.peak_mb, cost.resident_mb - before_mb)

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
