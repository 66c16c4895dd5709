import html
import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from fleet.people.models import Person, Role
from fleet.vehicles.models import Vehicle
from fleet.workorders.models import WorkOrder
from tests import scene
from tests.cast import person
from tests.workorders.conftest import bay
from tests.workorders.test_booking import Shop, shop

__all__ = ["bay", "shop"]
pytestmark = pytest.mark.django_db
SignedIn = Callable[[Person], Client]
NONE = "No work order was finished"


def read(client: Client, address: str) -> str:
    return " ".join(client.get(html.unescape(address)).content.decode().split())


def without_order(page: str) -> int:
    """How many services the page says were recorded without a work order."""
    return sum(map(int, re.findall("([0-9]+) services? recorded without", page)))


def test_costs_of_a_year_before_are_a_tap_away(shop: Shop, signed_in: SignedIn) -> None:
    keeper = signed_in(person("Stella", Role.STORES, scene.depot()))
    shop.finish()
    WorkOrder.objects.update(finished_at=timezone.now())
    assert "year to" not in read(keeper, "/costs")
    WorkOrder.objects.update(finished_at=timezone.now() - timedelta(days=400))
    page = read(keeper, "/costs?by=service")
    assert NONE in page
    (before,) = re.findall(r'href="(/costs[?]by=service&amp;until=[^"]+)"', page)
    page = read(keeper, before)
    assert NONE not in page
    lacking, now = without_order(page), without_order(read(keeper, "/costs"))
    van, oil = Vehicle.objects.get(), scene.service("engine")
    scene.done(van, oil, timezone.now().date() - timedelta(days=500), 9_000)
    assert without_order(read(keeper, before)) == lacking + 1
    assert without_order(read(keeper, "/costs")) == now
    year = before.rpartition("=")[2]
    assert len(re.findall(r'aria-current="page"> ?year to', page)) == 1
    assert f'by=depot&amp;until={year}"' in page
    (kept,) = re.findall(r'href="(/costs[.]csv[?][^"]+)"', page)
    assert len(keeper.get(html.unescape(kept)).content.decode().splitlines()) == 2
    assert len(keeper.get("/costs.csv?by=service").content.decode().splitlines()) == 1
    assert NONE in read(keeper, "/costs?until=1999-01-01")
