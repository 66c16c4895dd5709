"""A mechanic's client: what is on today, down to the drain plug, and the orders around it."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.db.models import F
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries
from rest_framework.test import APIClient

from fleet.people import tokens
from fleet.people.models import Person
from fleet.vehicles.models import Depot
from fleet.workorders.models import Step, WorkOrder
from tests import scene
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, depots_day
from tests.dashboard.workshop import Workshop, open_workshop, released
from tests.kept import kept

ORDERS = address("work-orders")
ONE_CARD = "work-orders/<str:number>/card"
MINE = {"planned_on": "today", "assigned_to": "me"}


@kept
def shop(running: Cast) -> Workshop:
    return open_workshop(running)


@pytest.fixture
def mechanic(shop: Workshop, call: Caller) -> APIClient:
    return call(shop.people.mechanic)


@pytest.fixture
def supervisor(shop: Workshop, call: Caller) -> APIClient:
    return call(shop.people.supervisor)


def test_one_request_leads_from_today_to_the_torque_of_the_drain_plug(
    shop: Workshop, mechanic: APIClient
) -> None:
    shop.start()
    (row,) = mechanic.get(ORDERS, MINE).json()["rows"]
    (job,) = row["card"]["jobs"]
    plug = next(one for one in job["fasteners"] if one["slug"] == "drain-plug")
    # check-values T-02: 29 lbf·ft are 39.31872 N·m
    assert plug["torque_nm"] == pytest.approx(39.31872, abs=0.05)
    assert plug["torque_lbfft"] == pytest.approx(29, abs=0.05)
    assert "washer" in plug["seal"]


def test_the_card_has_steps_cautions_and_sources(shop: Workshop, mechanic: APIClient) -> None:
    card = mechanic.get(address(ONE_CARD, number=shop.order.number)).json()
    kinds = [step["kind"] for step in card["jobs"][0]["steps"]]
    assert kinds.index("open fill plug") < kinds.index("open drain plug")  # T-05
    assert any(step["cautions"] for step in card["jobs"][0]["steps"])
    assert card["jobs"][0]["source"]


def test_what_is_of_another_day_is_not_todays(shop: Workshop, mechanic: APIClient) -> None:
    assert len(mechanic.get(ORDERS, MINE).json()["rows"]) == 1  # nobody's yet
    tomorrow = depots_day() + timedelta(days=2)
    WorkOrder.objects.update(assigned_to=shop.people.mechanic, planned_on=tomorrow)
    assert mechanic.get(ORDERS, MINE).json()["rows"] == []
    assert len(mechanic.get(ORDERS, {"planned_on": str(tomorrow)}).json()["rows"]) == 1


@pytest.mark.parametrize("asked", [{}, {"state": "released"}, {"planned_on": "today"}])
def test_a_list_takes_one_query_more_only_where_something_is_restricted(
    shop: Workshop,
    supervisor: APIClient,
    django_assert_num_queries: DjangoAssertNumQueries,
    asked: dict[str, str],
) -> None:
    queries = 2  # the depots and their days, and the orders
    released(shop.people, shop.people.second_van, shop.oil)
    with django_assert_num_queries(queries):
        rows = supervisor.get(ORDERS, asked).json()["rows"]
    assert len(rows) == 2
    with CaptureQueriesContext(connection) as free:
        supervisor.get(ORDERS, {**asked, "expand": "card"})
    shop.people.van.restrictions.create(text="not far", set_at=timezone.now())
    with django_assert_num_queries(queries + 1):
        rows = supervisor.get(ORDERS, asked).json()["rows"]
    told = {row["vehicle"]: row["restrictions"] for row in rows}
    assert told == {"V-101": ["not far"], shop.people.second_van.fleet_number: []}
    with django_assert_num_queries(len(free)):  # the cards know
        cards = supervisor.get(ORDERS, {**asked, "expand": "card"}).json()["rows"]
    assert [row["restrictions"] for row in cards] == [row["restrictions"] for row in rows]


def test_an_empty_day_asks_for_no_cards(
    shop: Workshop, mechanic: APIClient, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    WorkOrder.objects.update(state="drafted")
    with django_assert_num_queries(2):  # days of the depots, orders
        assert mechanic.get(ORDERS, MINE).json()["rows"] == []


def test_pages_lead_through_all_orders(shop: Workshop, supervisor: APIClient) -> None:
    released(shop.people, shop.people.second_van, shop.oil)
    first = supervisor.get(ORDERS, {"limit": 1}).json()
    second = supervisor.get(first["next"]).json()
    numbers = [row["number"] for row in (*first["rows"], *second["rows"])]
    assert numbers == sorted(numbers, reverse=True)
    assert (len(set(numbers)), second["next"]) == (2, None)


def test_another_depot_does_not_see_the_order(shop: Workshop, call: Caller) -> None:
    outsider = call(shop.people.outsider)
    assert outsider.get(ORDERS).json()["rows"] == []
    one = address("work-orders/<str:number>", number=shop.order.number)
    assert outsider.get(one).status_code == 404


def draft(client: APIClient, **given: object) -> tuple[int, dict[str, object]]:
    answer = client.post(ORDERS, {"vehicle": "V-102", "services": ["engine-oil"], **given}, "json")
    return answer.status_code, answer.json()


def test_a_supervisor_drafts_an_order_for_a_service(shop: Workshop, supervisor: APIClient) -> None:
    name = shop.people.mechanic.username
    Depot.objects.update(working_days="1111111")  # whatever day it is
    status, made = draft(supervisor, planned_on=str(depots_day()), assigned_to=name)
    assert (status, made["state"], made["assigned_to"]) == (201, "drafted", name)
    assert [job["service"] for job in made["jobs"]] == ["engine-oil"]


def test_a_second_open_job_for_the_same_service_is_refused(supervisor: APIClient) -> None:
    draft(supervisor)
    status, problem = draft(supervisor)
    assert status == 409
    assert "W-" in problem["detail"]


def test_a_draft_sent_again_under_its_key_is_the_same_order(supervisor: APIClient) -> None:
    body = {"vehicle": "V-102", "services": ["engine-oil"]}
    sent = [
        supervisor.post(ORDERS, body, "json", headers={"Idempotency-Key": "one"}) for _ in range(2)
    ]
    assert [answer.status_code for answer in sent] == [201, 201]
    assert sent[0].json() == sent[1].json()
    other = {**body, "reason": "another"}
    again = supervisor.post(ORDERS, other, "json", headers={"Idempotency-Key": "one"})
    assert again.status_code == 422


def test_an_unknown_service_is_named_where_it_stands(supervisor: APIClient) -> None:
    status, problem = draft(supervisor, services=["engine-oil", "tea"])
    assert status == 400
    assert problem["errors"][0]["pointer"].startswith("#/services")
    assert "tea" in problem["errors"][0]["detail"]


def test_late_papers_of_an_outside_workshop_are_back_dated(
    shop: Workshop, supervisor: APIClient
) -> None:
    done_on = depots_day() - timedelta(days=20)
    given = {
        "vehicle": "V-102",
        "services": ["engine-oil"],
        "done_on": str(done_on),
        "workshop_name": "An outside workshop",
        "invoice_number": "R-17",
        "cost_minor": 21_000,
    }
    answer = supervisor.post(address("work-orders/outside"), given, "json")
    assert answer.status_code == 201
    done = shop.people.second_van.services_done.get(evidence="outside workshop")
    assert done.done_on == done_on


def test_an_odometer_that_the_readings_contradict_is_a_question(
    shop: Workshop, supervisor: APIClient
) -> None:
    given = {
        "vehicle": "V-102",
        "services": ["engine-oil"],
        "done_on": str(depots_day() - timedelta(days=3)),
        "odometer_km": 100_700,
        "workshop_name": "An outside workshop",
        "invoice_number": "R-17",
    }
    answer = supervisor.post(address("work-orders/outside"), given, "json")
    problem = answer.json()
    assert (answer.status_code, problem["errors"][0]["code"]) == (409, "question")
    assert problem["errors"][0]["pointer"] == "#/odometer_km"
    assert problem["candidates"] == ["10,070 km: one digit too many"]
    stands = given | {"override_reason": "so it stands on the invoice"}
    assert supervisor.post(address("work-orders/outside"), stands, "json").status_code == 201


def test_a_day_of_mine_has_its_cards_whatever_way_the_day_is_written(
    shop: Workshop, mechanic: APIClient
) -> None:
    shop.start()
    on = WorkOrder.objects.get(pk=shop.order.pk).planned_on
    for day in ("today", str(on)):
        (row,) = mechanic.get(ORDERS, {"planned_on": day, "assigned_to": "me"}).json()["rows"]
        (job,) = row["card"]["jobs"]
        assert job["compartment"] == "engine"
        assert [one["slug"] for one in job["fluid"]["accepted"]] == ["right"]
        assert [one["slug"] for one in job["fluid"]["not_accepted"]] == ["wrong"]


def test_a_choice_that_there_is_not_is_told_with_those_that_there_are(
    supervisor: APIClient,
) -> None:
    status, problem = draft(supervisor, raising="crane")
    assert status == 400
    for there in ("lift", "jack and stands", "ramps", "pit"):
        assert there in problem["errors"][0]["detail"]
    asked = supervisor.get(ORDERS, {"state": "begun"}).json()
    assert "started" in asked["errors"][0]["detail"]


def test_a_list_is_not_sent_again_to_who_has_it(shop: Workshop, supervisor: APIClient) -> None:
    answer = supervisor.get(ORDERS)
    tag = {"If-None-Match": answer["ETag"]}
    again = supervisor.get(ORDERS, headers=tag)
    assert (again.status_code, again.content) == (304, b"")
    WorkOrder.objects.update(version=F("version") + 1)
    assert supervisor.get(ORDERS, headers=tag).status_code == 200
    spread = supervisor.get(ORDERS, headers={"Accept": "application/json; indent=2"})
    assert spread.json()["rows"] == supervisor.get(ORDERS).json()["rows"]
    assert spread["ETag"] != supervisor.get(ORDERS)["ETag"]  # the bytes are others


SOME: list[tuple[dict[str, Any], int]] = [
    ({}, 7),
    ({"state": "released"}, 4),
    ({"state": ["drafted", "released"]}, 7),
    ({"state": "finished"}, 0),
    ({"planned_on": "today"}, 3),  # and what is left over
    ({"planned_on": "today", "state": "drafted"}, 2),
    ({"planned_on": "2026-01-02", "expand": "card"}, 2),
    ({"assigned_to": "me"}, 1),
    ({"assigned_to": "nobody"}, 0),
    ({**MINE, "state": ["started", "released"]}, 3),
    ({"planned_on": "today", "assigned_to": "mika"}, 1),
    ({"depot": "elsewhere"}, 0),
    ({"depot": "elsewhere", "planned_on": "today"}, 0),
    ({"vehicle": "v-101"}, 1),
]


@pytest.mark.parametrize(("asked", "count"), SOME, ids=str)
def test_a_list_goes_on_as_it_begins(
    shop: Workshop, mechanic: APIClient, asked: dict[str, Any], count: int
) -> None:
    """What starts a list and what follows is asked for in other words."""
    WorkOrder.objects.update(assigned_to=shop.people.mechanic)
    for number in range(6):
        later = released(shop.people, shop.people.second_van, shop.oil)
        day = [depots_day(), None, date(2026, 1, 2)][number % 3]
        state = ["released", "drafted"][number % 2]
        later.jobs.update(state="done")
        WorkOrder.objects.filter(pk=later.pk).update(planned_on=day, state=state)
    whole = mechanic.get(ORDERS, asked).json()["rows"]
    assert len(whole) == count
    for _ in range(2):  # in words that are known by then, too
        found, answer = [], mechanic.get(ORDERS, {**asked, "limit": 2}).json()
        assert len(answer["rows"]) <= 2
        while answer["next"]:
            found += answer["rows"]
            answer = mechanic.get(answer["next"]).json()
        assert found + answer["rows"] == whole
        assert mechanic.get(ORDERS, {**asked, "limit": 1}).json()["rows"] == whole[:1]


def test_a_card_in_a_list_is_the_card_and_follows_its_book(
    shop: Workshop, mechanic: APIClient
) -> None:
    def both() -> list[Any]:
        (row,) = mechanic.get(ORDERS, MINE).json()["rows"]
        return [row["card"], mechanic.get(address(ONE_CARD, number=row["number"])).json()]

    listed, alone = both()
    assert listed == alone
    Step.objects.filter(number=1).update(text="Look “twice”.")
    listed, alone = both()
    assert listed == alone
    assert listed["jobs"][0]["steps"][0]["text"] == "Look “twice”."


def test_a_list_is_of_the_depots_that_a_call_reaches(shop: Workshop, call: Caller) -> None:
    other = scene.van("V-900", scene.depot("coast"))
    far = WorkOrder.objects.create(number="W-900", vehicle=other, depot=other.depot)
    near = WorkOrder.objects.exclude(pk=far.pk).get()
    person = shop.people.supervisor

    def listed(depots: list[Depot] | None, **asked: str) -> list[str]:
        _, secret = tokens.issue(
            person=person, label="x", scopes=["work-orders:read"], days=1, depots=depots
        )
        client = APIClient(headers={"authorization": f"Bearer {secret}"})
        return [row["number"] for row in client.get(ORDERS, asked).json()["rows"]]

    assert listed(None) == [near.number]
    person.depots.add(other.depot)
    assert listed(None) == [far.number, near.number]
    assert listed([other.depot]) == [far.number]
    assert listed(None, depot="coast") == [far.number]
    assert listed([other.depot], depot=near.depot.slug) == []
    Person.objects.filter(pk=person.pk).update(is_superuser=True)
    person.refresh_from_db()
    person.depots.clear()
    assert listed([other.depot, near.depot]) == [far.number, near.number]
    assert listed([near.depot]) == [near.number]
