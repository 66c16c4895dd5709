"""A failed check stands on the overview, on Findings, at its vehicle and on its order."""

from collections.abc import Callable

import pytest
from django.test import Client

from fleet.due.models import CheckFigure, CheckResult, Service
from fleet.people.models import Person
from fleet.workorders.checks import measure
from fleet.workorders.models import Finding, Job
from tests.dashboard.test_overview import page, part, text
from tests.dashboard.test_overview_need import opened, send
from tests.dashboard.workshop import INVENTED, Workshop

SignedIn = Callable[[Person], Client]


def failed(shop: Workshop, slug: str, calls_for: Service | None) -> CheckResult:
    figure = CheckFigure.objects.create(
        service=shop.oil, slug=slug, name="Water", unit="%", pass_to=2, calls_for=calls_for,
        source=INVENTED,
    )  # fmt: skip
    actor = shop.actor(shop.people.mechanic)
    return measure(actor, shop.now(), figure=figure, value=4.0, client_key=f"{slug}-key")


@pytest.fixture
def brake(shop: Workshop) -> Service:
    shop.start()
    made = Service.objects.create(
        vehicle_type=shop.people.van.vehicle_type,
        compartment=shop.oil.compartment,
        slug="brake-fluid",
        name="Brake fluid",
        source=INVENTED,
    )
    failed(shop, "moisture", made)
    return made


def test_its_change_is_put_on_an_order_from_the_overview(
    shop: Workshop, brake: Service, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    assert "1 failed check without an answer" in text(part(page(client), "needs"))
    seen = opened(client, "failed")
    assert "Brake fluid is due now and on no order." in text(seen)
    said = send(client, seen, row="brake-fluid:V-101")
    assert "Drafted 1 order." in said
    assert Job.objects.get(service=brake).vehicle == shop.people.van
    assert "failed check" not in part(page(client), "needs")


def test_nothing_chosen_drafts_nothing(shop: Workshop, brake: Service, signed_in: SignedIn) -> None:
    client = signed_in(shop.people.supervisor)
    assert "Choose rows first" in send(client, opened(client, "failed"))
    assert not Job.objects.filter(service=brake).exists()


def test_the_figure_leads_to_its_rows(shop: Workshop, brake: Service, signed_in: SignedIn) -> None:
    failed(shop, "urea", None)
    client = signed_in(shop.people.supervisor)
    needs = part(page(client), "needs")
    assert "2 failed checks without an answer" in text(needs)
    assert 'href="/findings#failed"' in needs
    rows = client.get("/findings").content.decode().split('id="failed"')[1].split("</section>")[0]
    assert rows.count("V-101</a>") == 2
    assert "No change is named for it" in rows
    assert Finding.objects.get().severity == "soon"


def test_without_the_right_to_release_it_is_only_read(
    shop: Workshop, brake: Service, signed_in: SignedIn
) -> None:
    seen = signed_in(shop.people.viewer).get("/findings").content.decode()
    rows = seen.split('id="failed"')[1].split("</section>")[0]
    assert "Water" in rows
    assert "<input" not in rows.replace('<input type="hidden"', "")


def test_vehicle_and_order_say_what_it_asks_for(
    shop: Workshop, brake: Service, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    seen = text(client.get("/vehicles/V-101").content.decode())
    assert "Brake fluid is due now, and no order has it." in seen
    assert "called for: Brake fluid" in text(client.get(shop.page).content.decode())
