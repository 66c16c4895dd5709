from datetime import timedelta

import pytest
from pytest_django import DjangoAssertNumQueries
from rest_framework.test import APIClient

from fleet.consumables.models import MonthlyDemand, OrderProposal, TransferProposal
from fleet.stores.models import Item
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, depots_day
from tests.stores import shelf


@pytest.fixture
def clerk(people: Cast, call: Caller) -> APIClient:
    """Three months of two items at the clerk's depot, one of them at the other depot too."""
    present = depots_day().replace(day=1)
    months = [present, *((present + timedelta(days=days)).replace(day=1) for days in (32, 250))]
    items = [shelf.item("gear-oil"), shelf.item("washer", kind="seal", unit="pieces")]
    figures = {"mean": 1234.56, "p50": 1000, "p80": 1500, "p95": 2000}
    for depot, item in (
        (people.plain, items[0]),
        (people.plain, items[1]),
        (people.hill, items[0]),
    ):
        for month in months:
            MonthlyDemand.objects.create(depot=depot, item=item, month_on=month, **figures)
    given = {"packs": 2, "quantity": 2000, "needed": 1900, "on_hand": 100, "on_order": 0}
    for depot in (people.plain, people.hill):
        OrderProposal.objects.create(
            depot=depot, item=items[0], pack=items[0].packs.get(), order_by_on=present, **given
        )
    return call(people.clerk)


def test_demand_has_the_promised_keys(clerk: APIClient) -> None:
    row = clerk.get(address("demand")).json()["rows"][0]
    promised = {"depot", "item", "month", "mean", "p50", "p80", "p95", "packs", "order_by"}
    beside = {"name", "unit", "cumulative", "on_hand", "usable", "free", "pack", "runs_out"}
    assert set(row) == promised | beside
    assert (row["name"], row["unit"], row["pack"]) == ("Gear oil", "mL", 1000)
    assert (row["depot"], row["item"], row["mean"]) == ("plain", "gear-oil", 1234.6)


def test_demand_covers_six_months_unless_more_are_asked_for(clerk: APIClient) -> None:
    assert len(clerk.get(address("demand")).json()["rows"]) == 4
    assert len(clerk.get(address("demand"), {"months": 12}).json()["rows"]) == 6
    assert clerk.get(address("demand"), {"months": 13}).status_code == 400


def test_only_ones_own_depots_are_shown(clerk: APIClient) -> None:
    rows = clerk.get(address("demand"), {"months": 12}).json()["rows"]
    assert {row["depot"] for row in rows} == {"plain"}
    assert clerk.get(address("demand"), {"depot": "hill"}).json()["rows"] == []


def test_pages_lead_through_all_rows(
    clerk: APIClient, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    with django_assert_num_queries(5):  # however many rows
        found = clerk.get(address("demand"), {"months": 12, "limit": 4}).json()
    rest = clerk.get(found["next"]).json()
    keys = [(row["item"], row["month"]) for row in (*found["rows"], *rest["rows"])]
    assert (len(keys), keys == sorted(keys), rest["next"]) == (6, True, None)


def test_proposals_say_what_to_order_and_why(clerk: APIClient) -> None:
    (row,) = clerk.get(address("order-proposals")).json()["rows"]
    assert (row["item"], row["packs"], row["pack_quantity"], row["quantity"]) == (
        *("gear-oil", 2),
        *(1000, 2000),
    )
    assert (row["needed"], row["on_hand"], row["on_order"]) == (1900, 100, 0)


def test_the_need_adds_up_beside_the_stock_and_an_order_only_where_one_is_proposed(
    clerk: APIClient, people: Cast
) -> None:
    oil = Item.objects.get(slug="gear-oil")
    shelf.stock(oil, people.plain, on_hand=3_000)
    rows = clerk.get(address("demand"), {"months": 12}).json()["rows"]
    gear, washer = rows[:3], rows[3:]
    # by hand: 1,234.56 a month, in three months
    assert [row["cumulative"] for row in gear] == [1234.6, 2469.1, 3703.7]
    assert [row["free"] for row in gear] == [1765, 531, -704]
    assert {(row["on_hand"], row["usable"], row["pack"], row["packs"]) for row in gear} == {
        (3000, 3000, 1000, 2)
    }
    assert all(row["order_by"] for row in gear)
    assert {(row["on_hand"], row["packs"], row["order_by"]) for row in washer} == {(0, None, None)}
    assert {row["runs_out"] for row in washer} == {depots_day().isoformat()}


def test_what_another_depot_should_give_is_told_to_the_one_that_lacks_it(
    clerk: APIClient, people: Cast, call: Caller
) -> None:
    TransferProposal.objects.create(
        **{"depot": people.plain, "from_depot": people.hill, "item": Item.objects.first()},
        **{"quantity": 2000, "needed": 1900, "usable": 100, "on_order": 0},
        order_by_on=depots_day(),
    )
    (row,) = clerk.get(address("transfer-proposals")).json()["rows"]
    assert (row["from_depot"], row["item"], row["quantity"]) == ("hill", "gear-oil", 2000)
    assert clerk.get(address("transfer-proposals"), {"depot": "hill"}).json()["rows"] == []
