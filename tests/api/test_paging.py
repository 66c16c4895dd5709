from urllib.parse import parse_qs, urlsplit

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from pytest_django import DjangoAssertNumQueries
from rest_framework.test import APIClient

from fleet.readings.models import Reading
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, vehicle

LISTS = ("vehicles", "readings", "usage", "duty", "due-dates", "uploads", "runs", "duty/overrides")


@pytest.fixture
def clerk(running: Cast, call: Caller) -> APIClient:
    return call(running.clerk)


def follow(client: APIClient, where: str) -> list[list[dict[str, object]]]:
    pages = []
    while where:
        answer = client.get(where)
        assert answer.status_code == 200
        pages.append(answer.json()["rows"])
        where = answer.json()["next"]
    return pages


@pytest.mark.parametrize("pattern", ["vehicles", "readings", "usage", "due-dates"])
def test_pages_together_are_the_whole_list_in_order(clerk: APIClient, pattern: str) -> None:
    whole = clerk.get(address(pattern), {"limit": 500}).json()["rows"]
    pages = follow(clerk, address(pattern) + "?limit=1")
    assert [row for page in pages for row in page] == whole
    assert [len(page) for page in pages] == [1] * len(whole)
    assert len(whole) >= 2


def test_a_later_page_is_entered_where_it_begins(clerk: APIClient) -> None:
    # by its key as one: a choice between bounds takes no index to its place
    following = clerk.get(address("due-dates"), {"limit": 1}).json()["next"]
    with CaptureQueriesContext(connection) as captured:
        clerk.get(following)
    assert any('"due_duedate"."service_id") > (' in one["sql"] for one in captured)


def test_a_full_last_page_has_no_next(clerk: APIClient) -> None:
    assert clerk.get(address("vehicles"), {"limit": 2}).json()["next"] is None


def test_the_way_on_keeps_the_filters_and_is_a_link_too(clerk: APIClient) -> None:
    answer = clerk.get(address("readings"), {"vehicle": "V-101", "limit": 3})
    following = answer.json()["next"]
    assert parse_qs(urlsplit(following).query)["vehicle"] == ["V-101"]
    assert answer["Link"] == f'<{following}>; rel="next"'


def test_rows_that_come_meanwhile_neither_repeat_nor_hide_others(
    running: Cast, clerk: APIClient
) -> None:
    first = clerk.get(address("vehicles"), {"limit": 1}).json()
    vehicle("A-001", running.plain, running.van_type)  # sorts before what was shown
    second = clerk.get(first["next"]).json()
    assert [row["fleet_number"] for row in first["rows"] + second["rows"]] == ["V-101", "V-102"]


def test_a_row_that_goes_meanwhile_hides_no_other(running: Cast, clerk: APIClient) -> None:
    first = clerk.get(address("readings"), {"limit": 5}).json()
    Reading.objects.filter(pk=first["rows"][-1]["id"]).delete()
    second = clerk.get(first["next"]).json()
    assert second["rows"][0]["id"] == max(
        Reading.objects.filter(
            pk__lt=first["rows"][-1]["id"], vehicle__depot=running.plain
        ).values_list("pk", flat=True)
    )


def test_a_cursor_of_another_list_or_made_up_is_refused(clerk: APIClient) -> None:
    cursor = parse_qs(urlsplit(clerk.get(address("readings"), {"limit": 1}).json()["next"]).query)
    for wrong in (cursor["cursor"][0], "W10:1xYz:abc", "\0"):
        answer = clerk.get(address("duty"), {"cursor": wrong})
        assert answer.status_code == 400
        assert answer.json()["errors"][0]["pointer"] == "?cursor"


@pytest.mark.parametrize("pattern", LISTS)
@pytest.mark.parametrize("limit", [1, 500])
def test_a_list_takes_a_fixed_number_of_statements_whatever_its_size(
    clerk: APIClient,
    django_assert_max_num_queries: DjangoAssertNumQueries,
    pattern: str,
    limit: int,
) -> None:
    cache.clear()
    most = 3 if pattern == "due-dates" else 2  # restrictions stand in a later stage's table
    with django_assert_max_num_queries(most):
        assert clerk.get(address(pattern), {"limit": limit}).status_code == 200
