"""Card and order name what the vehicle has due on another order; the API's card says the same."""

from collections.abc import Callable
from datetime import timedelta

from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet.people.models import Person
from fleet.workorders.models import Job, WorkOrder
from tests.cast import depot, depots_day
from tests.dashboard.workshop import INVENTED, Workshop
from tests.visits.depot import due_on

SignedIn = Callable[[Person], Client]


def other_order(shop: Workshop) -> WorkOrder:
    """For tomorrow: gearbox oil of the same van, 286 days late."""
    van, kind = shop.people.van, shop.people.van.vehicle_type
    box = kind.compartments.create(slug="gearbox", kind="gearbox", name="Gearbox", source=INVENTED)
    gearbox = kind.services.create(
        compartment=box, slug="gearbox-oil", name="Gearbox oil", source=INVENTED
    )
    due_on(van, gearbox, depots_day() - timedelta(days=286), in_d=-286)
    order = WorkOrder.objects.create(
        number="W-000777",
        vehicle=van,
        depot=van.depot,
        planned_on=depots_day() + timedelta(days=1),
    )
    Job.objects.create(order=order, vehicle=van, service=gearbox, title=gearbox.name)
    return order


def test_card_and_order_name_it_with_how_late_which_order_and_which_day(
    shop: Workshop, signed_in: SignedIn
) -> None:
    order = other_order(shop)
    client = signed_in(shop.people.mechanic)
    tomorrow = f"{order.planned_on:%a} {order.planned_on.day} {order.planned_on:%b}"  # type: ignore[union-attr]
    for address in (shop.page, f"{shop.page}/card"):
        html = client.get(address).content.decode()
        told = " ".join(html.split("Also due on this vehicle")[1].split("</ul>")[0].split())
        assert "Gearbox oil (286 days late), on order" in told
        assert f'href="/work-orders/{order.number}"' in told
        assert f"for {tomorrow}" in told


def test_the_card_of_the_api_names_it_too(shop: Workshop, signed_in: SignedIn) -> None:
    order = other_order(shop)
    client = signed_in(shop.people.mechanic)
    (told,) = client.get(f"/api/v1{shop.page}/card").json()["also_due"]
    assert (told["name"], told["late_d"], told["order"]) == ("Gearbox oil", 286, order.number)


def test_an_order_of_a_depot_that_is_not_seen_is_not_named(
    shop: Workshop, signed_in: SignedIn
) -> None:
    order = other_order(shop)
    order.depot = depot("far")
    order.save()
    client = signed_in(shop.people.mechanic)
    for address in (shop.page, f"{shop.page}/card", "/todays-orders"):
        html = client.get(address).content.decode()
        told = " ".join(html.split()).replace("late), at", "late) at")
        assert "Gearbox oil (286 days late) at another depot" in told
        assert order.number not in html
    (told,) = client.get(f"/api/v1{shop.page}/card").json()["also_due"]
    assert (told["name"], told["order"], told["planned_on"]) == ("Gearbox oil", "", None)


def test_todays_orders_name_it_too_and_the_api_does_in_its_list(
    shop: Workshop, signed_in: SignedIn
) -> None:
    order = other_order(shop)
    client = signed_in(shop.people.mechanic)
    html = " ".join(client.get("/todays-orders").content.decode().split())
    assert f"Gearbox oil (286 days late) on {order.number}" in html
    for asked in ("", "&assigned_to=me"):
        (row,) = client.get(f"/api/v1/work-orders?planned_on=today{asked}").json()["rows"]
        (told,) = row["also_due"]
        assert (told["name"], told["late_d"], told["order"]) == ("Gearbox oil", 286, order.number)
    rows = client.get("/api/v1/work-orders").json()["rows"]
    assert {row["also_due"] for row in rows} == {None}


def test_the_list_asks_one_statement_for_it(shop: Workshop, signed_in: SignedIn) -> None:
    other_order(shop)
    client = signed_in(shop.people.mechanic)
    client.get("/api/v1/work-orders")
    with CaptureQueriesContext(connection) as plain:
        client.get(f"/api/v1/work-orders?planned_on={depots_day()}")
    with CaptureQueriesContext(connection) as today:
        client.get("/api/v1/work-orders?planned_on=today")
    assert sum("due_duedate" in one["sql"] for one in today) == 1
    # the zones of the depots, what other orders have, when that is due
    assert len(today) <= len(plain) + 3
