from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from pytest_django import DjangoAssertNumQueries

from fleet.people.models import Person, Role
from fleet.workorders import findings, progress
from fleet.workorders.models import WorkOrder
from tests.cast import depots_day, person, vehicle
from tests.dashboard.workshop import Workshop, released

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


def test_the_number_of_queries_does_not_grow_with_the_day(
    shop: Workshop, signed_in: SignedIn, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for number in range(6):
        van = vehicle(f"W-{number}", shop.people.plain, shop.people.van_type)
        released(shop.people, van, shop.oil)
    client = signed_in(shop.people.mechanic)
    # session, person, depots; orders, their jobs, vehicles not to be used
    with django_assert_num_queries(7):
        page(client)


@pytest.mark.django_db
def test_the_script_for_working_offline_is_had_without_signing_in() -> None:
    answer = Client().get("/service-worker.js")
    assert answer["Content-Type"].startswith("text/javascript")
    assert b"todays-orders" in answer.content
