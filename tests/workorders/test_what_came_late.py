"""Records that come after the order has ended: who may send them, until when, and who is told."""

from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.due.models import CheckFigure
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.workorders import checks, ending, late, progress, recording, torques, withdraw
from fleet.workorders.ending import AtFinish
from fleet.workorders.late import Late, as_note, belongs, came_late, signed_off_since
from fleet.workorders.models import Job, Note, WorkOrder
from fleet.workorders.torques import Tightened
from tests.kept import kept
from tests.scene import INVENTED, NOW
from tests.workorders.conftest import Bay

ENDED = NOW + timedelta(hours=2)


def at(bay: Bay, who: str, **later: float) -> Actor:
    return replace(bay.actor(getattr(bay, who)), now=NOW + timedelta(**later))


def sent_late(bay: Bay, who: str = "mechanic", minutes: float = 10) -> Actor:
    """Somebody whose phone sends three hours on what was done some minutes after the start."""
    return replace(at(bay, who, hours=3), performed_at=NOW + timedelta(minutes=minutes))


@kept
def signed(bay: Bay, job: Job) -> WorkOrder:
    """Started by the mechanic at nine, and signed off at eleven."""
    supervisor = at(bay, "supervisor", hours=1)
    progress.end_job(supervisor, job.pk, state="not done", reason="part missing")
    ending.finish(supervisor, job.order_id, AtFinish(odometer=24_000, fit_for_use="yes"))
    ending.sign_off(at(bay, "second_supervisor", hours=2), job.order_id)
    job.order.refresh_from_db()
    return job.order


@kept
def cancelled(bay: Bay, job: Job) -> WorkOrder:
    progress.cancel(at(bay, "supervisor", hours=2), job.order_id, reason="sold")
    job.order.refresh_from_db()
    return job.order


def tighten(actor: Actor, job: Job, key: str = "phone-1-plug") -> object:
    return torques.torque(actor, job.pk, Tightened(fastener="drain-plug", client_key=key))


# --- who and until when ------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("who", "minutes", "taken"),
    [
        ("mechanic", 10, True),
        ("mechanic", 119, True),
        ("mechanic", 120, False),  # at the sign-off
        ("mechanic", 121, False),
        ("supervisor", 10, True),  # ended a job of it
        ("second_supervisor", 10, False),  # only signed it
    ],
)
def test_what_was_done_before_the_sign_off_by_somebody_of_it_belongs_to_it(
    bay: Bay, signed: WorkOrder, who: str, minutes: float, taken: bool
) -> None:
    actor = sent_late(bay, who, minutes)
    assert belongs(actor, signed) is taken
    if taken:
        tighten(actor, signed.jobs.get())
    else:
        with pytest.raises(Refused, match="records are taken from start to sign-off"):
            tighten(actor, signed.jobs.get())
    assert not belongs(replace(actor, person=None), signed)


def test_whoever_recorded_or_measured_anything_belongs_to_it(bay: Bay, job: Job) -> None:
    second = bay.second_supervisor
    job.order.refresh_from_db()
    assert not late.took_part(job.order, second)
    assert late.took_part(job.order, bay.mechanic)
    kept_note = recording.note(
        at(bay, "second_supervisor"), job.order_id, text="a word", client_key="note-0001"
    )
    assert late.took_part(job.order, second)
    kept_note.delete()
    figure = CheckFigure.objects.create(
        service=bay.oil, slug="water", name="Water", unit="%", pass_to=2, source=INVENTED
    )
    measuring = at(bay, "second_supervisor")
    checks.measure(measuring, job.order, figure=figure, value=1, client_key="value-001")
    assert late.took_part(job.order, second)


def test_an_order_under_way_has_not_ended_for_anybody(bay: Bay, job: Job) -> None:
    assert not belongs(at(bay, "mechanic"), job.order)


# --- who is told -------------------------------------------------------------------------------
def test_whoever_signs_off_is_told_once_and_sees_it_once(bay: Bay, signed: WorkOrder) -> None:
    version = signed.version
    for key in ("phone-1-plug", "phone-2-plug"):
        torques.torque(
            sent_late(bay),
            signed.jobs.get().pk,
            Tightened(fastener="drain-plug", client_key=key, override_reason="once more"),
        )
    signed.refresh_from_db()
    assert (signed.late_since, signed.version) == (NOW + timedelta(hours=3), version + 1)
    event = signed.events.get(what="late records")
    assert event.reason == "done before the sign-off, sent after it"
    with pytest.raises(Forbidden, match="own work"):
        late.seen(at(bay, "supervisor", hours=4), signed.pk)
    seen = late.seen(at(bay, "second_supervisor", hours=4), signed.pk, version=version + 1)
    assert (seen.late_since, seen.version, seen.state) == (None, version + 2, "signed off")
    with pytest.raises(Refused, match="waits to be seen"):
        late.seen(at(bay, "second_supervisor", hours=4), signed.pk)


def test_a_note_of_an_open_order_tells_nobody(bay: Bay, job: Job) -> None:
    recording.note(at(bay, "mechanic"), job.order_id, text="a word", client_key="note-0001")
    job.order.refresh_from_db()
    assert job.order.late_since is None


# --- listed beside the evidence ----------------------------------------------------------------
def test_what_came_late_is_listed_by_its_job_and_what_is_of_none_by_the_first(
    bay: Bay, signed: WorkOrder
) -> None:
    assert came_late(bay.van.pk) == {}
    since = signed_off_since(signed)
    assert since == signed.events.get(what="sign off").recorded_at
    job = signed.jobs.get()
    record = tighten(sent_late(bay), job)
    figure = CheckFigure.objects.create(
        service=bay.oil, slug="water", name="Water", unit="%", pass_to=2, source=INVENTED
    )
    checks.measure(sent_late(bay), signed, figure=figure, value=1, client_key="value-001")
    recording.note(sent_late(bay), signed.pk, text="a word", client_key="note-0001")
    found = came_late(bay.van.pk)
    assert list(found) == [job.pk]
    who, when = str(bay.mechanic), NOW + timedelta(minutes=10)
    assert Late(str(record), who, when) in found[job.pk]
    assert Late("a word", who, when) in found[job.pk]
    assert len(found[job.pk]) == 3
    Note.objects.update(withdrawn_by=bay.mechanic)
    assert len(came_late(bay.van.pk)[job.pk]) == 2
    assert came_late(bay.van.pk + 1) == {}


def test_only_a_signed_order_has_records_that_came_late(bay: Bay, job: Job) -> None:
    assert signed_off_since(job.order) is None


# --- a cancelled order -------------------------------------------------------------------------
GIVEN = {"litres": 1.5, "typed_text": "1.5", "look": ""}


def test_a_record_of_a_cancelled_order_becomes_its_note(bay: Bay, cancelled: WorkOrder) -> None:
    told = {"kind": "fluid", "given": GIVEN, "client_key": "phone-1-oil"}
    row = as_note(sent_late(bay), cancelled.pk, **told)
    assert row is not None
    assert row.text == "Fluid: litres 1.5, typed text 1.5; the order was cancelled meanwhile"
    assert (row.person, row.performed_at) == (bay.mechanic, NOW + timedelta(minutes=10))
    assert as_note(sent_late(bay), cancelled.pk, **told) == row  # sent twice
    with pytest.raises(Refused, match="Another record"):
        as_note(sent_late(bay), cancelled.pk, **{**told, "given": {"litres": 2}})
    long = {"text": "w" * 2_000}
    told = {"kind": "fluid", "given": long, "client_key": "phone-1-long"}
    kept_long = as_note(sent_late(bay), cancelled.pk, **told)
    assert kept_long is not None
    assert len(kept_long.text) == 1_000


@pytest.mark.parametrize(
    ("who", "minutes"), [("mechanic", 120), ("second_supervisor", 10), ("viewer", 10)]
)
def test_of_a_cancelled_order_only_what_was_done_before_by_somebody_of_it_is_kept(
    bay: Bay, cancelled: WorkOrder, who: str, minutes: float
) -> None:
    told = {"kind": "fluid", "given": GIVEN, "client_key": "phone-1-oil"}
    assert as_note(sent_late(bay, who, minutes), cancelled.pk, **told) is None
    assert not Note.objects.exists()


def test_what_was_taken_before_the_end_stays_what_it_was(bay: Bay, job: Job) -> None:
    tighten(at(bay, "mechanic"), job)
    told = {"kind": "torque", "given": GIVEN, "client_key": "phone-1-plug"}
    assert as_note(sent_late(bay), job.order_id, **told) is None  # under way
    progress.cancel(at(bay, "supervisor", hours=2), job.order_id, reason="sold")
    assert as_note(sent_late(bay), job.order_id, **told) is None
    assert not Note.objects.exists()


def test_a_cancelled_order_keeps_notes_and_takes_no_torque(bay: Bay, cancelled: WorkOrder) -> None:
    recording.note(sent_late(bay), cancelled.pk, text="a word", client_key="note-0001")
    with pytest.raises(Refused, match="cancelled: records are taken"):
        tighten(sent_late(bay), cancelled.jobs.get())
    cancelled.refresh_from_db()
    assert cancelled.late_since is None


# --- one key, one record -----------------------------------------------------------------------
@pytest.mark.parametrize(("length", "taken"), [(7, False), (8, True), (64, True), (65, False)])
def test_a_key_has_eight_to_sixty_four_characters(
    bay: Bay, job: Job, length: int, taken: bool
) -> None:
    if taken:
        tighten(at(bay, "mechanic"), job, "k" * length)
        return
    with pytest.raises(Fault) as refused:
        tighten(at(bay, "mechanic"), job, "k" * length)
    assert refused.value.about == "client_key"


def test_a_record_is_taken_back_once_and_with_a_reason(bay: Bay, job: Job) -> None:
    record = tighten(at(bay, "mechanic"), job)
    for reason, words in ((" ", "Say why"), ("other plug", ""), ("other plug", "already")):
        if words:
            with pytest.raises(Fault, match=words):
                withdraw.withdraw(at(bay, "mechanic"), job.order_id, record, reason=reason)
        else:
            withdraw.withdraw(at(bay, "mechanic"), job.order_id, record, reason=reason)
    event = job.order.events.get(what="withdraw record")
    assert event.reason == f"{record}: other plug"
