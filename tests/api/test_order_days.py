"""Days of orders by API: what a page asks about is asked about with a 409, and answered alike."""

from datetime import date, timedelta
from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.due.models import DueDate, Service
from fleet.vehicles.models import Closure, Depot
from fleet.workorders import findings
from fleet.workorders.findings import Report
from fleet.workorders.models import WorkOrder
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.api.test_order_actions import Client
from tests.cast import Cast, depots_day
from tests.dashboard.days import monday, planned_days, visit_of
from tests.dashboard.test_order_days import away_on_monday
from tests.dashboard.workshop import Workshop, open_workshop
from tests.kept import kept

BECAUSE = {"override_reason": "the inspector comes"}


@kept
def shop(running: Cast) -> Workshop:
    return open_workshop(running)


@pytest.fixture
def chief(shop: Workshop, call: Caller) -> APIClient:
    return call(shop.people.supervisor)


@pytest.fixture
def closed() -> date:
    """A Tuesday to come on which the depot is closed."""
    on = monday() + timedelta(days=1)
    Closure.objects.create(depot=Depot.objects.get(slug="plain"), on=on, note="stocktaking")
    return on


def asked(answer: Any, words: str) -> bool:
    assert answer.status_code == 409
    return words in answer.json()["detail"]


def test_a_closed_day_is_asked_about_and_stands_with_a_reason(
    shop: Workshop, chief: APIClient, closed: date
) -> None:
    client = Client(chief, shop)
    assert asked(client.do("plan", planned_on=str(closed)), "(stocktaking): no plan can keep")
    told = client.do("plan", planned_on=str(closed), **BECAUSE).json()
    assert (told["planned_on"], told["why_it_stands"]) == (str(closed), "the inspector comes")


def test_who_is_not_at_work_on_its_day_is_asked_about_and_gets_it_with_a_reason(
    shop: Workshop, chief: APIClient
) -> None:
    client, on = Client(chief, shop), away_on_monday(shop)
    client.do("plan", planned_on=str(on))
    words = f"Mika is not at work on {on.day} {on:%b %Y}: Sanna is."
    assert asked(client.do("assign", assigned_to="mika"), words)
    told = client.do("assign", assigned_to="mika", **BECAUSE).json()
    assert told["assigned_to"] == "mika"
    later = on + timedelta(days=1)
    assert client.do("plan", planned_on=str(later)).status_code == 200
    assert asked(client.do("plan", planned_on=str(on)), words)


def test_so_is_the_day_of_a_draft(shop: Workshop, chief: APIClient, closed: date) -> None:
    given = {"vehicle": "V-102", "services": ["engine-oil"], "planned_on": str(closed)}
    assert asked(chief.post(address("work-orders"), given, "json"), "Plain is closed on")
    made = chief.post(address("work-orders"), {**given, **BECAUSE}, "json").json()
    assert (made["planned_on"], made["why_it_stands"]) == (str(closed), "the inspector comes")


def test_so_is_the_day_on_which_a_finding_is_put_right(
    shop: Workshop, chief: APIClient, closed: date
) -> None:
    mechanic = shop.actor(shop.people.mechanic)
    given = Report(vehicle=shop.people.van, kind="damage", severity="soon", text="a split hose",
                   client_key="finding-1")  # fmt: skip
    found = findings.report(mechanic, given)
    where = address(f"findings/{found.pk}/follow-up")
    sent = {"what": "New hose", "planned_on": str(closed)}
    assert asked(chief.post(where, sent, "json"), "Plain is closed on")
    made = chief.post(where, {**sent, **BECAUSE}, "json").json()
    assert (made["planned_on"], made["why_it_stands"]) == (str(closed), "the inspector comes")


def test_a_release_says_that_its_day_is_only_proposed(shop: Workshop, chief: APIClient) -> None:
    shop.order.delete()
    DueDate.objects.all().delete()
    planned_days(shop.people, Service.objects.get(slug="engine-oil"))
    order, on = WorkOrder.objects.get(), visit_of("V-101").on
    proposed = f"The plan proposes {on.day} {on:%b %Y} for V-101"
    many = {"orders": [{"number": order.number, "version": order.version}]}
    (row,) = chief.post(address("work-orders/release"), many, "json").json()["rows"]
    assert (row["released"], proposed in row["detail"]) == (False, True)
    where = address(f"work-orders/{order.number}/release")
    tag = {"If-Match": f'"{order.version}"'}
    assert asked(chief.post(where, {}, "json", headers=tag), proposed)
    told = chief.post(where, BECAUSE, "json", headers=tag).json()
    assert (told["state"], told["events"][-1]["reason"]) == ("released", "the inspector comes")


def test_many_are_released_with_the_answer(shop: Workshop, chief: APIClient, closed: date) -> None:
    WorkOrder.objects.update(state="drafted", planned_on=closed)
    many: dict[str, Any] = {"orders": [{"number": shop.order.number, "version": 2}]}
    (row,) = chief.post(address("work-orders/release"), many, "json").json()["rows"]
    assert row["released"] is False
    (row,) = chief.post(address("work-orders/release"), {**many, **BECAUSE}, "json").json()["rows"]
    assert row["released"] is True


def test_what_is_begun_on_a_closed_day_says_so_in_its_history(shop: Workshop, call: Caller) -> None:
    Closure.objects.create(depot=shop.people.plain, on=depots_day(), note="stocktaking")
    told = Client(call(shop.people.mechanic), shop).do("start").json()
    assert told["state"] == "started"
    assert "(stocktaking)" in told["events"][-1]["reason"]


def test_work_far_from_due_is_asked_about_one_by_one_and_many_at_once(
    shop: Workshop, chief: APIClient
) -> None:
    due_on = depots_day() + timedelta(days=828)
    DueDate.objects.filter(service=shop.oil).update(
        p50=due_on, sort_on=due_on, meter_life=0.2, calendar_life=None, calendar_on=None
    )
    Depot.objects.update(working_days="1111111")
    WorkOrder.objects.update(state="drafted")
    client = Client(chief, shop)
    words = f"{shop.oil.name} falls due about {due_on.day} {due_on:%b %Y}, 828 days after"
    assert asked(client.do("release"), words)
    order = shop.now()
    given: dict[str, Any] = {"orders": [{"number": order.number, "version": order.version}]}
    many = address("work-orders/release")
    (row,) = chief.post(many, given, "json").json()["rows"]
    assert (row["released"], row["code"], words in row["detail"]) == (False, "question", True)
    assert chief.post(many, {**given, **BECAUSE}, "json").json()["released"] == 1


@pytest.mark.parametrize("far", ["0001-01-01", "1899-12-31", "2200-01-01", "9999-12-31"])
def test_a_day_of_another_age_is_refused(shop: Workshop, chief: APIClient, far: str) -> None:
    given = {"vehicle": "V-102", "services": [shop.oil.slug], "planned_on": far}
    refused = chief.post(address("work-orders"), given, format="json")
    assert refused.status_code == 400
    told = refused.json()["errors"][0]
    assert told == {
        "pointer": "#/planned_on",
        "code": "too_far",
        "detail": "Name a day between 1900-01-01 and 2199-12-31.",
    }
