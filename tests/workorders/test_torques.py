"""Torques in the unit they were typed in, and when they are taken."""

from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.faults import Fault, Refused
from fleet.workorders import progress, torques
from fleet.workorders.models import Job, TorqueRecord
from tests.workorders.conftest import Bay
from tests.workorders.test_recording import torque

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        # 1 lbf·ft is 1.355818 N·m (NIST SP 811), 29 of them are 39.32
        ("29 lbf·ft", "29 lbf·ft"),
        (" 29,0 ft-lbs ", "29,0 ft-lbs"),
        ("39.3 N·m", ""),
        ("39,3 Nm", ""),
        ("39.3", ""),
        ("", ""),
    ],
)
def test_a_torque_keeps_the_unit_it_was_typed_in(typed: str, kept: str, bay: Bay, job: Job) -> None:
    record = torque(bay, job, torque_nm=39.32, typed_text=typed)
    assert record.typed == kept
    assert str(record).endswith(f"39.32 N·m as typed: {kept}" if kept else "39.32 N·m")


@pytest.mark.parametrize(
    ("typed", "told"), [("31 lbf·ft", "42.0 N·m, and 39.32"), ("29 litres", "litres")]
)
def test_what_was_typed_says_the_torque_that_is_recorded(
    typed: str, told: str, bay: Bay, job: Job
) -> None:
    with pytest.raises(Fault, match=told):  # 31 × 1.355818 = 42.03
        torque(bay, job, torque_nm=39.32, typed_text=typed)
    assert not TorqueRecord.objects.exists()


def test_while_the_work_waits_nothing_is_recorded(bay: Bay, job: Job) -> None:
    mechanic = bay.actor(bay.mechanic)
    progress.wait(mechanic, job.order_id, waiting_for="a washer")
    later = replace(mechanic, now=mechanic.now + timedelta(minutes=5))
    with pytest.raises(Refused, match="waits for a washer: tap Go on first"):
        torques.torque(later, job.pk, fastener="drain-plug", client_key="while-it-waits")
    progress.resume(later, job.order_id)
    assert torques.torque(later, job.pk, fastener="drain-plug", client_key="after-it-waited").pk
