from datetime import timedelta

import pytest
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries
from rest_framework.test import APIClient

from fleet.consumables.models import MonthlyDemand, OrderProposal
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast
from tests.stores import shelf


@pytest.fixture
def clerk(people: Cast, call: Caller) -> APIClient:
    """Three months of two items at the clerk's depot, one of them at the other depot too."""
    present = timezone.now().date().replace(day=1)
    months = [present, *((present + timedelta(days=days)).replace(day=1) for days in (32, 250))]
    items = [shelf.item("gear-oil"), shelf.item("washer", kind="seal", unit="pieces")]
    figures = {"mean": 1234.56, "p50": 1000, "p80": 1500, "p95": 2000, "packs": 2}
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
    assert set(row) == promised | {"unit"}
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
    with django_assert_num_queries(1):
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
