"""Due: sorted, put together, over a period, on paper, and as orders."""

import re
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from fleet.dashboard import words as said
from fleet.dashboard.views import due as view
from fleet.due.models import DueDate
from fleet.people.models import Person
from fleet.workorders.models import Job, WorkOrder
from tests.cast import Cast, depots_day, vehicle
from tests.dashboard.workshop import Workshop

SignedIn = Callable[[Person], Client]


def page(client: Client, query: str = "") -> str:
    answer = client.get(f"{reverse('due')}?{query}")
    assert answer.status_code == 200
    return answer.content.decode()


def rows_of(html: str) -> str:
    return html.split('<tbody id="due-rows"', 1)[1].split("</tbody>", 1)[0]


def test_every_heading_sorts_and_says_so(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    assert 'aria-sort="ascending"' in page(client)
    for name, words, _ in view.COLUMNS:
        head = re.search(rf'<a class="sorts" id="sort-{name}" href="([^"]+)"', page(client))
        assert head, words
        html = client.get(head[1].replace("&amp;", "&")).content.decode()
        (said,) = re.findall(r'aria-sort="(\w+)"[^>]*>\s*<a class="sorts" id="sort-(\w+)"', html)
        assert said[1] == name


def test_the_same_heading_again_turns_the_list_round(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    down, up = (rows_of(page(client, f"sort={way}vehicle")) for way in ("-", ""))
    assert up.index("V-101") < up.index("V-102")
    assert down.index("V-102") < down.index("V-101")


def test_groups_have_headings_with_their_counts_and_go_on_after_more(
    people: Cast, signed_in: SignedIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = signed_in(people.supervisor)
    html = rows_of(page(client, "group=service"))
    assert html.count('scope="rowgroup"') == 1
    assert "2 services" in html
    monkeypatch.setattr(view, "PAGE_ROWS", 1)
    assert 'scope="rowgroup"' not in rows_of(page(client, "group=service&skip=1"))


@pytest.mark.parametrize("group", ["vehicle", "depot", "week"])
def test_a_list_is_put_together_by(group: str, people: Cast, signed_in: SignedIn) -> None:
    assert 'scope="rowgroup"' in rows_of(page(signed_in(people.supervisor), f"group={group}"))


def test_the_counts_of_states_follow_the_other_filters(people: Cast, signed_in: SignedIn) -> None:
    DueDate.objects.update(beyond_by_reading=True, sort_on=date(2026, 1, 1))
    html = page(signed_in(people.supervisor), "search=V-101")
    assert re.search(r'id="state-overdue"><strong>1</strong>', html)


def test_days_ahead_keep_what_is_overdue_and_a_month_says_it_leaves_it_out(
    people: Cast, signed_in: SignedIn
) -> None:
    today = depots_day()
    late = DueDate.objects.filter(vehicle=people.van)
    late.update(beyond_by_reading=True, p50=today, sort_on=today - timedelta(days=40))
    soon = today + timedelta(days=20)
    DueDate.objects.filter(vehicle=people.second_van).update(sort_on=soon, p50=soon)
    client = signed_in(people.supervisor)
    rows = rows_of(page(client, "period=30"))
    assert ("V-101" in rows, "V-102" in rows) == (True, True)
    month = page(client, f"period={soon:%Y-%m}")
    assert ("V-101" in rows_of(month), "V-102" in rows_of(month)) == (False, True)
    assert "1 service fell due, or probably did, before" in month


def test_a_month_ends_on_its_last_day(people: Cast, signed_in: SignedIn) -> None:
    rows = DueDate.objects.filter(vehicle=people.van)
    client = signed_in(people.supervisor)
    for on, listed in ((date(2028, 2, 29), True), (date(2028, 3, 1), False)):  # a leap year
        rows.update(sort_on=on, p50=on)
        assert ("Nothing fits" in page(client, "period=2028-02&search=V-101")) is not listed


@pytest.mark.parametrize("asked", ["period=soon", "period=2026-13", "from=never", "until=1.1.2026"])
def test_a_period_that_is_none_is_named(asked: str, people: Cast, signed_in: SignedIn) -> None:
    assert "is not a" in page(signed_in(people.supervisor), asked)


def test_what_nobody_wrote_sorts_as_usual(people: Cast, signed_in: SignedIn) -> None:
    assert "V-101" in page(signed_in(people.supervisor), "sort=-nonsense&group=nothing&skip=x")


def test_a_saved_list_keeps_its_order(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    client.post("/due/lists", {"name": "Worst", "query": "sort=-life&group=depot"})
    assert 'href="/due?sort=-life&amp;group=depot"' in page(client)


def test_paper_says_how_many_rows_are_missing_or_has_them_all(
    people: Cast, signed_in: SignedIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(view, "PAGE_ROWS", 2)
    one = DueDate.objects.get(vehicle=people.van)
    for number in range(3):
        one.pk, one.vehicle = None, vehicle(f"W-{number}", people.plain, people.van_type)
        one.save()
    client = signed_in(people.supervisor)
    first = page(client)
    assert re.search(r"3 more rows<span class=\"paper-only\"> are not on this paper", first)
    key = re.search(r"after=([^&]+)&amp;skip=2", first)
    assert key
    assert "1 more row<" in page(client, f"after={key[1]}&skip=2")
    assert "not on this paper" not in page(client, "rows=all")


def test_states_of_very_many_rows_are_not_counted_to_the_end(
    people: Cast, signed_in: SignedIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    for place in (said, view):
        monkeypatch.setattr(place, "MOST_COUNTED", 2)
    monkeypatch.setattr(view, "PAGE_ROWS", 1)
    one = DueDate.objects.filter(vehicle=people.van).first()
    assert one is not None
    for number in range(3):
        one.pk, one.vehicle = None, vehicle(f"W-{number}", people.plain, people.van_type)
        one.save()
    client = signed_in(people.supervisor)
    many = page(client)
    assert "<strong>over 2</strong>" in many
    assert re.search(
        r"<span class=\"quiet small\">more rows<span class=\"paper-only\"> are not", many
    )
    assert "<strong>1</strong>" in page(client, "search=W-0")


# --- orders for the chosen -------------------------------------------------------------------
def boxes(html: str) -> list[str]:
    return re.findall(r'form="draft-many" name="row" value="([^"]+)"', html)


def draft(client: Client, *rows: str, **more: str) -> str:
    given = {"row": list(rows), **more}
    return client.post("/work-orders/draft-many", given, follow=True).content.decode()


def test_the_chosen_rows_become_one_order_for_each_vehicle(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    rows = boxes(page(client, "search=V-102"))
    assert rows == ["engine-oil:V-102"]
    said = draft(client, *rows)
    order = WorkOrder.objects.get(vehicle=shop.people.second_van)
    assert f"Drafted 1 order. {order.number} for V-102: Engine oil." in said
    assert list(order.jobs.values_list("service__slug", flat=True)) == ["engine-oil"]


def test_the_same_choice_sent_twice_makes_nothing_new_and_says_so(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    draft(client, "engine-oil:V-102", "engine-oil:V-102")
    before = Job.objects.count()
    order = WorkOrder.objects.get(vehicle=shop.people.second_van)
    said = draft(client, "engine-oil:V-102")
    assert f"V-102 Engine oil is on {order.number} already; nothing was added." in said
    assert Job.objects.count() == before


def test_what_is_not_ones_own_or_not_there_is_not_drafted(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client, before = signed_in(shop.people.supervisor), WorkOrder.objects.count()
    said = draft(client, "engine-oil:V-201", "nothing:V-102", "engine-oil:X-9", "odd")
    assert "None of the chosen rows is there any more" in said
    assert "Choose rows first" in draft(client)
    assert WorkOrder.objects.count() == before


def test_who_may_not_release_has_nothing_to_choose(shop: Workshop, signed_in: SignedIn) -> None:
    client = signed_in(shop.people.viewer)
    assert boxes(page(client)) == []
    given = {"row": "engine-oil:V-102"}
    assert client.post("/work-orders/draft-many", given).status_code == 403
