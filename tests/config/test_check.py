"""``sumpwise check``: what it names, and how it ends."""

import json
from datetime import timedelta

import pytest
from django.db import connection
from django.utils import timezone

from config.cli import parser
from fleet import chain, checks
from fleet.due.models import DueDate, Limit
from fleet.people.actor import Actor
from fleet.readings import intake
from fleet.readings.models import Reading, Verdict
from fleet.stores import moves
from fleet.stores.models import Item, Stock, StockMove
from fleet.usage.models import UsageState
from fleet.vehicles.models import Vehicle
from fleet.workorders import issue
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Job, OrderEvent, WorkOrder
from tests import scene
from tests.scene import INVENTED

pytestmark = pytest.mark.django_db

NAMES = [
    *("service history", "upload totals", "readings judged", "usage states", "open jobs"),
    *("order days", "order history", "row history", "records", "ledger and lots"),
    *("lots past use", "due dates"),
]


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    arguments = parser().parse_args(["check", *words])
    return int(arguments.run(arguments)), capsys.readouterr().out


def found(capsys: pytest.CaptureFixture[str]) -> dict[str, str]:
    """What is wrong, by name."""
    code, text = run(capsys, "--json")
    listed = json.loads(text)
    assert [list(one) for one in listed] == [["name", "ok", "detail"]] * len(listed)
    assert [one["name"] for one in listed] == NAMES
    wrong = {one["name"]: one["detail"] for one in listed if not one["ok"]}
    assert code == (1 if wrong else 0)
    return wrong


@pytest.fixture
def van() -> Vehicle:
    """A van with a service, read every week until now, and a file of two readings taken in."""
    oil, made = scene.service(), scene.van()
    now = timezone.now()
    scene.done(made, oil, now.date() - timedelta(days=100), 13_000)
    scene.readings(made, scene.steady(10_000, 700, 20), until=now.replace(microsecond=0))
    day = f"{now - timedelta(days=3):%Y-%m-%d}"
    upload = intake.receive(f"Vehicle,Date,km\nV-1,{day},23000\nX,{day},1\n".encode(), "a.csv")
    chain.complete_upload(upload.pk)
    return made


def test_a_fleet_that_agrees_with_itself_passes(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    assert found(capsys) == {}
    code, text = run(capsys)
    assert (code, text.count("well ")) == (0, len(NAMES))


def test_contradicting_history_is_named(van: Vehicle, capsys: pytest.CaptureFixture[str]) -> None:
    days_ago = timezone.now().date() - timedelta(days=50)
    scene.done(van, van.services_done.get().service, days_ago, 390_000)
    chain.refresh([van.pk], timezone.now())
    wrong = found(capsys)
    assert list(wrong) == ["service history"]
    assert f"V-1, gearbox-oil: 390,000 km on {days_ago}" in wrong["service history"]


def test_an_upload_that_lost_a_row_is_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    upload = intake.Upload.objects.get()
    upload.rows.first().delete()
    assert found(capsys) == {
        "upload totals": f"Upload {upload.pk} (a.csv): 2 rows in the file, 1 stored."
    }


def test_totals_that_do_not_say_what_the_rows_say_are_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    intake.Upload.objects.update(counts={"accepted": 2})
    assert (
        "its totals say 2 accepted, its rows 1 accepted, 1 unknown vehicle"
        in (found(capsys)["upload totals"])
    )


def test_a_row_without_an_outcome_is_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    upload = intake.Upload.objects.get()
    upload.rows.filter(number=1).update(outcome="waiting")
    assert "1 rows have no outcome" in found(capsys)["upload totals"]


def test_a_reading_without_a_verdict_is_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    newest = Reading.objects.order_by("-taken_at")[0]
    Reading.objects.filter(pk=newest.pk).update(verdict=Verdict.NOT_JUDGED)
    told = found(capsys)["readings judged"]
    day = f"{newest.taken_at:%Y-%m-%d}"
    assert told == f"V-1: a reading is not judged, since {day}: run sumpwise nightly."


def test_a_usage_state_that_its_readings_do_not_make_is_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    UsageState.objects.update(last_km=12_345.0)
    told = found(capsys)["usage states"]
    # read every week for 20 weeks from 10,000 km at 700 km, and 23,000 km by the file
    assert told.startswith("V-1, meter of km: last_km 12345, by replay 23300")


def test_a_service_open_on_two_orders_is_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    oil, actor = van.services_done.get().service, Actor(None, "night", timezone.now())
    order = issue.draft(actor, OrderDraft(vehicle_id=van.pk, service_ids=[oil.pk]))
    assert found(capsys) == {}
    (kept,) = [one for one in Job._meta.constraints if "open" in one.name]
    with connection.cursor() as cursor:  # a database put together by hand may lack it
        cursor.execute(f"DROP INDEX {kept.name}")
    Job.objects.create(order=order, vehicle=van, service=oil, title="again")
    said = "V-1, gearbox-oil: 2 jobs of it are open; drop all but one."
    assert found(capsys) == {"open jobs": said}


def test_an_order_kept_as_needed_on_another_day_is_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    oil, actor = van.services_done.get().service, Actor(None, "night", timezone.now())
    order = issue.draft(actor, OrderDraft(vehicle_id=van.pk, service_ids=[oil.pk]))
    wanted = DueDate.objects.get().bring_in_by_on
    WorkOrder.objects.update(needed_on=None)
    said = f"{order.number} is kept as needed on no day; its jobs say {wanted}."
    assert found(capsys) == {"order days": said}


def test_an_order_whose_events_lead_elsewhere_is_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    oil, actor = van.services_done.get().service, Actor(None, "night", timezone.now())
    order = issue.draft(actor, OrderDraft(vehicle_id=van.pk, service_ids=[oil.pk]))
    WorkOrder.objects.update(state=WorkOrder.State.RELEASED)
    said = f"{order.number} is released; its events end in drafted."
    assert found(capsys) == {"order history": said}
    OrderEvent.objects.all().delete()
    said = f"{order.number}: nothing tells how it came to be released."
    assert found(capsys) == {"order history": said}


def test_a_row_whose_history_is_gone_is_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    Vehicle.history.filter(id=van.pk).delete()
    assert found(capsys) == {
        "row history": "vehicle V-1: its history does not say where it is from."
    }


def test_stock_that_is_not_the_sum_of_its_moves_is_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    item = Item.objects.create(slug="oil", name="Oil", kind="fluid", unit="mL", source=INVENTED)
    actor = Actor(None, "night", timezone.now())
    receipt = {"depot": van.depot, "item": item, "kind": StockMove.Kind.RECEIVED}
    moves.record(actor, moves.Move(**receipt, quantity=4_000))
    assert found(capsys) == {}
    Stock.objects.update(on_hand=3_500)
    said = "plain, oil: 3,500 mL on hand, its moves add up to 4,000 mL."
    assert found(capsys) == {"ledger and lots": said}


def test_stock_past_its_use_that_counts_is_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    today = timezone.now().date()
    item = Item.objects.create(slug="oil", name="Oil", kind="fluid", unit="mL", source=INVENTED)
    for days, quantity in ((-1, 2_000), (100, 3_000)):
        StockMove.objects.create(
            depot=van.depot,
            item=item,
            kind=StockMove.Kind.RECEIVED,
            quantity=quantity,
            at=timezone.now() - timedelta(days=10),
            best_before=today + timedelta(days=days),
        )
    Stock.objects.create(depot=van.depot, item=item, on_hand=5_000)
    assert "plain, oil: 2,000 mL of 5,000 on hand are past" in found(capsys)["lots past use"]


def test_a_due_date_that_a_night_from_scratch_would_not_find_is_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    row = DueDate.objects.get()
    DueDate.objects.update(p50=row.p50 + timedelta(days=9))
    later = row.p50 + timedelta(days=9)
    said = f"V-1, gearbox-oil: expected {later}, from scratch {row.p50}."
    assert found(capsys) == {"due dates": said}
    DueDate.objects.update(p50=row.p50, binding_limit="none")
    assert "binding_limit would differ" in found(capsys)["due dates"]


def test_due_dates_too_many_and_too_few_are_named(
    van: Vehicle, capsys: pytest.CaptureFixture[str]
) -> None:
    DueDate.objects.all().delete()
    assert found(capsys) == {"due dates": "V-1, gearbox-oil: it has no due date yet."}
    chain.refresh([van.pk], timezone.now())
    Limit.objects.all().delete()
    assert "a due date is stored that nothing asks for" in found(capsys)["due dates"]


def test_more_than_can_be_listed_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    many = (("many", "none", lambda now: (f"row {at}." for at in range(1_234))),)
    monkeypatch.setattr(checks, "CHECKS", many)
    (one,) = checks.check(timezone.now())
    assert (one.ok, one.detail.count("\n")) == (False, 200)
    assert one.detail.endswith("row 199.\n… and 1,034 more.")
