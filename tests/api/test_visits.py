"""Acts on a plan by the API: the stage's own, under the plan's version."""

from datetime import date, timedelta
from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.due.models import Service
from fleet.visits import plan as plans
from fleet.visits.models import Plan, Promise, Visit
from fleet.workorders.models import Job, WorkOrder
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, depots_day, oil_change
from tests.visits.depot import due_on


@pytest.fixture
def plan(people: Cast) -> Plan:
    """A van whose oil is due in ten days, and a drafted order for it."""
    service: Service = oil_change(people)
    due_on(people.van, service, depots_day() + timedelta(days=10))
    order = WorkOrder.objects.create(number="W-1", vehicle=people.van, depot=people.plain)
    Job.objects.create(order=order, vehicle=people.van, service=service, title="Oil", minutes=30)
    (made,) = plans.plan([people.plain.pk], depots_day())
    return made


@pytest.fixture
def chief(people: Cast, plan: Plan, call: Caller) -> APIClient:
    return call(people.supervisor)


def post(client: APIClient, where: str, status: int = 200, **given: object) -> Any:
    answer = client.post(address(where), given, format="json")
    assert answer.status_code == status, answer.content
    return answer.json()


def free_day(plan: Plan) -> str:
    """A working day of the plan that the visit is not on."""
    days = (depots_day() + timedelta(days=ahead) for ahead in range(1, 9))
    had = plan.visits.get().on
    return next(on for on in days if on.weekday() < 5 and on != had).isoformat()


def publish(client: APIClient, plan: Plan, status: int = 200, **more: object) -> Any:
    given = {"depot": "plain", "plan": plan.pk, "version": 1, **more}
    return post(client, "visits/publish", status, **given)


def test_a_dry_run_of_publishing_tells_versions_that_then_go_through(
    chief: APIClient, plan: Plan
) -> None:
    until = (depots_day() + timedelta(days=20)).isoformat()
    told = publish(chief, plan, until=until, dry_run=True)
    (row,) = told["rows"]
    assert (row["number"], row["code"]) == ("W-1", "")
    assert WorkOrder.objects.get().planned_on is None
    seen = [{"number": "W-1", "version": 1}]
    real = publish(chief, plan, until=until, orders=seen)
    assert real["rows"][0]["done"] == row["done"]
    assert WorkOrder.objects.get().planned_on == plan.visits.get().on
    again = publish(chief, plan, until=until, orders=seen)
    assert (again["changed"], again["refused"]) == (0, 0)


def test_publishing_names_visits_or_a_day(chief: APIClient, plan: Plan) -> None:
    publish(chief, plan, 400)
    assert publish(chief, plan, visits=[plan.visits.get().pk])["changed"] == 1


def test_an_order_changed_since_it_was_seen_is_told_in_its_row(
    chief: APIClient, plan: Plan
) -> None:
    seen = [{"number": "W-1", "version": 9}]
    told = publish(chief, plan, visits=[plan.visits.get().pk], orders=seen)
    assert (told["rows"][0]["code"], told["refused"]) == ("changed_meanwhile", 1)


def test_a_plan_of_another_version_is_refused(chief: APIClient, plan: Plan) -> None:
    post(chief, f"visits/{plan.visits.get().pk}/lock", version=1)
    publish(chief, plan, 412, visits=[plan.visits.get().pk])


def test_a_move_tells_what_it_costs_before_and_when_it_is_made(
    chief: APIClient, plan: Plan
) -> None:
    where, on = f"visits/{plan.visits.get().pk}/move", free_day(plan)
    told = post(chief, where, version=1, on=on, dry_run=True)
    assert (told["version"], plan.visits.get().locked) == (1, False)
    made = post(chief, where, version=1, on=on)
    assert made == told | {"version": 2}
    assert plan.visits.get().on == date.fromisoformat(on)
    post(chief, where, 412, version=1, on=on)


def test_a_visit_is_locked_and_opened(chief: APIClient, plan: Plan) -> None:
    visit = plan.visits.get().pk
    assert post(chief, f"visits/{visit}/lock", version=1)["locked"]
    (row,) = chief.get(address("visits")).json()["rows"]
    assert (row["visit"], row["locked"]) == (visit, True)
    assert not post(chief, f"visits/{visit}/unlock", version=2)["locked"]


def test_a_promise_is_told_and_listed(people: Cast, chief: APIClient, plan: Plan) -> None:
    visit = plan.visits.get()
    made = post(chief, f"visits/{visit.pk}/promise", version=1, told_to="The driver")
    assert (made["vehicle"], made["told_to"], made["told_by"]) == ("V-101", "The driver", "sura")
    assert chief.get(address("promises")).json()["rows"] == [made]
    Promise.objects.update(ending="kept", ended_at="2020-01-01T00:00Z")
    assert chief.get(address("promises")).json()["rows"] == []


def test_a_depot_is_planned_anew(chief: APIClient, plan: Plan) -> None:
    assert post(chief, "plan", depot="plain")["same"]
    WorkOrder.objects.update(planned_on=depots_day() + timedelta(days=4))
    told = post(chief, "plan", depot="plain")
    assert (told["same"], told["plan"] > plan.pk) == (False, True)
    assert told["before"]["services"] == told["after"]["services"] == 1


def test_a_visit_of_an_older_plan_is_not_found(chief: APIClient, plan: Plan) -> None:
    old = plan.visits.get().pk
    WorkOrder.objects.update(planned_on=depots_day() + timedelta(days=4))
    post(chief, "plan", depot="plain")
    assert Visit.objects.filter(pk=old).exists()
    post(chief, f"visits/{old}/lock", 404, version=1)


def test_a_repeated_key_moves_once(chief: APIClient, plan: Plan) -> None:
    where = address(f"visits/{plan.visits.get().pk}/move")
    given = {"version": 1, "on": free_day(plan)}
    answers = [
        chief.post(where, given, format="json", headers={"Idempotency-Key": "one"})
        for _ in range(2)
    ]
    assert answers[0].json() == answers[1].json()
    assert Plan.objects.get().version == 2
