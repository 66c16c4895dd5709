"""The grid in which baselines of many vehicles are entered at once."""

import re
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from fleet import chain
from fleet.due.models import ServiceDone
from fleet.people.models import Person
from fleet.vehicles.models import Meter, Vehicle
from tests.cast import Cast, depots_day
from tests.dashboard.rendered import form, page, send
from tests.kept import kept

SignedIn = Callable[[Person], Client]
PAGE = "/baselines"


@kept
def unknown(people: Cast) -> Cast:
    """Vans that joined used, read for ten weeks at 630 km a week from 5,000 km on; no papers."""
    ServiceDone.objects.all().delete()
    Vehicle.objects.update(joined_as="used", in_service_on=None, joined_on=date(2025, 1, 1))
    chain.refresh([van.pk for van in Vehicle.objects.all()], timezone.now())
    return people


def keys(html: str) -> list[str]:
    return re.findall(r'name="row" value="([\d-]+)"', html)


def filled(key: str, **typed: str) -> dict[str, str]:
    """A row as it is typed: done 30 days ago, where 630 km a week make some 8,000 km."""
    on = (depots_day() - timedelta(days=30)).isoformat()
    given = {"done_on": on, "total": "8000", "source": "invoice 9"} | typed
    return {f"{name}-{key}": value for name, value in given.items()}


def enter(client: Client, html: str, **typed: str) -> Any:
    """As the browser sends it: every row's mark, and what was typed."""
    where, fields = form(html, "Enter the rows filled in")
    return client.post(where, {**fields, "row": keys(html), **typed})


def test_the_row_leads_to_the_grid_and_its_own_vehicle_stands_first(
    unknown: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(unknown.clerk)
    due = page(client, "/due")
    link = re.search(r'href="(/baselines\?service=engine-oil&amp;vehicle=V-102)"', due)
    assert link is not None
    html = page(client, link[1].replace("&amp;", "&"))
    assert keys(html) == [f"{van.pk}-{_oil(html)}" for van in (unknown.second_van, unknown.van)]
    assert "Enter when 2 services without a history were last done" in due


def test_a_vehicle_without_history_leads_there_and_has_no_evidence_to_judge(
    unknown: Cast, signed_in: SignedIn
) -> None:
    link = 'href="/baselines?vehicle=V-101"'
    assert link in page(signed_in(unknown.clerk), "/vehicles/V-101")
    assert link not in page(signed_in(unknown.viewer), "/vehicles/V-101")
    seen = page(signed_in(unknown.viewer), "/vehicles/V-101/evidence")
    assert "No service is recorded for this vehicle." in seen
    assert "not judged" not in seen


def _oil(html: str) -> str:
    return keys(html)[0].partition("-")[2]


def test_rows_filled_in_are_entered_and_shown_as_they_were_taken(
    unknown: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(unknown.clerk)
    html = page(client, PAGE)
    first, second = keys(html)
    answer = enter(client, html, **filled(first), **filled(second, total="8 100 km", source=""),
                   source="service books")  # fmt: skip
    assert answer.status_code == 302
    rows = ServiceDone.objects.order_by("pk")
    assert [(row.total_km, row.source) for row in rows] == [
        (8_000, "invoice 9"),
        (8_100, "service books"),
    ]
    seen = page(client, PAGE)
    assert "Entered 2 baselines; due dates follow: V-101 Engine oil on" in seen
    assert "at 8,000 km" in seen
    assert "Every service of these vehicles has a history." in seen
    assert "Enter when" not in page(client, "/due")


def test_what_was_typed_stays_where_a_row_has_a_fault_and_the_others_are_entered(
    unknown: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(unknown.clerk)
    html = page(client, PAGE)
    first, second = keys(html)
    answer = enter(client, html, **filled(first), **filled(second, total="eight"), source="books")
    assert answer.status_code == 422
    left = answer.content.decode()
    assert keys(left) == [second]
    _, fields = form(left, "Enter the rows filled in")
    assert fields[f"total-{second}"] == "eight"
    assert fields[f"source-{second}"] == "invoice 9"
    assert fields["source"] == "books"
    assert "1 row needs a look" in left
    assert ServiceDone.objects.get().vehicle == unknown.van
    again = enter(client, left, **{f"total-{second}": "8000"})
    assert again.status_code == 302
    assert ServiceDone.objects.count() == 2


def test_a_total_that_the_readings_contradict_is_asked_about_in_its_row(
    unknown: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(unknown.clerk)
    html = page(client, PAGE)
    first, _ = keys(html)
    answer = enter(client, html, **filled(first, total="80000"))
    assert answer.status_code == 409
    left = answer.content.decode()
    assert "80,000 km on" in left
    assert "It may have been meant as 8,000 km: one digit too many" in left
    assert not ServiceDone.objects.exists()
    assert enter(client, left).status_code == 409  # the same again is asked about again
    assert enter(client, left, **{f"why-{first}": "a new instrument"}).status_code == 302
    assert ServiceDone.objects.get().why_it_stands == "a new instrument"


def test_a_vehicle_that_shows_miles_is_read_in_miles(unknown: Cast, signed_in: SignedIn) -> None:
    Meter.objects.filter(vehicle=unknown.van).update(unit="mi")
    client = signed_in(unknown.clerk)
    html = page(client, PAGE)
    assert "Odometer [mi]" in html
    first, _ = keys(html)
    enter(client, html, **filled(first, total="5000"))
    # 1 mile = 1.609344 km, international yard and pound agreement of 1959
    assert ServiceDone.objects.get().total_km == pytest.approx(8_046.72)


def test_an_untouched_form_enters_nothing(unknown: Cast, signed_in: SignedIn) -> None:
    client = signed_in(unknown.clerk)
    html = page(client, PAGE)
    send(client, html, "Enter the rows filled in", row=keys(html), source="books")
    assert "Nothing was filled in, so nothing was entered." in page(client, PAGE)
    assert not ServiceDone.objects.exists()


def test_who_may_not_enter_sees_the_list_without_fields(unknown: Cast, signed_in: SignedIn) -> None:
    client = signed_in(unknown.viewer)
    html = page(client, PAGE)
    assert keys(html) == []
    assert "A clerk or a supervisor enters what documents say." in html
    assert "a document that says so gives it a date" in page(client, "/due")
    assert "/baselines" not in page(client, "/due")
    key = keys(page(signed_in(unknown.clerk), PAGE))[0]
    answer = client.post(f"{PAGE}/enter", {"row": key, **filled(key)})
    assert answer.status_code == 403
    assert not ServiceDone.objects.exists()


def test_vehicles_of_other_depots_are_neither_shown_nor_entered(
    unknown: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(unknown.clerk)
    key = f"{unknown.hill_van.pk}-{_oil(page(client, PAGE))}"
    assert key not in keys(page(client, PAGE))  # the bare text may stand in a date
    client.post(f"{PAGE}/enter", {"row": key, **filled(key)})
    assert not ServiceDone.objects.exists()


@pytest.mark.parametrize("row", ["", "x-y", "1-", "999999-1", "1-999999", "9" * 40 + "-1"])
def test_a_row_that_is_none_is_passed_over(row: str, unknown: Cast, signed_in: SignedIn) -> None:
    client = signed_in(unknown.clerk)
    assert client.post(f"{PAGE}/enter", {"row": row, f"total-{row}": "5"}).status_code == 302


def test_long_lists_go_on(
    unknown: Cast, signed_in: SignedIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fleet.dashboard.views.baselines.ROWS", 1)
    client = signed_in(unknown.clerk)
    html = page(client, PAGE)
    more = re.search(r'href="(/baselines\?service=&amp;after=[^"]*)"', html)
    assert more is not None
    rest = page(client, more[1].replace("&amp;", "&"))
    assert [*keys(html), *keys(rest)] == keys(page_of(client, monkeypatch))
    assert "Next rows" not in rest


def page_of(client: Client, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr("fleet.dashboard.views.baselines.ROWS", 25)
    return page(client, PAGE)


def test_the_number_of_queries_does_not_grow_with_the_rows(
    unknown: Cast,
    signed_in: SignedIn,
    monkeypatch: pytest.MonkeyPatch,
    django_assert_num_queries: DjangoAssertNumQueries,
) -> None:
    client = signed_in(unknown.clerk)
    page(client, PAGE)
    monkeypatch.setattr("fleet.dashboard.views.baselines.ROWS", 1)
    with django_assert_num_queries(12, exact=False) as counted:
        page(client, PAGE)
    with django_assert_num_queries(len(counted)):
        page_of(client, monkeypatch)
