import re
from collections.abc import Callable
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from pytest_django import DjangoAssertNumQueries

from fleet.dashboard.orders import todays_orders
from fleet.people.models import Person, Role
from fleet.workorders import findings, progress
from fleet.workorders.models import WorkOrder
from tests.cast import depots_day, person, vehicle
from tests.dashboard.workshop import Workshop, finish, released

SignedIn = Callable[[Person], Client]


def page(client: Client, query: str = "") -> str:
    return client.get(f"/todays-orders{query}").content.decode()


def test_a_mechanic_finds_what_is_nobodys_and_their_own(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.mechanic)
    assert shop.order.number in page(client)
    shop.start()
    assert "started" in page(client)


def test_the_order_of_another_is_shown_only_when_asked_for(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    other = person("Mo", Role.MECHANIC, shop.people.plain)
    assert shop.order.number not in page(signed_in(other))
    assert shop.order.number in page(signed_in(other), "?whose=everybody")


def test_orders_of_another_depot_are_not_shown(shop: Workshop, signed_in: SignedIn) -> None:
    assert shop.order.number not in page(signed_in(shop.people.outsider))


@pytest.mark.parametrize(("days", "shown"), [(-3, True), (0, True), (3, False)])
def test_what_was_left_over_is_todays_and_what_comes_later_is_not(
    days: int, shown: bool, shop: Workshop, signed_in: SignedIn
) -> None:
    on = depots_day() + timedelta(days=days)
    progress.plan(shop.actor(shop.people.supervisor), shop.order.pk, planned_on=on)
    seen = page(signed_in(shop.people.mechanic))
    assert (shop.order.number in seen) is shown
    assert ("carried over from" in seen) is (days < 0)


def test_a_drafted_order_is_not_for_the_workshop_yet(shop: Workshop, signed_in: SignedIn) -> None:
    WorkOrder.objects.update(state=WorkOrder.State.DRAFTED)
    assert "Nothing is planned" in page(signed_in(shop.people.mechanic))


def test_do_not_use_is_said_with_its_reason(shop: Workshop, signed_in: SignedIn) -> None:
    findings.set_do_not_use(
        shop.actor(shop.people.viewer), vehicle=shop.people.van, reason="brake pipe chafed"
    )
    seen = page(signed_in(shop.people.mechanic))
    assert "Do not use" in seen
    assert "brake pipe chafed" in seen
    assert "#shape-stop" in seen


def test_a_day_of_very_many_goes_on_behind_the_last_one_shown(
    shop: Workshop, signed_in: SignedIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(todays_orders, "PAGE_ROWS", 2)
    for number in range(4):
        released(
            shop.people, vehicle(f"W-{number}", shop.people.plain, shop.people.van_type), shop.oil
        )
    WorkOrder.objects.filter(vehicle__fleet_number="W-3").update(
        state=WorkOrder.State.STARTED, planned_on=None
    )
    left_over = depots_day() - timedelta(days=2)
    WorkOrder.objects.filter(vehicle__fleet_number="W-2").update(planned_on=left_over)
    client, query, seen = signed_in(shop.people.supervisor), "?depot=plain", []
    while query:
        html = page(client, query)
        seen.append(re.findall(r'<span class="order-vehicle">([^<]+)<', html))
        following = re.search(r'href="/todays-orders([^"]+after=[^"]+)"', html)
        query = following[1].replace("&amp;", "&") if following else ""
        assert not query or "depot=plain" in query
    # under way without a day, then by day, and of one day by what was drafted first
    assert seen == [["W-3", "W-2"], ["V-101", "W-0"], ["W-1"]]
    monkeypatch.setattr(todays_orders, "PAGE_ROWS", 5)
    assert "after=" not in page(client)  # a page that is just full is the last


def test_the_number_of_queries_does_not_grow_with_the_day(
    shop: Workshop, signed_in: SignedIn, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for number in range(6):
        van = vehicle(f"W-{number}", shop.people.plain, shop.people.van_type)
        released(shop.people, van, shop.oil)
    client = signed_in(shop.people.mechanic)
    # session, person, depots; orders with their jobs, what stands on vehicles; what else they could
    # have done: open jobs, then re-checks, due dates and other work; what is finished, by whom
    with django_assert_num_queries(8):
        page(client)


@pytest.mark.django_db
def test_the_script_for_working_offline_is_had_without_signing_in() -> None:
    answer = Client().get("/service-worker.js")
    assert answer["Content-Type"].startswith("text/javascript")
    assert b"todays-orders" in answer.content


# --- what is finished ------------------------------------------------------------------------
def _finished(html: str) -> str:
    return html.partition("Finished today: ")[2].partition("</details>")[0]


def test_what_is_finished_stays_at_hand_below_the_day(shop: Workshop, signed_in: SignedIn) -> None:
    assert "Finished today" not in page(signed_in(shop.people.mechanic))
    finish(shop)
    seen = page(signed_in(shop.people.mechanic))
    assert "Nothing is planned" in seen
    assert _finished(seen).startswith("1<")
    assert f'href="{shop.page}"' in _finished(seen)
    assert "Engine oil" in _finished(seen)
    finished_at = WorkOrder.objects.get().finished_at
    assert finished_at is not None
    by_the_depots_clock = finished_at.astimezone(ZoneInfo(shop.people.plain.zone))
    assert f"· {by_the_depots_clock:%H:%M}<" in _finished(seen)


def test_what_another_finished_is_shown_when_everybodys_is_asked_for(
    shop: Workshop, signed_in: SignedIn
) -> None:
    finish(shop)
    other = signed_in(person("Mo", Role.MECHANIC, shop.people.plain))
    assert _finished(page(other)) == ""
    assert shop.order.number in _finished(page(other, "?whose=everybody"))
    assert _finished(page(signed_in(shop.people.outsider), "?whose=everybody")) == ""


@pytest.mark.parametrize(("before_midnight", "shown"), [(0, True), (1, False)])
def test_the_day_of_what_is_finished_begins_at_the_depots_midnight(
    before_midnight: int, shown: bool, shop: Workshop, signed_in: SignedIn
) -> None:
    finish(shop)
    midnight = datetime.combine(depots_day(), time(), ZoneInfo(shop.people.plain.zone))
    WorkOrder.objects.update(finished_at=midnight - timedelta(seconds=before_midnight))
    assert (_finished(page(signed_in(shop.people.mechanic))) != "") is shown
