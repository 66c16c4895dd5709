"""A job that is done carries no reason: nobody gave one."""

from importlib import import_module

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, transaction

from fleet.faults import Fault
from fleet.workorders import progress
from fleet.workorders.models import Job, Note, OrderEvent
from tests.kept import kept
from tests.workorders.conftest import Bay

CLEAR = import_module("fleet.workorders.migrations.0010_clear_reasons_of_done_jobs").clear


@kept
def job(bay: Bay) -> Job:
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(bay.mechanic), order.pk)
    return order.jobs.get()


def unguarded() -> None:
    """Let rows in as they were before the constraint."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA ignore_check_constraints = 1")
        else:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # nothing may be left to check
            cursor.execute(
                "ALTER TABLE workorders_job DROP CONSTRAINT a_done_job_carries_no_reason"
            )


def widened() -> None:
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA ignore_check_constraints = 0")


@pytest.mark.parametrize(
    ("given", "about"),
    [
        ({"reason": "plug seized"}, "reason"),
        ({"reason_text": "went well"}, "reason_text"),
    ],
)
def test_done_with_a_reason_is_refused(
    bay: Bay, job: Job, given: dict[str, str], about: str
) -> None:
    with pytest.raises(Fault, match="no reason") as refused:
        progress.end_job(bay.actor(bay.mechanic), job.pk, state="done", **given)
    assert refused.value.about == about
    job.refresh_from_db()
    assert job.state == "open"


@pytest.mark.parametrize("field", ["reason", "reason_text"])
def test_no_row_of_a_done_job_holds_a_reason(job: Job, field: str) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        Job.objects.filter(pk=job.pk).update(state="done", **{field: "other"})


def test_a_reason_that_stood_is_cleared_counted_and_told_in_the_history(
    bay: Bay, job: Job, capsys: pytest.CaptureFixture[str]
) -> None:
    progress.end_job(bay.actor(bay.mechanic), job.pk, state="done")
    events = list(OrderEvent.objects.order_by("pk").values())
    unguarded()
    Job.objects.filter(pk=job.pk).update(reason="plug seized", reason_text="magnet clean")
    CLEAR(apps, None)
    CLEAR(apps, None)  # again: nothing is left to do
    widened()
    job.refresh_from_db()
    assert (job.state, job.reason, job.reason_text) == ("done", "", "")
    *before, added = OrderEvent.objects.order_by("pk")
    assert list(OrderEvent.objects.order_by("pk").values())[:-1] == events
    assert len(before) == len(events)
    assert (added.what, added.job, added.person) == ("clear reason", job, None)
    assert "plug seized: magnet clean" in added.reason
    assert Note.objects.get().text == "Gearbox oil: magnet clean"
    assert capsys.readouterr().out.count("1 jobs") == 1


def test_the_reason_of_a_job_that_is_not_done_stays(bay: Bay, job: Job) -> None:
    progress.end_job(
        bay.actor(bay.mechanic), job.pk, state="not done", reason="plug seized", reason_text="rust"
    )
    CLEAR(apps, None)
    job.refresh_from_db()
    assert (job.reason, job.reason_text) == ("plug seized", "rust")
