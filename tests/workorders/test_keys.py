"""A sender's key names one record: again it is that record, with another content it is refused."""

from collections.abc import Callable

import pytest

from fleet.faults import Fault, Refused
from fleet.workorders import ending, findings, fluids, progress, recording
from fleet.workorders.ending import AtFinish
from fleet.workorders.findings import Report
from fleet.workorders.fluids import Pouring
from fleet.workorders.models import Finding, FluidRecord, Job, MaterialUsed, Note
from tests.kept import kept
from tests.workorders.conftest import Bay

KEY = "phone-1-record-1"


@kept
def job(bay: Bay) -> Job:
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(bay.mechanic), order.pk)
    return order.jobs.get()


def pour(bay: Bay, job: Job, litres: float = 2.0, way: str = "drained") -> fluids.Poured:
    mechanic = bay.actor(bay.mechanic)
    return fluids.fluid(mechanic, job.pk, Pouring(way=way, litres=litres, client_key=KEY))


def clip(bay: Bay, job: Job, pieces: int = 1) -> MaterialUsed:
    mechanic = bay.actor(bay.mechanic)
    return recording.material(mechanic, job.pk, name="Clip", pieces=pieces, client_key=KEY)


def noted(bay: Bay, job: Job, text: str = "rusty") -> Note:
    return recording.note(bay.actor(bay.mechanic), job.order_id, text=text, client_key=KEY)


def seep(bay: Bay, text: str = "damp") -> Finding:
    return findings.report(
        bay.actor(bay.mechanic),
        Report(vehicle=bay.van, kind="seep", severity="watch", text=text, client_key=KEY),
    )


def test_the_same_record_again_is_the_one_there(bay: Bay, job: Job) -> None:
    assert pour(bay, job).record == pour(bay, job).record
    assert clip(bay, job) == clip(bay, job)
    assert noted(bay, job) == noted(bay, job)
    assert seep(bay) == seep(bay)


@pytest.mark.parametrize(
    "another",
    [
        lambda bay, job: pour(bay, job, litres=1.9),
        lambda bay, job: pour(bay, job, way="topped up"),
        lambda bay, job: clip(bay, job, pieces=2),
        lambda bay, job: noted(bay, job, "clean"),
        lambda bay, job: seep(bay, "wet"),
    ],
)
def test_another_record_under_the_same_key_is_refused_not_lost_in_silence(
    bay: Bay, job: Job, another: Callable[[Bay, Job], object]
) -> None:
    pour(bay, job)
    clip(bay, job)
    noted(bay, job)
    seep(bay)
    with pytest.raises(Refused, match="under a new key") as refused:
        another(bay, job)
    assert refused.value.about == "client_key"
    assert FluidRecord.objects.count() == Note.objects.count() == Finding.objects.count() == 1


@pytest.mark.parametrize("key", ["short", "x" * 65])
def test_a_key_that_may_be_anybodys_is_refused(bay: Bay, job: Job, key: str) -> None:
    with pytest.raises(Fault, match="8 to 64 characters"):
        recording.note(bay.actor(bay.mechanic), job.order_id, text="x", client_key=key)


def test_a_record_sent_again_after_the_sign_off_is_answered_as_before(bay: Bay, job: Job) -> None:
    mechanic, first = bay.actor(bay.mechanic), pour(bay, job)
    progress.end_job(mechanic, job.pk, state="done", because="not tried here")
    ending.finish(mechanic, job.order_id, AtFinish(odometer=23_350, fit_for_use="yes"))
    ending.sign_off(bay.actor(), job.order_id)
    assert pour(bay, job).record == first.record
