"""Restrictions through the API: asked about at each finish, listed, lifted."""

from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.workorders import ending, issue, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Restriction, WorkOrder
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast
from tests.dashboard.workshop import Workshop, open_workshop
from tests.kept import kept

SLOW = "not above 60 km/h"


@kept
def shop(running: Cast) -> Workshop:
    return open_workshop(running)


@kept
def later(shop: Workshop) -> WorkOrder:
    """Other work, ready to be finished, on a vehicle with a restriction."""
    boss, actor = shop.actor(shop.people.supervisor), shop.actor(shop.people.mechanic)
    shop.start()
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(
        actor,
        shop.order.pk,
        AtFinish(odometer=10_700, fit_for_use="with restriction", restriction=SLOW),
    )
    van = shop.order.vehicle_id
    order = issue.draft(boss, OrderDraft(vehicle_id=van, service_ids=[], other_work=[("Lamp", 5)]))
    progress.release(boss, order.pk)
    progress.start(actor, order.pk)
    progress.end_job(actor, order.jobs.get().pk, state="done", because="not tried here")
    return WorkOrder.objects.get(pk=order.pk)


def finish(client: APIClient, order: WorkOrder, **given: Any) -> Any:
    where = address(f"work-orders/{order.number}/finish")
    given = {"odometer": 10_701, "fit_for_use": "yes", **given}
    return client.post(where, given, "json", headers={"If-Match": "*"})


def test_a_yes_that_says_nothing_of_it_is_asked_back(later: WorkOrder, shop: Workshop,
                                                     call: Caller) -> None:  # fmt: skip
    answer = finish(call(shop.people.mechanic), later)
    (error,) = answer.json()["errors"]
    assert (answer.status_code, error["code"]) == (409, "question")
    assert error["pointer"] == "#/restrictions"
    assert list(answer.json()["to_go_on"]) == ["restrictions"]


@pytest.mark.parametrize(("said", "stands"), [("stays", [SLOW]), ("lifted", [])])
def test_each_finish_says_whether_it_stays(
    said: str, stands: list[str], later: WorkOrder, shop: Workshop, call: Caller
) -> None:
    row, client = Restriction.objects.get(), call(shop.people.mechanic)
    assert finish(client, later, restrictions={str(row.pk): said}).status_code == 200
    assert client.get(address("vehicles/V-101")).json()["restrictions"] == stands
    assert client.get(address("vehicles/V-101/evidence")).json()["restrictions"] == stands
    listed = client.get(address("restrictions"), {"vehicle": "V-101"}).json()["rows"]
    assert [one["text"] for one in listed] == stands
    card = client.get(address(f"work-orders/{later.number}/card")).json()
    assert card["restrictions"] == stands


def test_an_authorised_person_lifts_it(later: WorkOrder, shop: Workshop, call: Caller) -> None:
    row = Restriction.objects.get()
    where = address(f"restrictions/{row.pk}/lift")
    assert call(shop.people.mechanic).post(where, {"reason": "x"}, "json").status_code == 403
    boss = call(shop.people.supervisor)
    lifted = boss.post(where, {"reason": "new prop shaft"}, "json")
    assert (lifted.status_code, lifted.json()["lifted_reason"]) == (200, "new prop shaft")
    assert boss.post(where, {"reason": "again"}, "json").status_code == 409


def test_it_stands_in_the_rows_of_due_dates_and_of_orders(
    later: WorkOrder, shop: Workshop, call: Caller
) -> None:
    client = call(shop.people.supervisor)
    due = client.get(address("due-dates"), {"vehicle": "V-101"}).json()["rows"]
    orders = client.get(address("work-orders"), {"vehicle": "V-101"}).json()["rows"]
    assert [row["restrictions"] for row in (*due, *orders)] == [[SLOW]] * (len(due) + 2)
    lines = client.get(address("due-dates"), {"format": "csv"}).getvalue().decode().splitlines()
    assert [SLOW in line for line in lines if line.startswith("V-101")] == [True] * len(due)
    others = client.get(address("due-dates"), {"vehicle": "V-102"}).json()["rows"]
    assert others
    assert all(row["restrictions"] == [] for row in others)
