"""CPU seconds, statements and memory of a piece of work."""

import resource
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from django.db import connection


@dataclass
class Cost:
    """What a piece of work took."""

    cpu_s: float = 0.0  # of this process; the database's own is in ``wall_s``
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
        cpu, wall = time.process_time(), time.perf_counter()
        yield cost
        cost.cpu_s, cost.wall_s = time.process_time() - cpu, time.perf_counter() - wall


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
    mark = "kept  " if kept else "MISSED"
    print(f"  {mark}  {name}: {figure:.3g} {unit} (mark {sign} {limit:g})", flush=True)
