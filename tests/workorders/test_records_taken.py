"""Records in the unit they were typed in, when they are taken, and what is asked about them."""

from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.due.models import ServiceDone
from fleet.faults import Fault, Question, Refused
from fleet.readings.models import Reading
from fleet.vehicles.models import Meter
from fleet.workorders import checks, ending, progress, torques
from fleet.workorders.ending import AtFinish
from fleet.workorders.models import Job, Restriction, TorqueRecord
from fleet.workorders.recording import note
from fleet.workorders.torques import Tightened
from tests.scene import NOW
from tests.workorders.conftest import Bay
from tests.workorders.test_recording import boiling_point, pour, torque

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
        torques.torque(later, job.pk, Tightened(fastener="drain-plug", client_key="while-it-waits"))
    progress.resume(later, job.order_id)
    assert torques.torque(
        later, job.pk, Tightened(fastener="drain-plug", client_key="after-it-waited")
    ).pk


def test_two_doubts_of_which_one_wants_words_offer_no_plain_yes(bay: Bay, job: Job) -> None:
    torque(bay, job, torque_nm=29, override_reason="bulletin says so")
    with pytest.raises(Question) as asked:
        torque(bay, job, torque_nm=29, client_key="tightened-again")
    assert "Once more?" in str(asked.value)
    assert asked.value.yes == ""


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_no_number_is_no_value(value: float, bay: Bay, job: Job) -> None:
    with pytest.raises(Fault, match="number"):
        checks.measure(
            bay.actor(bay.mechanic), job.order, figure=boiling_point(bay), value=value,
            client_key="no-number",
        )  # fmt: skip


def test_a_plain_yes_to_a_repeated_record_is_offered_and_taken(bay: Bay, job: Job) -> None:
    torque(bay, job)
    with pytest.raises(Question) as asked:
        torque(bay, job, client_key="tightened-again")
    assert asked.value.yes == "it was done once more"
    kept = torque(bay, job, client_key="tightened-again", override_reason=asked.value.yes)
    assert kept.override_reason == "it was done once more"


def test_the_odometer_at_the_finish_was_read_at_that_second(bay: Bay, job: Job) -> None:
    mechanic = replace(bay.actor(bay.mechanic), now=NOW + timedelta(microseconds=7))
    progress.end_job(mechanic, job.pk, state="done", because="not tried here")
    ending.finish(mechanic, job.order_id, AtFinish(odometer=23_350, fit_for_use="yes"))
    reading = Reading.objects.get(value=23_350)
    assert (reading.time_known, reading.taken_at) == (True, NOW)


def test_engine_hours_at_the_finish_are_those_of_the_service(bay: Bay, job: Job) -> None:
    mechanic = bay.actor(bay.mechanic)
    progress.end_job(mechanic, job.pk, state="done", because="not tried here")
    said = AtFinish(odometer=23_350, engine_hours=812.5, fit_for_use="yes")
    ending.finish(mechanic, job.order_id, said)
    done = ServiceDone.objects.latest("pk")
    assert (done.total_km, done.total_h) == (23_350, 812.5)
    reading = Reading.objects.get(unit="h")
    assert (reading.value, reading.meter.kind) == (812.5, Meter.Kind.HOURS)
    assert bay.van.meters.count() == 2


@pytest.mark.parametrize(
    ("litres", "told"),
    # our choice: of 1.5 L from 80 to 110 %, which are 1.20 and 1.65 L
    [(1.19, ["1.19 L"]), (1.2, []), (1.65, []), (1.66, ["1.66 L"])],
)
def test_only_much_less_or_more_than_the_refill_is_worth_a_finding(
    bay: Bay, job: Job, litres: float, told: list[str]
) -> None:
    proposals = pour(bay, job, litres, way="drained").proposals
    assert [words.split(" came out")[0] for words in proposals] == told


@pytest.mark.parametrize(
    ("fit", "about"),
    [("", "fit_for_use"), ("perhaps", "fit_for_use"), ("with restriction", "restriction")],
)
def test_a_finish_says_whether_the_vehicle_is_fit_and_what_the_restriction_is(
    fit: str, about: str, bay: Bay, job: Job
) -> None:
    mechanic = bay.actor(bay.mechanic)
    progress.end_job(mechanic, job.pk, state="done", because="not tried here")
    with pytest.raises(Fault) as told:
        ending.finish(mechanic, job.order_id, AtFinish(odometer=23_350, fit_for_use=fit))
    assert told.value.about == about


def test_a_finish_answers_for_each_restriction_that_stands(bay: Bay, job: Job) -> None:
    mechanic = bay.actor(bay.mechanic)
    row = Restriction.objects.create(vehicle=bay.van, text="not above 60 km/h", set_at=NOW)
    progress.end_job(mechanic, job.pk, state="done", because="not tried here")
    given = {"odometer": 23_350, "fit_for_use": "yes"}
    with pytest.raises(Fault, match="not above 60 km/h"):
        ending.finish(mechanic, job.order_id, AtFinish(**given))
    ending.finish(mechanic, job.order_id, AtFinish(**given, answers={row.pk: "lifted"}))
    row.refresh_from_db()
    assert row.lifted_at == NOW


def test_a_record_on_an_order_that_is_not_there_is_refused_in_words(bay: Bay, job: Job) -> None:
    mechanic, nowhere = bay.actor(bay.mechanic), job.order_id + 1_000
    with pytest.raises(Fault, match=f"no work order {nowhere}"):
        note(mechanic, nowhere, text="seen", client_key="on-no-order")
