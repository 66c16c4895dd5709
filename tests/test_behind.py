"""Behind a key come the rows that a sorted list has after it: ties, days that are empty, both ways.

What is expected is a slice of the rows as Python sorts them.
"""

from datetime import date
from itertools import product

import pytest
from django.db import connection

from fleet.behind import Behind
from fleet.due.listing import due_rows
from fleet.due.models import DueDate
from fleet.vehicles.models import Vehicle
from fleet.workorders import listing
from fleet.workorders.models import WorkOrder
from tests import scene

pytestmark = pytest.mark.django_db
DAYS = (None, date(2026, 3, 2), None, date(2026, 3, 1), date(2026, 3, 2), date(2026, 3, 1))


@pytest.fixture
def orders() -> list[WorkOrder]:
    van = scene.van()
    return [
        WorkOrder.objects.create(
            number=f"W-{at}", vehicle=van, depot=van.depot, planned_on=day, version=at % 2 + 1
        )
        for at, day in enumerate(DAYS)
    ]


def test_behind_each_order_of_a_day_come_the_rest_and_those_without_a_day_first(
    orders: list[WorkOrder],
) -> None:
    in_order = sorted(orders, key=lambda one: (one.planned_on or date.min, one.pk))
    rows = listing.in_order_of_day(WorkOrder.objects.all())
    assert list(rows) == in_order
    for at, one in enumerate(in_order):
        found = listing.after(rows, one.planned_on or date.min, one.pk)
        assert list(found) == in_order[at + 1 :]


@pytest.mark.parametrize("descending", [False, True])
def test_the_first_column_counts_most_whichever_way_the_list_goes(
    orders: list[WorkOrder], descending: bool
) -> None:
    keys = sorted(((one.version, one.pk) for one in orders), reverse=descending)
    for at, key in enumerate(keys):
        rows = WorkOrder.objects.filter(Behind(("version", "pk"), key, descending=descending))
        found = sorted(rows.values_list("version", "pk"), reverse=descending)
        assert found == keys[at + 1 :]


def test_a_key_as_a_cursor_holds_it_is_read_as_its_columns_are(orders: list[WorkOrder]) -> None:
    dated = sorted(one.pk for one in orders if one.planned_on == date(2026, 3, 2))
    rows = WorkOrder.objects.filter(Behind(("planned_on", "pk"), ("2026-03-02", dated[0])))
    assert [one.pk for one in rows] == dated[1:]


def test_every_key_of_a_list_must_be_given_a_value() -> None:
    with pytest.raises(ValueError, match="zip"):
        list(WorkOrder.objects.filter(Behind(("planned_on", "pk"), (1,))))


def test_due_dates_of_one_day_go_on_by_vehicle_and_then_by_service() -> None:
    services = [scene.service("engine"), scene.service("gearbox")]
    vans = [scene.van(f"V-{number}") for number in range(3)]
    for (at, van), oil in product(enumerate(vans), services):
        day = date(2026, 7, 1 + (at == 2))
        DueDate.objects.create(
            vehicle=van, service=oil, depot=van.depot, p50=day, sort_on=day, history_known=True,
            binding_limit="km", duty_class="normal", inputs_hash=0,
        )  # fmt: skip
    whole = due_rows()
    keys = [(one.sort_on, one.vehicle_id, one.service_id) for one in whole]
    assert keys == sorted(keys)
    assert len(keys) == 6
    for at, key in enumerate(keys):
        assert due_rows(after=key) == whole[at + 1 :]


def test_an_index_is_entered_at_the_key() -> None:
    key = (date(2026, 7, 1), 1, 1)
    rows = DueDate.objects.filter(Behind(("sort_on", "vehicle_id", "service_id"), key))
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            for way in ("seqscan", "bitmapscan", "sort", "incremental_sort"):  # there are few rows
                cursor.execute(f"SET LOCAL enable_{way} = off")
    plan = rows.order_by("sort_on", "vehicle_id", "service_id").explain()
    entered = {"postgresql": "ROW(sort_on, vehicle_id, service_id) > ROW("}.get(
        connection.vendor, "(sort_on,vehicle_id,service_id)>(?,?,?)"
    )
    assert "due_by_day" in plan
    assert entered in plan


def test_no_vehicle_is_behind_the_last() -> None:
    last = scene.van()
    key = (last.fleet_number, last.pk)
    assert not Vehicle.objects.filter(Behind(("fleet_number", "pk"), key)).exists()
