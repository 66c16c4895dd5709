"""Who took part by what they recorded, and what becomes of it at the edges."""

from datetime import timedelta

import pytest

from fleet.due.models import DueDate, Service
from fleet.faults import Fault
from fleet.people.models import Role
from fleet.workorders import ending, findings, late, progress, recording
from fleet.workorders.ending import AtFinish
from fleet.workorders.findings import Report
from fleet.workorders.models import Job
from tests.cast import person
from tests.scene import NOW
from tests.workorders.conftest import Bay


def test_whoever_recorded_one_thing_took_part(bay: Bay, job: Job) -> None:
    other = person("Mara", Role.MECHANIC, bay.van.depot)
    assert not late.took_part(job.order, other)
    recording.material(bay.actor(other), job.pk, client_key="a-clip-03", name="Clip", pieces=1)
    assert late.took_part(job.order, other)


def test_a_part_sent_again_after_the_sign_off_is_the_one_that_is_there(bay: Bay, job: Job) -> None:
    mechanic = bay.actor(bay.mechanic)
    clip = {"name": "Clip", "pieces": 1, "client_key": "a-clip-04"}
    used = recording.material(mechanic, job.pk, **clip)
    progress.end_job(mechanic, job.pk, state="done", because="not tried here")
    ending.finish(mechanic, job.order_id, AtFinish(odometer=23_350, fit_for_use="yes"))
    ending.sign_off(bay.actor(), job.order_id)
    assert recording.material(mechanic, job.pk, **clip) == used
    with pytest.raises(Fault):
        recording.material(mechanic, job.pk, **clip | {"client_key": "a-clip-05"})


@pytest.mark.parametrize(("days_left", "within"), [(0, True), (-1, False)])
def test_done_on_the_last_day_is_within_the_limit(
    bay: Bay, job: Job, days_left: int, within: bool
) -> None:
    last = NOW.date() + timedelta(days=days_left)
    DueDate.objects.filter(service=bay.oil).update(calendar_on=last, beyond_by_reading=False)
    mechanic = bay.actor(bay.mechanic)
    progress.end_job(mechanic, job.pk, state="done", because="not tried here")
    ending.finish(mechanic, job.order_id, AtFinish(odometer=23_350, fit_for_use="yes"))
    assert job.evidence.within_limit is within


def test_the_leak_re_check_of_a_compartment_with_a_long_name_has_a_slug_that_fits(bay: Bay) -> None:
    place = bay.oil.compartment
    place.slug = "transfer-box-in-front-of-the-rear-axle"
    place.save()
    seep = Report(
        vehicle=bay.van, kind="missing sealant", severity="soon", text="seeps",
        client_key="phone-1-seep",
        compartment=place,
    )  # fmt: skip
    raised = findings.report(bay.actor(bay.mechanic), seep)
    findings.follow_up(bay.actor(), raised.pk, what="Reseal with sealant", minutes=20)
    made = Service.objects.get(name__endswith="leak re-check")
    assert len(made.slug) <= Service._meta.get_field("slug").max_length
