"""A real worker process on the tests' database and broker, whichever they are."""

import os
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone

from config.celery import app
from fleet.runs import ledger
from fleet.runs.models import Run
from tests.cast import cast
from tests.processes import wait_for, worker

pytestmark = pytest.mark.django_db(transaction=True)


def state(run: Run) -> Any:
    return Run.objects.values_list("state", flat=True).get(pk=run.pk)


@pytest.fixture(autouse=True)
def _through_the_broker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(app.conf, "task_always_eager", False)
    with app.connection_for_write() as connection:
        app.control.purge(connection)


def test_a_worker_does_the_night_it_is_sent() -> None:
    run = ledger.ask_for("night", timezone.now().date() - timedelta(days=400), "Europe/Berlin")
    with worker():
        app.send_task("fleet.jobs.night", [run.on.isoformat(), run.part])
        assert wait_for(lambda: state(run) == "done")


@pytest.mark.parametrize("how", [("-P", "solo"), ("--concurrency", "1")])
def test_whatever_does_the_work_gives_way_to_the_pages(how: tuple[str, str]) -> None:
    least = max(os.getpriority(os.PRIO_PROCESS, os.getpid()), 10)
    with worker(*how, SUMPWISE_WORKER_NICENESS="10") as process:
        task = Path(f"/proc/{process.pid}/task/{process.pid}")
        children = [int(pid) for pid in (task / "children").read_text().split()]
        assert len(children) == (how[0] == "--concurrency")
        for pid in (process.pid, *children):
            assert wait_for(lambda pid=pid: os.getpriority(os.PRIO_PROCESS, pid) == least, 20)


def test_a_worker_makes_up_a_lost_night_as_soon_as_it_starts() -> None:
    cast()
    (owed,) = ledger.owed(timezone.now())
    lost = ledger.claim(owed.job, owed.on, owed.part)
    assert lost
    Run.objects.filter(pk=lost.pk).update(lease_until=timezone.now() - timedelta(minutes=1))
    with worker():
        assert wait_for(lambda: state(lost) == "done")
    lost.refresh_from_db()
    assert lost.attempts == 2
