"""What was decided in one act withdrawn as a whole; readings made by hand."""

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from config import cli
from fleet import chain
from fleet.dashboard.readings.lines import reading_lines, with_lines
from fleet.due.models import DueDate, Service, ServiceDone
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.readings import listing, mend, unsettle
from fleet.readings.models import (
    EarlierMemory,
    Reading,
    ReadingDecision,
    SettlementWithdrawal,
    Verdict,
    VerdictMemory,
)
from fleet.readings.settle import settle, settle_many
from fleet.usage.models import UsageState
from fleet.vehicles.models import MeterChange
from fleet.workorders import issue, progress
from fleet.workorders.models import OrderEvent, WorkOrder
from tests.cast import Cast, cast, oil_change
from tests.kept import kept
from tests.readings.test_withdraw import night, taken_in, weeks
from tests.readings.test_withdraw import withdrawn as upload_withdrawn
from tests.scene import done

Action = ReadingDecision.Action
WHY = "these were of another vehicle"


@kept
def read() -> Cast:
    people = cast()
    oil = oil_change(people)
    for van in (people.van, people.second_van):
        changed_on = timezone.now().date() - timedelta(weeks=20)
        done(van, oil, changed_on, 20_000 - 20 * 700)
    taken_in(*weeks("V-101", 20, 1), *weeks("V-102", 20, 1), name="both.csv")
    chain.refresh([people.hill_van.pk], timezone.now())
    return people


@pytest.fixture
def people(read: Cast, tmp_path: Path, settings: Any) -> Cast:
    settings.DATA_DIR = tmp_path / "data"
    return read


def jump(vehicle: str = "V-101", km: float = 200_000, name: str = "wrong.csv") -> Reading:
    """A reading of today that is held: a digit more than the 20,000 km that the sheets lead to."""
    taken_in(f"{vehicle},{timezone.now().date()},{km}", name=vehicle + name)
    found = Reading.objects.get(vehicle__fleet_number=vehicle, value=km)
    assert found.verdict == Verdict.HELD
    return found


def decided(*readings: Reading, action: str = Action.ACCEPT, **given: Any) -> ReadingDecision:
    """The first decision of an act, all brought up to date."""
    if len(readings) > 1:
        told = settle_many([one.pk for one in readings], action=action, person=None, reason="seen",
                           channel="page")  # fmt: skip
        assert set(told.values()) == {None}
    else:
        settle(reading_id=readings[0].pk, action=action, person=None, reason="seen",
               channel="page", **given)  # fmt: skip
    chain.refresh(sorted({one.vehicle_id for one in readings}), timezone.now())
    return ReadingDecision.objects.filter(reading=readings[0], begun_with=None).latest("pk")


def withdrawn(first: ReadingDecision, **given: Any) -> SettlementWithdrawal:
    words = {"person": None, "reason": WHY, "channel": "command", "now": timezone.now()}
    kept = unsettle.withdraw(first, **words | given)
    chain.follow_withdrawn()
    kept.refresh_from_db()
    return kept


NOT_COMPARED: dict[Any, set[str]] = {
    VerdictMemory: {"version"},  # counts changes
    EarlierMemory: {"id", "version"},
    UsageState: {"version", "stamp"},
    DueDate: {"inputs_hash"},
    MeterChange: {"id"},
    Reading: set(),
}


def downstream() -> dict[str, list[dict[str, Any]]]:
    """What the stages hold, without what only counts changes."""
    found = {}
    for model, without in NOT_COMPARED.items():
        rows = model._default_manager.order_by("meter" if model is EarlierMemory else "pk")
        found[model.__name__] = [
            {key: row[key] for key in row if key not in without} for row in rows.values()
        ]
    return found


@pytest.mark.parametrize(
    ("action", "given"),
    [
        (Action.ACCEPT, {}),
        (Action.REJECT, {}),
        (Action.METER_REPLACED, {}),
        (Action.METER_REPLACED, {"value": 20_100.0}),
        (Action.OTHER_VALUE, {"value": 20_050.0}),
    ],
)
def test_everything_downstream_is_as_if_nobody_had_decided(
    people: Cast, action: str, given: dict[str, Any]
) -> None:
    odd = jump()
    chain.refresh([people.van.pk], timezone.now())
    before = downstream()
    first = decided(odd, action=action, **given)
    assert downstream() != before
    withdrawn(first)
    assert downstream() == before
    assert not list(chain.due_dates_that_differ(timezone.now()))


def test_many_settled_at_once_are_withdrawn_as_one(people: Cast) -> None:
    odd = [jump(), jump("V-102")]
    both = [people.van.pk, people.second_van.pk]
    chain.refresh(both, timezone.now())
    before = downstream()
    first = decided(*odd)
    assert ReadingDecision.objects.filter(begun_with=first).count() == 1
    assert downstream() != before
    assert withdrawn(first).readings == 2
    assert downstream() == before
    # nothing is deleted, and all of them wait once more
    assert ReadingDecision.objects.count() == 2
    assert not listing.standing().exists()
    assert set(Reading.objects.filter(verdict=Verdict.HELD)) == set(odd)


def test_by_the_second_decision_the_whole_act_is_meant(people: Cast) -> None:
    first = decided(jump(), jump("V-102"))
    assert withdrawn(ReadingDecision.objects.get(begun_with=first)).first_id == first.pk


def test_suggestions_taken_together_are_one_act(people: Cast) -> None:
    today = timezone.now().date()
    upload = taken_in(f"V-101,{today},200000", f"V-102,{today},200000", name="digit.csv")
    people.supervisor.depots.add(people.hill)
    reasons = {one.reason for one in Reading.objects.filter(verdict=Verdict.HELD)}
    assert len(reasons) == 1
    mend.accept_suggestions(upload, reasons.pop(), people.supervisor, "one digit too many")
    first = listing.settlements([people.plain, people.hill]).get(begun_with=None)
    assert listing.readings_of_acts([first.pk]) == {
        first.pk: sorted(Reading.objects.filter(value=200_000).values_list("pk", flat=True))
    }
    withdrawn(first)
    assert Reading.objects.filter(value=200_000, verdict=Verdict.HELD).count() == 2


def test_a_decision_before_it_holds_again(people: Cast) -> None:
    odd = jump()
    decided(odd, action=Action.METER_REPLACED, value=20_100.0)
    before = downstream()
    withdrawn(decided(odd, action=Action.REJECT))
    assert downstream() == before
    assert MeterChange.objects.get().offset == 20_100 - 200_000


def test_one_made_since_stands_and_withdrawing_both_leaves_nothing(people: Cast) -> None:
    odd = jump()
    before = downstream()
    first = decided(odd, action=Action.METER_REPLACED, value=20_100.0)
    second = decided(odd, action=Action.OTHER_VALUE, value=20_050.0, override_reason="seen")
    between = downstream()
    withdrawn(first)
    assert downstream() == between
    withdrawn(second)
    assert downstream() == before


def test_a_meter_replaced_since_stays_replaced(people: Cast) -> None:
    """By hand: the new meter stood at 200,000 km when the vehicle had 20,100."""
    odd = jump()
    first = decided(odd, action=Action.REJECT)
    decided(odd, action=Action.METER_REPLACED, value=20_100.0)
    (before,) = MeterChange.objects.values_list("offset", "note", "person")
    assert before[0] == -179_900
    withdrawn(first)
    assert MeterChange.objects.values_list("offset", "note", "person").get() == before
    odd.refresh_from_db()
    assert (odd.verdict, odd.settled_value) == (Verdict.ACCEPTED, None)


def test_a_value_that_lost_against_it_is_judged_again(people: Cast) -> None:
    right = taken_in(f"V-101,{timezone.now().date()},20000", name="right.csv")
    other = Reading.objects.filter(upload_rows__upload=right).get()
    taken_in(f"V-101,{timezone.now().date()},20150", name="other.csv")
    second = Reading.objects.get(value=20_150)
    before = downstream()
    first = decided(second)
    other.refresh_from_db()
    assert other.verdict == Verdict.REJECTED
    later = decided(second, action=Action.REJECT)
    withdrawn(first)
    other.refresh_from_db()
    second.refresh_from_db()
    assert (other.verdict, second.verdict) == (Verdict.ACCEPTED, Verdict.REJECTED)
    withdrawn(later)
    assert downstream() == before


def test_one_that_was_held_out_of_order_is_held_again(people: Cast) -> None:
    ten_weeks_ago = timezone.now().date() - timedelta(weeks=10, days=3)
    taken_in(f"V-101,{ten_weeks_ago},19000", name="late.csv")
    late = Reading.objects.get(value=19_000)
    assert (late.verdict, late.fixed) == (Verdict.HELD, Verdict.HELD)
    before = downstream()
    withdrawn(decided(late, action=Action.REJECT))
    assert downstream() == before


def test_what_went_with_its_upload_since_stays_gone(people: Cast) -> None:
    odd = jump()
    first = decided(odd)
    upload_withdrawn(odd.upload_rows.get().upload)
    before = downstream()
    withdrawn(first)
    assert downstream() == before
    # and of the same file sent again nothing is decided yet
    odd = jump()
    before = downstream()
    assert not listing.standing().filter(pk=first.pk).exists()
    second = decided(odd)
    withdrawn(second)
    assert downstream() == before


def test_a_service_at_that_odometer_is_provisional_again(people: Cast) -> None:
    odd = jump()
    row = ServiceDone(
        vehicle=people.van, service=Service.objects.get(), done_on=timezone.now().date(),
        done_at=timezone.now(), total_km=odd.meter_value, reading=odd, provisional=True,
        evidence="work order", source="by hand",
    )  # fmt: skip
    row.save()
    chain.refresh([people.van.pk], timezone.now())
    before = list(DueDate.objects.order_by("pk").values_list("pk", "p10", "p50", "p90"))
    first = decided(odd, action=Action.OTHER_VALUE, value=20_050.0)
    settled = ServiceDone.objects.get(supersedes=row)
    assert (settled.total_km, settled.provisional) == (20_050, False)
    withdrawn(first)
    again = ServiceDone.objects.get(supersedes=settled)
    assert (again.total_km, again.provisional) == (200_000, True)
    assert list(DueDate.objects.order_by("pk").values_list("pk", "p10", "p50", "p90")) == before


@pytest.fixture
def drafted(people: Cast) -> tuple[ReadingDecision, WorkOrder]:
    """An odometer that was believed with a digit too many, and the order drafted because of it."""
    first = decided(jump())
    issue.draft_due(night(), timezone.now().date())
    return first, WorkOrder.objects.get()


def test_a_draft_that_rested_on_it_is_cancelled_with_the_reason(
    drafted: tuple[ReadingDecision, WorkOrder],
) -> None:
    first, order = drafted
    assert withdrawn(first).drafts == 1
    order.refresh_from_db()
    assert order.state == WorkOrder.State.CANCELLED
    event = OrderEvent.objects.get(order=order, what="cancel")
    assert event.reason == f"What was decided about readings was withdrawn: {WHY}"


def test_a_draft_that_somebody_touched_stays(
    drafted: tuple[ReadingDecision, WorkOrder], people: Cast
) -> None:
    first, order = drafted
    chief = Actor(person=people.supervisor, channel="page", now=timezone.now())
    progress.plan(chief, order.pk, planned_on=timezone.now().date() + timedelta(days=2))
    assert withdrawn(first).drafts == 0
    order.refresh_from_db()
    assert order.state == WorkOrder.State.DRAFTED


def test_cut_short_before_the_rest_follows_the_next_night_does_it(
    drafted: tuple[ReadingDecision, WorkOrder],
) -> None:
    first, order = drafted
    unsettle.withdraw(first, person=None, reason=WHY, channel="page", now=timezone.now())
    assert SettlementWithdrawal.objects.get().drafts is None
    chain.nightly(timezone.now().date())
    assert SettlementWithdrawal.objects.get().drafts == 1
    order.refresh_from_db()
    assert order.state == WorkOrder.State.CANCELLED


def test_it_is_refused_without_reason_twice_or_where_nothing_is_known_of_before(
    people: Cast,
) -> None:
    first = decided(jump())
    with pytest.raises(Fault, match="Say why"):
        withdrawn(first, reason=" ")
    withdrawn(first)
    with pytest.raises(Refused, match="withdrawn already"):
        withdrawn(first)
    second = decided(jump("V-102"))
    ReadingDecision.objects.filter(pk=second.pk).update(before={})
    with pytest.raises(Refused, match="decide about its readings anew"):
        withdrawn(second)
    assert second.pk not in listing.settlements([people.plain]).values_list("pk", flat=True)


def test_it_needs_the_right_at_every_depot_of_its_vehicles(people: Cast) -> None:
    taken_in(*weeks("V-201", 20, 1), name="hill.csv")
    first = decided(jump(), jump("V-201"))
    for person in (people.mechanic, people.clerk, people.outsider):
        with pytest.raises(Forbidden):
            withdrawn(first, person=person)
    people.supervisor.depots.add(people.hill)
    assert withdrawn(first, person=people.supervisor).readings == 2


def test_whoever_looks_sees_that_it_was_withdrawn_and_may_decide_again(people: Cast) -> None:
    odd = jump()
    withdrawn(decided(odd), person=people.supervisor)
    line, *_ = reading_lines(with_lines(Reading.objects.filter(pk=odd.pk)), people.supervisor)
    assert (line.decided, line.may_settle) == ("", True)
    assert f"withdrawn by {people.supervisor}, " in line.withdrawn
    assert line.withdrawn.endswith(f"({WHY})")
    # a decision after it stands again, and what was withdrawn is history
    decided(odd, action=Action.REJECT)
    line, *_ = reading_lines(with_lines(Reading.objects.filter(pk=odd.pk)), people.supervisor)
    assert (line.withdrawn, "reject" in line.decided) == ("", True)


def test_rejected_rows_that_somebody_had_seen_wait_again(people: Cast) -> None:
    """The clock of tomorrow's tomorrow: such a date is rejected."""
    upload = taken_in(f"V-101,{timezone.now().date() + timedelta(days=9)},20500", name="future.csv")
    assert listing.open_now([upload])[upload.pk]["rejected"] == 1
    first = decided(Reading.objects.get(value=20_500), action=Action.REJECT)
    assert listing.open_now([upload])[upload.pk]["rejected"] == 0
    withdrawn(first)
    assert listing.open_now([upload])[upload.pk]["rejected"] == 1


def test_by_command(people: Cast, capsys: pytest.CaptureFixture[str]) -> None:
    odd = jump()
    assert cli.main(["settle", str(odd.pk), "--accept", "--reason", "seen", "--json"]) == 0
    number = json.loads(capsys.readouterr().out)["settlement"]
    assert cli.main(["settle", "--withdraw", str(number), "--reason", WHY]) == 0
    assert f"Settlement {number} is withdrawn." in capsys.readouterr().out
    odd.refresh_from_db()
    assert odd.verdict == Verdict.HELD
    assert cli.main(["settle", "--withdraw", "99999", "--reason", WHY]) == 1
    assert "There is no settlement 99999" in capsys.readouterr().err


def test_by_page(people: Cast, client: Client) -> None:
    odd = jump()
    client.force_login(people.clerk)
    form = {"action": "accept", "reason": "seen", "reading": [odd.pk]}
    client.post("/readings/settle", form)
    shown = client.get("/readings/settlements").content.decode()
    first = ReadingDecision.objects.get()
    assert f'action="/readings/settlements/{first.pk}/withdraw"' in shown
    client.post(f"/readings/settlements/{first.pk}/withdraw", {"reason": WHY})
    odd.refresh_from_db()
    assert odd.verdict == Verdict.HELD
    shown = client.get("/readings/settlements").content.decode()
    assert WHY in shown
    assert "Withdraw it as a whole" not in shown
    for person, status in ((people.mechanic, 403), (people.outsider, 404)):
        client.force_login(person)
        page = f"/readings/settlements/{first.pk}/withdraw"
        assert client.post(page, {"reason": WHY}).status_code == status
