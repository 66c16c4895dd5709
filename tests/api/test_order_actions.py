"""Changes of an order: each under the tag that was seen, by whom it may, and told what it did."""

from datetime import date
from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.due.models import ServiceDone
from fleet.workorders import issue, progress
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import OrderEvent
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast
from tests.dashboard.workshop import Workshop, finish, open_workshop
from tests.kept import kept


class Client:
    """Somebody who changes the order, with the tag as it is now unless another is given."""

    def __init__(self, client: APIClient, shop: Workshop) -> None:
        self.client, self.shop = client, shop

    def do(self, what: str, tag: str | None = "", **given: Any) -> Any:
        return self.send(f"work-orders/{self.shop.order.number}/{what}", tag, given)

    def end(self, **given: Any) -> Any:
        return self.send(f"jobs/{self.shop.job.pk}/end", "", given)

    def send(self, where: str, tag: str | None, given: dict[str, Any]) -> Any:
        seen = f'"{self.shop.now().version}"' if tag == "" else tag
        headers = {} if seen is None else {"If-Match": seen}
        return self.client.post(address(where), given, "json", headers=headers)


@kept
def shop(running: Cast) -> Workshop:
    return open_workshop(running)


@pytest.fixture
def mechanic(shop: Workshop, call: Caller) -> Client:
    return Client(call(shop.people.mechanic), shop)


@pytest.fixture
def supervisor(shop: Workshop, call: Caller) -> Client:
    return Client(call(shop.people.supervisor), shop)


def test_an_order_goes_from_the_start_to_the_sign_off(mechanic: Client, call: Caller) -> None:
    shop = mechanic.shop
    assert mechanic.do("start").json()["state"] == "started"
    waiting = mechanic.do("wait", waiting_for="two washers").json()
    assert (waiting["state"], waiting["waiting_for"]) == ("waiting", "two washers")
    assert mechanic.do("resume").json()["state"] == "started"
    assert mechanic.end(state="done", because="not tried here").status_code == 200
    finished = mechanic.do("finish", odometer=10_700, fit_for_use="yes").json()
    assert (finished["state"], finished["odometer"]["verdict"]) == ("finished", "accepted")
    signed = Client(call(shop.second_supervisor), shop).do("sign-off").json()
    assert signed["state"] == "signed off"
    assert ServiceDone.objects.filter(evidence="work order").count() == 1


def test_without_the_tag_nothing_is_changed(mechanic: Client) -> None:
    answer = mechanic.do("start", tag=None)  # RFC 6585: 428
    assert (answer.status_code, mechanic.shop.now().state) == (428, "released")


def test_an_old_tag_changes_nothing(mechanic: Client) -> None:
    answer = mechanic.do("start", tag='"1"')  # RFC 9110: 412
    assert (answer.status_code, mechanic.shop.now().state) == (412, "released")


def test_the_answer_carries_the_new_tag(mechanic: Client) -> None:
    answer = mechanic.do("start")
    assert answer["ETag"] == f'"{answer.json()["version"]}"'
    assert mechanic.do("wait", tag=answer["ETag"], waiting_for="a bay").status_code == 200


def test_each_change_leaves_one_event(mechanic: Client) -> None:
    before = OrderEvent.objects.count()
    mechanic.do("start")
    assert OrderEvent.objects.count() == before + 1
    assert OrderEvent.objects.latest("id").channel == "api"


def test_a_job_that_was_not_done_says_why_and_records_no_service(mechanic: Client) -> None:
    mechanic.do("start")
    asked = mechanic.end(state="not done", reason="plug seized")
    assert asked.status_code == 400
    assert asked.json()["errors"][0]["pointer"] == "#/spent_min"
    assert mechanic.end(state="not done", spent_min=25).status_code == 422
    (job,) = mechanic.end(state="not done", reason="plug seized", spent_min=25).json()["jobs"]
    assert (job["reason"], job["spent_min"]) == ("plug seized", 25)
    mechanic.do("finish", odometer=10_700, fit_for_use="yes")
    assert not ServiceDone.objects.filter(evidence="work order").exists()


def test_a_doubtful_odometer_is_asked_back_and_does_not_hold_up_the_finish(
    mechanic: Client,
) -> None:
    mechanic.do("start")
    mechanic.end(state="done", because="not tried here")
    finished = mechanic.do("finish", odometer=17_000_000, fit_for_use="yes").json()
    assert finished["state"] == "finished"
    assert finished["odometer"]["verdict"] != "accepted"
    assert finished["odometer"]["question"]


def test_who_finished_an_order_does_not_sign_it_off(supervisor: Client) -> None:
    supervisor.do("start")
    supervisor.end(state="done", because="not tried here")
    supervisor.do("finish", odometer=10_700, fit_for_use="yes")
    answer = supervisor.do("sign-off")
    assert (answer.status_code, supervisor.shop.now().state) == (403, "finished")


def test_a_correction_opens_the_order_again_and_takes_the_service_back(supervisor: Client) -> None:
    finish(supervisor.shop)
    assert supervisor.do("correct", reason="wrong van").json()["state"] == "started"
    assert ServiceDone.objects.filter(void=True).count() == 1


def test_a_state_that_does_not_allow_it_is_a_conflict(supervisor: Client) -> None:
    answer = supervisor.do("resume")
    assert answer.status_code == 409
    assert answer["Content-Type"] == "application/problem+json"


def test_a_mechanic_releases_nothing(mechanic: Client) -> None:
    assert mechanic.do("cancel", reason="sold").status_code == 403


def test_an_order_is_cancelled_with_a_reason(supervisor: Client) -> None:
    assert supervisor.do("cancel").status_code == 400
    assert supervisor.do("cancel", reason="sold").json()["state"] == "cancelled"


@pytest.mark.parametrize("given", [{"reason": "plug seized"}, {"reason_text": "went well"}])
def test_done_with_a_reason_is_refused_and_says_where(
    mechanic: Client, given: dict[str, str]
) -> None:
    mechanic.do("start")
    answer = mechanic.end(state="done", **given)
    (name,) = given
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, f"#/{name}")
    assert mechanic.shop.job.state == "open"


def test_a_vehicle_that_is_gone_under_is_not_left_on_the_ground(mechanic: Client) -> None:
    refused = mechanic.do("raise-by", raising="on the ground")
    assert refused.status_code == 409
    assert "cannot be done on the ground" in refused.json()["detail"]
    assert mechanic.shop.now().raising == "lift"


def test_ramps_are_asked_about_and_a_reason_lets_them_stand(mechanic: Client) -> None:
    asked = mechanic.do("raise-by", raising="ramps")
    assert (asked.status_code, asked.json()["errors"][0]["pointer"]) == (409, "#/raising")
    assert "override_reason" in asked.json()["to_go_on"]
    answer = mechanic.do("raise-by", raising="ramps", override_reason="four ramps")
    assert answer.json()["raising"] == "ramps"


def test_a_draft_on_the_ground_is_refused_and_on_ramps_asked_about(
    shop: Workshop, call: Caller
) -> None:
    supervisor = call(shop.people.supervisor)
    progress.cancel(shop.actor(shop.people.supervisor), shop.order.pk, reason="again")
    given = {"vehicle": shop.people.van.fleet_number, "services": [shop.oil.slug]}
    ground = supervisor.post(address("work-orders"), given | {"raising": "on the ground"}, "json")
    assert (ground.status_code, ground.json()["errors"][0]["pointer"]) == (409, "#/raising")
    ramps = given | {"raising": "ramps"}
    assert supervisor.post(address("work-orders"), ramps, "json").status_code == 409
    answer = supervisor.post(
        address("work-orders"), ramps | {"override_reason": "four ramps"}, "json"
    )
    assert (answer.status_code, answer.json()["raising"]) == (201, "ramps")


def test_done_with_nothing_recorded_is_asked_back_and_the_gaps_stand_on_the_order(
    mechanic: Client,
) -> None:
    mechanic.do("start")
    asked = mechanic.end(state="done")
    assert (asked.status_code, asked.json()["errors"][0]["pointer"]) == (409, "#/because")
    assert asked.json()["candidates"] == [
        "drain plug: torque",
        "fill plug: torque",
        "litres filled",
    ]
    assert list(asked.json()["to_go_on"]) == ["because"]
    told = mechanic.end(state="done", because="phone was flat").json()
    assert [gap["reason"] for gap in told["gaps"]] == ["phone was flat"] * 3
    assert told["gaps"][0]["words"] == "drain plug: torque"


def test_events_tell_which_day_and_whom_an_order_was_given(supervisor: Client) -> None:
    on, mika = "2031-03-04", supervisor.shop.people.mechanic.username
    assert supervisor.do("plan", planned_on=on, override_reason="agreed").status_code == 200
    assert supervisor.do("assign", assigned_to=mika).status_code == 200
    told = supervisor.do("assign", assigned_to=None).json()["events"][-3:]
    names = ("what", "planned_on", "assigned_to", "emptied")
    assert [tuple(one[name] for name in names) for one in told] == [
        ("plan", on, None, False),
        ("assign", None, mika, False),
        ("assign", None, None, True),
    ]


def test_so_does_the_draft_of_one_that_begins_with_both(shop: Workshop) -> None:
    mika, on = shop.people.mechanic, date(2031, 3, 4)
    order = issue.draft(
        shop.actor(shop.people.supervisor),
        OrderDraft(
            vehicle_id=shop.people.second_van.pk,
            service_ids=[shop.oil.pk],
            planned_on=on,
            assigned_to=mika,
        ),
    )
    (told,) = order.events.all()
    assert (told.what, told.emptied) == ("draft", False)
    assert (told.planned_on, told.assigned_to) == (on, mika)
