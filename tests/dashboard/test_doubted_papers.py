from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from fleet.due.models import ServiceDone
from fleet.people.models import Person
from fleet.workorders.models import WorkOrder
from tests.cast import depots_day
from tests.dashboard.forms import forms_of
from tests.dashboard.workshop import Workshop

SignedIn = Callable[[Person], Client]
ADDRESS = "/vehicles/V-102/outside"
PDF = b"%PDF-1.4\n%EOF\n"


@pytest.fixture
def asked(shop: Workshop, signed_in: SignedIn) -> tuple[Client, str]:
    """The page that asks about 100,700 km, where about 10,000 km were on the odometer."""
    client = signed_in(shop.people.supervisor)
    given = {
        "service": "engine-oil",
        "done_on": (depots_day() - timedelta(days=3)).isoformat(),
        "workshop_name": "Outside",
        "invoice_number": "R-17",
        "odometer_km": "100700",
        "papers": SimpleUploadedFile("a.pdf", PDF, "application/pdf"),
    }
    answer = client.post(ADDRESS, given)
    assert answer.status_code == 409
    return client, answer.content.decode()


def sent(page: str) -> dict[str, Any]:
    """What a tap on the button of the question sends."""
    asking = next(form for form in forms_of(page) if "override_reason" in form.sent)
    assert (asking.action, asking.files) == (ADDRESS, ["papers"])
    return dict(asking.sent)


def test_the_page_asks_and_offers_what_may_have_been_meant(asked: tuple[Client, str]) -> None:
    _, page = asked
    assert "100,700 km on" in page
    assert "10,070 km: one digit too many" in page
    assert "Choose the document again" in page
    assert not WorkOrder.objects.filter(where="outside workshop").exists()


def test_a_reason_on_the_page_that_asks_lets_it_through(asked: tuple[Client, str]) -> None:
    client, page = asked
    client.post(ADDRESS, sent(page) | {"override_reason": "the instrument was exchanged"})
    row = ServiceDone.objects.get(evidence="outside workshop")
    assert (row.total_km, row.why_it_stands) == (100_700, "the instrument was exchanged")


def test_a_corrected_value_goes_through_without_a_reason(asked: tuple[Client, str]) -> None:
    client, page = asked
    assert sent(page)["odometer_km"] == ["100700"]
    client.post(ADDRESS, sent(page) | {"odometer_km": "10070"})
    row = ServiceDone.objects.get(evidence="outside workshop")
    assert (row.total_km, row.why_it_stands) == (10_070, "")


def test_the_same_value_without_a_reason_is_asked_about_again(asked: tuple[Client, str]) -> None:
    client, page = asked
    assert client.post(ADDRESS, sent(page)).status_code == 409
