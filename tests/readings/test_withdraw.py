"""An upload withdrawn as a whole; sheets made by hand."""

import json
from collections import Counter
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from config import cli
from fleet import chain
from fleet.dashboard.readings.lines import reading_lines, with_lines
from fleet.due.models import DueDate
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.readings import intake, listing
from fleet.readings.models import (
    Reading,
    ReadingDecision,
    Upload,
    UploadWithdrawal,
    Verdict,
    VerdictMemory,
)
from fleet.readings.settle import settle
from fleet.readings.totals import wrong
from fleet.readings.withdraw import withdraw
from fleet.usage.differing import differing
from fleet.usage.models import UsageState
from fleet.vehicles.models import Meter, MeterChange
from fleet.workorders import issue, progress
from fleet.workorders.models import OrderEvent, WorkOrder
from tests.cast import Cast, oil_change
from tests.scene import done

Action = ReadingDecision.Action
HEAD = "Vehicle,Date,Odometer\n"
WHY = "it was the sheet of another year"


def weeks(vehicle: str, first: int, last: int, start_km: int = 20_000) -> list[str]:
    """Rows of so many weeks ago until so many weeks ago, 700 km a week."""
    today = timezone.now().date()
    return [
        f"{vehicle},{today - timedelta(weeks=ago)},{start_km - 700 * ago}"
        for ago in range(first, last - 1, -1)
    ]


def taken_in(*rows: str, name: str = "a.csv") -> Upload:
    data = (HEAD + "\n".join(rows)).encode()
    return chain.complete_upload(intake.receive(data, name).pk)


def withdrawn(upload: Upload, **given: Any) -> Upload:
    words = {"person": None, "reason": WHY, "channel": "command", "now": timezone.now()}
    withdraw(upload, **words | given)
    return chain.complete_upload(upload.pk)


def downstream() -> list[list[dict[str, Any]]]:
    """What the stages hold, without what only counts changes."""
    found = []
    for model, without in (
        (Reading, set[str]()),
        (VerdictMemory, {"version"}),
        (UsageState, {"version", "stamp"}),
        (DueDate, {"inputs_hash"}),
    ):
        rows = model._default_manager.exclude(**OF_THE_UPLOAD.get(model, {})).order_by("pk")
        kept = [{key: row[key] for key in row if key not in without} for row in rows.values()]
        found.append(kept)
    return found


OF_THE_UPLOAD: dict[Any, dict[str, str]] = {Reading: {"reason": "upload_withdrawn"}}


def test_everything_downstream_is_as_if_the_file_had_never_come(people: Cast) -> None:
    changed_on = timezone.now().date() - timedelta(weeks=28)
    done(people.van, oil_change(people), changed_on, 20_000 - 28 * 700)
    taken_in(*weeks("V-101", 28, 5), name="before.csv")
    chain.refresh([people.van.pk, people.second_van.pk, people.hill_van.pk], timezone.now())
    before = downstream()
    upload = taken_in(*weeks("V-101", 4, 0, start_km=21_900), name="wrong.csv")
    assert downstream() != before
    assert upload.counts == {"accepted": 5}
    upload = withdrawn(upload)
    assert downstream() == before
    assert upload.counts == {"rejected": 5}
    assert not list(wrong())
    assert not list(chain.due_dates_that_differ(timezone.now()))


def test_where_no_reading_is_left_nothing_rests_on_one(people: Cast) -> None:
    done(people.second_van, oil_change(people), timezone.now().date() - timedelta(weeks=9), 5_000)
    chain.refresh([people.second_van.pk], timezone.now())
    before = [row.usage_states.count() for row in (people.second_van, people.van)]
    due = list(DueDate.objects.filter(vehicle=people.second_van).values_list("p10", "p50", "p90"))
    upload = taken_in(*weeks("V-102", 8, 0))
    assert UsageState.objects.filter(vehicle=people.second_van).exists()
    withdrawn(upload)
    assert [row.usage_states.count() for row in (people.second_van, people.van)] == before
    again = DueDate.objects.filter(vehicle=people.second_van)
    assert list(again.values_list("p10", "p50", "p90")) == due
    assert not list(differing())


def test_rows_and_readings_stay_and_say_why(people: Cast) -> None:
    sent = taken_in(*weeks("V-101", 20, 0))
    digest = sent.hash
    upload = withdrawn(sent)
    messages = set(upload.rows.values_list("outcome", "message"))
    assert messages == {("rejected", "The upload that brought it was withdrawn.")}
    kept = UploadWithdrawal.objects.get()
    assert (kept.readings, kept.reason, kept.hash) == (21, WHY, digest)
    assert Reading.objects.count() == 21
    # nobody is asked to look at them once more
    assert listing.open_now([upload]) == {upload.pk: {"held": 0, "rejected": 0}}
    assert not listing.with_unseen(Upload.objects.all()).exists()


def test_nobody_is_asked_to_decide_about_what_was_withdrawn(people: Cast) -> None:
    withdrawn(taken_in(*weeks("V-101", 2, 0)))
    for line in reading_lines(with_lines(Reading.objects.all()), people.supervisor):
        assert (line.may_settle, line.beside) == (False, None)
        assert line.reason == "The upload that brought it was withdrawn."


def test_what_another_upload_holds_as_well_stays_until_that_one_goes_too(people: Cast) -> None:
    first = taken_in(*weeks("V-101", 10, 4), name="first.csv")
    second = taken_in(*weeks("V-101", 6, 0), name="second.csv")
    assert second.counts == {"accepted": 4, "repeated": 3}
    first = withdrawn(first)
    assert first.counts == {"rejected": 4, "accepted": 3}
    assert verdicts() == {"accepted": 7, "rejected": 4}
    assert withdrawn(second).counts == {"rejected": 7}
    assert verdicts() == {"rejected": 11}
    assert UploadWithdrawal.objects.get(upload=second).readings == 7


def verdicts() -> Counter[str]:
    return Counter(Reading.objects.values_list("verdict", flat=True))


def test_the_same_file_again_is_a_new_upload_whose_readings_count(people: Cast) -> None:
    rows = weeks("V-101", 10, 0)
    first = withdrawn(taken_in(*rows))
    again = taken_in(*rows)
    assert (again.pk != first.pk, again.counts) == (True, {"accepted": 11})
    assert verdicts() == {"accepted": 11}
    # and what the second holds the first no longer has a say in
    assert Upload.objects.get(pk=first.pk).counts == {"rejected": 11}


def test_one_reading_typed_into_another_sheet_counts_from_there(people: Cast) -> None:
    rows = weeks("V-101", 10, 0)
    withdrawn(taken_in(*rows))
    later = taken_in(rows[3], name="later.csv")
    assert later.counts == {"accepted": 1}
    assert verdicts() == {"accepted": 1, "rejected": 10}


def test_what_was_decided_about_its_readings_is_undone(people: Cast) -> None:
    taken_in(*weeks("V-101", 20, 2))
    today = timezone.now().date()
    upload = taken_in(f"V-101,{today},150", name="new meter.csv")
    held = Reading.objects.get(verdict=Verdict.HELD)
    settle(reading_id=held.pk, action=Action.METER_REPLACED, person=people.clerk,
           reason="new one", channel="page")  # fmt: skip
    assert MeterChange.objects.count() == 1
    withdrawn(upload, person=people.supervisor, reason=WHY + "!" * 300)
    assert not MeterChange.objects.exists()
    held.refresh_from_db()
    assert (held.verdict, held.reason) == (Verdict.REJECTED, "upload_withdrawn")
    newest = held.decisions.first()
    assert newest is not None
    assert (newest.action, newest.person) == (Action.REJECT, people.supervisor)
    assert newest.reason.startswith(f"Upload withdrawn: {WHY}!")
    assert len(newest.reason) == 300  # as many as are kept of any reason


def test_a_value_that_lost_against_one_of_it_stands_again(people: Cast) -> None:
    taken_in(*weeks("V-101", 20, 2))
    today = timezone.now().date()
    taken_in(f"V-101,{today},20000", name="right.csv")
    upload = taken_in(f"V-101,{today},20150", name="wrong.csv")
    right, other = (Reading.objects.get(value=value) for value in (20_000, 20_150))
    settle(reading_id=other.pk, action=Action.ACCEPT, person=None, reason="seen", channel="page")
    right.refresh_from_db()
    assert right.verdict == Verdict.REJECTED
    withdrawn(upload)
    right.refresh_from_db()
    assert right.verdict == Verdict.ACCEPTED


def test_what_went_with_an_earlier_upload_stays_gone(people: Cast) -> None:
    taken_in(*weeks("V-101", 20, 2))
    today = timezone.now().date()
    first = taken_in(f"V-101,{today},20000", name="first.csv")
    second = taken_in(f"V-101,{today},20150", name="second.csv")
    withdrawn(first)
    other = Reading.objects.get(value=20_150)
    settle(reading_id=other.pk, action=Action.ACCEPT, person=None, reason="seen", channel="page")
    withdrawn(second)
    assert Reading.objects.get(value=20_000).verdict == Verdict.REJECTED


@pytest.fixture
def drafted(people: Cast) -> tuple[Upload, WorkOrder]:
    """An odometer that was believed although it jumped, and the order drafted because of it."""
    changed_on = timezone.now().date() - timedelta(weeks=20)
    done(people.van, oil_change(people), changed_on, 20_000 - 20 * 700)
    taken_in(*weeks("V-101", 20, 1))
    upload = taken_in(f"V-101,{timezone.now().date()},31500", name="wrong.csv")
    jump = Reading.objects.get(value=31_500)
    settle(reading_id=jump.pk, action=Action.ACCEPT, person=None, reason="seen", channel="page")
    chain.refresh([people.van.pk], timezone.now())
    issue.draft_due(night(), timezone.now().date())
    return upload, WorkOrder.objects.get()


def night() -> Actor:
    return Actor(person=None, channel="night", now=timezone.now())


def test_a_draft_that_rested_on_it_is_cancelled_with_the_reason(
    drafted: tuple[Upload, WorkOrder],
) -> None:
    upload, order = drafted
    withdrawn(upload)
    order.refresh_from_db()
    assert order.state == WorkOrder.State.CANCELLED
    event = OrderEvent.objects.get(order=order, what="cancel")
    assert event.reason == f"The upload wrong.csv was withdrawn: {WHY}"
    assert UploadWithdrawal.objects.get().drafts == 1
    # once more, as after a kill: nothing is counted twice
    Upload.objects.filter(pk=upload.pk).update(state=Upload.State.JUDGED)
    chain.complete_upload(upload.pk)
    assert UploadWithdrawal.objects.get().drafts == 1


def test_a_draft_that_somebody_touched_stays(
    drafted: tuple[Upload, WorkOrder], people: Cast
) -> None:
    upload, order = drafted
    chief = Actor(person=people.supervisor, channel="page", now=timezone.now())
    progress.plan(chief, order.pk, planned_on=timezone.now().date() + timedelta(days=2))
    withdrawn(upload)
    order.refresh_from_db()
    assert order.state == WorkOrder.State.DRAFTED


def test_a_draft_from_before_the_upload_stays(drafted: tuple[Upload, WorkOrder]) -> None:
    upload, order = drafted
    before = upload.received_at - timedelta(minutes=1)
    OrderEvent.objects.filter(order=order).update(performed_at=before)
    withdrawn(upload)
    order.refresh_from_db()
    assert order.state == WorkOrder.State.DRAFTED


def test_a_draft_that_is_due_all_the_same_stays(drafted: tuple[Upload, WorkOrder]) -> None:
    upload, order = drafted
    oil = order.jobs.get().service
    assert oil is not None
    oil.limits.update(limit_km=14_000)  # since the change at 6,000 km 13,300 are known otherwise
    chain.refresh([order.vehicle_id], timezone.now())
    withdrawn(upload)
    order.refresh_from_db()
    assert order.state == WorkOrder.State.DRAFTED


def test_of_a_long_reason_as_much_is_kept_as_there_is_room_for(people: Cast) -> None:
    upload = taken_in(*weeks("V-101", 10, 0))
    settle(
        reading_id=Reading.objects.latest("pk").pk, action=Action.REJECT, person=None,
        reason="seen", channel="test",
    )  # fmt: skip
    withdrawn(upload, reason=" long" * 100)
    kept = UploadWithdrawal.objects.get().reason
    assert kept == ("long " * 100)[:300]
    assert ReadingDecision.objects.latest("pk").reason == f"Upload withdrawn: {kept}"[:300]


def test_it_is_refused_without_reason_twice_or_while_it_is_at_work(people: Cast) -> None:
    upload = taken_in(*weeks("V-101", 10, 0))
    with pytest.raises(Fault, match="Say why"):
        withdrawn(upload, reason="  ")
    Upload.objects.filter(pk=upload.pk).update(state=Upload.State.JUDGED)
    with pytest.raises(Refused, match="has not come to its end yet"):
        withdrawn(upload)
    Upload.objects.filter(pk=upload.pk).update(state=Upload.State.DONE)
    withdrawn(upload)
    with pytest.raises(Refused, match="withdrawn already"):
        withdrawn(upload)
    upload.withdrawal.delete()
    upload.state = Upload.State.REFUSED
    with pytest.raises(Refused, match="Nothing of this file"):
        withdrawn(upload)


def test_it_needs_the_right_at_every_depot_of_its_vehicles(people: Cast) -> None:
    upload = taken_in(*weeks("V-101", 3, 0), *weeks("V-201", 3, 0))
    for person in (people.mechanic, people.clerk, people.outsider):
        with pytest.raises(Forbidden):
            withdrawn(upload, person=person)
    assert verdicts() == {"accepted": 8}
    people.supervisor.depots.add(people.hill)
    assert withdrawn(upload, person=people.supervisor).counts == {"rejected": 8}


def test_engine_hours_beside_the_odometer_go_with_their_row(people: Cast) -> None:
    Meter.objects.create(vehicle=people.van, kind=Meter.Kind.HOURS)
    today = timezone.now().date()
    data = f"Vehicle,Date,Odometer,Engine hours\nV-101,{today},5000,210\n"
    upload = chain.complete_upload(intake.receive(data.encode(), "h.csv").pk)
    assert Reading.objects.count() == 2
    assert withdrawn(upload).counts == {"rejected": 1}
    assert verdicts() == {"rejected": 2}


def test_by_command(people: Cast, capsys: pytest.CaptureFixture[str]) -> None:
    upload = taken_in(*weeks("V-101", 3, 0))
    assert cli.main(["upload", "--withdraw", str(upload.pk), "--reason", WHY, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["upload"], told["rejected"], told["accepted"]) == (upload.pk, 4, 0)
    assert cli.main(["upload", "--withdraw", "99999", "--reason", WHY]) == 1
    assert "There is no upload 99999" in capsys.readouterr().err


def test_by_page(people: Cast, client: Client, django_capture_on_commit_callbacks: Any) -> None:
    upload = taken_in(*weeks("V-101", 3, 0))
    client.force_login(people.clerk)
    page = f"/readings/uploads/{upload.pk}"
    assert "Withdraw this upload" in client.get(page).content.decode()
    with django_capture_on_commit_callbacks(execute=True):
        client.post(f"{page}/withdraw", {"reason": WHY})
    chain.complete_upload(upload.pk)
    shown = client.get(page).content.decode()
    assert f"by {people.clerk}: {WHY}. 4 readings count no more." in shown
    assert "Withdraw this upload" not in shown
    client.force_login(people.mechanic)
    assert client.post(f"{page}/withdraw", {"reason": WHY}).status_code == 403
    client.force_login(people.outsider)
    assert client.post(f"{page}/withdraw", {"reason": WHY}).status_code == 404
