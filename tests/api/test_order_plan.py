"""PostgreSQL finds a mechanic's day by the partial index, whatever else the table keeps."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.workorders.models import WorkOrder
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, depots_day

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif(
        connection.vendor != "postgresql", reason="plans are PostgreSQL's: run it there"
    ),
]
KEPT = 10_000  # years of orders that were signed off


def order(people: Cast, number: int, state: str) -> WorkOrder:
    day = depots_day() - timedelta(days=0 if state == "released" else number % 2_000)
    return WorkOrder(
        number=f"W-{state[0]}{number}",
        vehicle=people.van,
        depot=people.plain,
        assigned_to=None if state == "drafted" else people.mechanic,
        planned_on=day,
        state=state,
    )


def plan_of(people: Cast, call: Caller) -> tuple[str, int]:
    client = call(people.mechanic)
    with CaptureQueriesContext(connection) as captured:
        shown = client.get(address("work-orders"), {"planned_on": "today", "assigned_to": "me"})
    listed = next(one["sql"] for one in captured if 'FROM "workorders_workorder"' in one["sql"])
    with connection.cursor() as cursor:
        cursor.execute(f"EXPLAIN {listed}")
        return "\n".join(row[0] for row in cursor.fetchall()), len(shown.json()["rows"])


def test_a_mechanics_day_is_read_from_its_own_index(people: Cast, call: Caller) -> None:
    rows = [order(people, number, "signed off") for number in range(KEPT)]
    rows += [order(people, number, "drafted") for number in range(2_000)]  # the depot's backlog
    rows += [order(people, number, "released") for number in range(5)]
    WorkOrder.objects.bulk_create(rows, batch_size=2_000)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE workorders_workorder")
    plan, shown = plan_of(people, call)
    assert shown == 5
    assert "orders_open_by_person" in plan, plan
    assert "Seq Scan on workorders_workorder" not in plan, plan
