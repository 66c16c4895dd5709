import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from fleet.dashboard.orders.changes import CHANGES
from fleet.people.models import Person
from fleet.workorders import progress
from fleet.workorders.downtime import downtime
from fleet.workorders.models import WorkOrder
from tests.dashboard.workshop import Workshop, finish

SignedIn = Callable[[Person], Client]

# what is offered to whom in each state, by hand from the roles' rights
OFFERED = {
    ("supervisor", "drafted"): {"add-jobs", "release", "plan", "arrive", "cancel"},
    ("supervisor", "released"): {
        *("add-jobs", "plan", "take-back", "arrive", "start", "cancel"),
    },
    ("supervisor", "started"): {"add-jobs", "plan", "wait", "finish", "cancel"},
    ("supervisor", "waiting"): {"add-jobs", "plan", "resume", "cancel"},
    ("supervisor", "finished"): {"hand-back", "sign-off", "correct"},
    ("supervisor", "signed off"): {"hand-back"},
    ("supervisor", "cancelled"): set(),
    ("mechanic", "drafted"): {"arrive"},
    ("mechanic", "released"): {"arrive", "start"},
    ("mechanic", "started"): {"wait", "finish"},
    ("mechanic", "waiting"): {"resume"},
    ("mechanic", "finished"): {"hand-back"},
    ("viewer", "started"): set(),
    ("clerk", "finished"): set(),
}


def offered(client: Client, shop: Workshop) -> set[str]:
    seen = client.get(shop.page).content.decode()
    return set(re.findall(r'name="change" value="([\w-]+)"', seen))


def change(client: Client, shop: Workshop, name: str, **given: Any) -> str:
    given = {"change": name, "version": shop.now().version, **given}
    return client.post(f"{shop.page}/change", given, follow=True).content.decode()


@pytest.mark.parametrize(("who", "state"), OFFERED)
def test_only_what_a_person_may_do_now_is_offered(
    who: str, state: str, shop: Workshop, signed_in: SignedIn
) -> None:
    WorkOrder.objects.update(state=state)
    found = offered(signed_in(getattr(shop.people, who)), shop)
    assert found == OFFERED[who, state]


def test_every_change_is_refused_to_a_viewer_and_hidden_from_another_depot(
    shop: Workshop, signed_in: SignedIn
) -> None:
    given = {"version": 2, "reason": "x", "waiting_for": "x", "odometer": "1", "job": shop.job.pk}
    given |= {
        "fit_for_use": "yes",
        "state": "done",
        "because": "not tried here",
        "planned_on": "2026-12-01",
    }
    for who, status in ((shop.people.viewer, {302, 403}), (shop.people.outsider, {404})):
        client = signed_in(who)
        for name in CHANGES:
            answer = client.post(f"{shop.page}/change", {"change": name, **given})
            assert answer.status_code in status, name
    assert shop.now().version == 2


def test_an_order_goes_its_way_by_its_buttons(shop: Workshop, signed_in: SignedIn) -> None:
    mechanic, supervisor = signed_in(shop.people.mechanic), signed_in(shop.people.supervisor)
    change(mechanic, shop, "arrive")
    change(mechanic, shop, "start")
    assert "waits" in change(mechanic, shop, "wait", waiting_for="drain plug washer")
    change(mechanic, shop, "resume")
    change(mechanic, shop, "end-job", job=shop.job.pk, state="done", because="not tried here")
    said = change(mechanic, shop, "finish", odometer="10 700", fit_for_use="yes")
    assert "is finished; due dates are up to date" in said
    assert "downtime ends here" in change(mechanic, shop, "hand-back")
    change(supervisor, shop, "sign-off")
    assert shop.now().state == WorkOrder.State.SIGNED_OFF


def test_a_page_that_is_too_old_changes_nothing(shop: Workshop, signed_in: SignedIn) -> None:
    said = change(signed_in(shop.people.mechanic), shop, "start", version=1)
    assert "was changed meanwhile" in said
    assert shop.now().state == WorkOrder.State.RELEASED


def test_a_doubtful_odometer_is_asked_about_and_the_order_is_finished_all_the_same(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    progress.end_job(
        shop.actor(shop.people.mechanic), shop.job.pk, state="done", because="not tried here"
    )
    client = signed_in(shop.people.mechanic)
    assert "please look again" in change(client, shop, "finish", odometer="107000",
                                         fit_for_use="yes")  # fmt: skip
    assert shop.now().state == WorkOrder.State.FINISHED


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("1070l", "“1070l” holds the letter l: was “10701” meant?"),
        ("1O700", "“1O700” holds the letter O: was “10700” meant?"),
        ("10700 L", "“L” is no unit of this meter: write km or mi."),
        ("10700 h", "“h” is no unit of this meter: write km or mi."),
    ],
)
def test_an_odometer_at_the_finish_that_is_no_number_is_asked_about_and_not_read(
    shop: Workshop, signed_in: SignedIn, typed: str, said: str
) -> None:
    shop.start()
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    client = signed_in(shop.people.mechanic)
    seen = change(client, shop, "finish", odometer=typed, fit_for_use="yes")
    assert f"Odometer: {said}" in unescape(seen)
    assert (shop.now().state, shop.now().reading) == ("started", None)


def test_a_unit_written_behind_the_odometer_counts_before_the_one_beside_it(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    client = signed_in(shop.people.mechanic)
    change(client, shop, "finish", odometer="6,650 mi", unit="km", fit_for_use="yes")
    reading = shop.now().reading
    assert reading is not None
    assert (reading.value, reading.unit) == (6_650, "mi")


def test_at_the_finish_miles_and_engine_hours_are_read_as_typed(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    given = {"odometer": "6,650", "unit": "mi", "engine_hours": "812.5", "fit_for_use": "yes"}
    change(signed_in(shop.people.mechanic), shop, "finish", **given)
    found = shop.people.van.readings.order_by("-pk")[:2]
    assert {(one.value, one.unit) for one in found} == {(6_650, "mi"), (812.5, "h")}


def test_who_did_the_work_is_not_offered_to_sign_it_off(
    shop: Workshop, signed_in: SignedIn
) -> None:
    actor = shop.actor(shop.people.supervisor)
    progress.start(actor, shop.order.pk)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    WorkOrder.objects.update(state="finished")
    assert "sign-off" not in offered(signed_in(shop.people.supervisor), shop)
    assert "sign-off" in offered(signed_in(shop.second_supervisor), shop)


def test_a_correction_opens_the_order_again_with_its_reason(
    shop: Workshop, signed_in: SignedIn
) -> None:
    finish(shop)
    said = change(signed_in(shop.people.supervisor), shop, "correct", reason="wrong van")
    assert "wrong van" in said
    assert shop.now().state == WorkOrder.State.STARTED


def test_a_mechanic_of_another_depot_cannot_be_given_the_order(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    given = {"planned_on": "2026-12-01", "assigned_to": shop.people.outsider.pk}
    assert "Choose a person of this depot" in change(client, shop, "plan", **given)
    change(client, shop, "plan", **{**given, "assigned_to": shop.people.mechanic.pk})
    assert shop.now().assigned_to == shop.people.mechanic


def test_the_history_says_who_did_what(shop: Workshop, signed_in: SignedIn) -> None:
    change(signed_in(shop.people.supervisor), shop, "cancel", reason="van was sold")
    history = signed_in(shop.people.viewer).get(shop.page).content.decode().split("History")[-1]
    for words in ("draft", "release", "cancel", "Sura", "van was sold", "released → cancelled"):
        assert words in history


def test_downtime_is_split_into_work_and_waiting(shop: Workshop) -> None:
    now = timezone.now()
    order = shop.order
    order.arrived_at, order.waited_s = now - timedelta(hours=10), 3 * 3600
    order.waiting_since = now - timedelta(hours=1)
    found = downtime(order, now)
    assert found is not None
    # by hand: 10 h there, 3 h of past waits and 1 h of this one
    assert (found.whole_h, found.working_h, found.waiting_h, found.running) == (10, 6, 4, True)


@pytest.mark.parametrize(
    ("minutes", "spent", "shown"),
    [
        (40, None, "40 min"),
        (40, 55, "55 of 40 min"),
        (40, 0, "0 of 40 min"),
        (0, None, "no minutes in the book"),
        (0, 25, "25 min"),
    ],
)
def test_a_job_without_minutes_in_the_book_is_not_said_to_take_none(
    shop: Workshop, signed_in: SignedIn, minutes: int, spent: int | None, shown: str
) -> None:
    shop.order.jobs.update(minutes=minutes, spent_min=spent)
    html = signed_in(shop.people.supervisor).get(shop.page).content.decode()
    cell = re.search(r'data-label="Labour">(.*?)</td>', html, re.S)
    assert cell is not None
    assert " ".join(re.sub(r"<[^>]+>", "", cell[1]).split()) == shown
