"""Checks, findings, notes and photos taken back on the order's page, with what followed."""

from collections.abc import Callable
from datetime import date

import pytest
from django.test import Client
from django.utils import timezone
from pytest_django import Settings

from fleet import chain
from fleet.due.models import CheckFigure, CheckResult, DueDate, DueEarlier
from fleet.people.models import Person
from fleet.stores.models import Product
from fleet.workorders import checks, findings, fluids, photos, recording
from fleet.workorders.findings import Report
from fleet.workorders.fluids import Pouring
from fleet.workorders.models import DoNotUse, Finding, FluidRecord, Note
from tests.api.conftest import picture
from tests.dashboard.rendered import page, send
from tests.dashboard.workshop import INVENTED, Workshop, rain_water

SignedIn = Callable[[Person], Client]


@pytest.fixture
def client(shop: Workshop, signed_in: SignedIn) -> Client:
    shop.start()
    return signed_in(shop.people.mechanic)


def measured(shop: Workshop) -> CheckResult:
    """A value that fails, typed wrongly, and calls for the change."""
    figure = CheckFigure.objects.create(
        service=shop.oil, slug="moisture", name="Moisture", unit="%", pass_to=1,
        calls_for=shop.oil, source=INVENTED,
    )  # fmt: skip
    actor = shop.actor(shop.people.mechanic)
    return checks.measure(actor, shop.order, figure=figure, value=40, client_key="typed-wrongly")


def due_on(shop: Workshop, *, refreshed: bool = True) -> date:
    if refreshed:
        chain.refresh([shop.order.vehicle_id], timezone.now())
    return DueDate.objects.get(service=shop.oil, vehicle=shop.order.vehicle).sort_on


def poured(shop: Workshop) -> FluidRecord:
    """The wrong product, chosen by mistake: a finding, and *do not use*."""
    product = Product.objects.get(slug="wrong")
    actor = shop.actor(shop.people.mechanic)
    return fluids.fluid(
        actor,
        shop.job.pk,
        Pouring(
            way="filled",
            litres=1.5,
            product=product,
            client_key="wrong-chosen",
            override_reason="chosen by mistake",
        ),
    ).record


def form_of(kind: str, pk: int) -> str:
    return f"records/{kind}/{pk}/withdraw"


def test_a_value_taken_back_calls_for_nothing_any_more(shop: Workshop, client: Client) -> None:
    before = due_on(shop)
    row = measured(shop)
    assert due_on(shop) < before
    seen = page(client, shop.page)
    assert "Called for: Engine oil: goes with it." in seen
    send(client, seen, form_of("check", row.pk), reason="4.0 was meant")
    row.refresh_from_db()
    assert (row.withdrawn_by, row.withdrawn_reason) == (shop.people.mechanic, "4.0 was meant")
    assert DueEarlier.objects.get().withdrawn_at is not None
    assert due_on(shop, refreshed=False) == before


def test_it_stays_struck_through_with_who_and_why(shop: Workshop, client: Client) -> None:
    row = measured(shop)
    send(client, page(client, shop.page), form_of("check", row.pk), reason="4.0 was meant")
    seen = page(client, shop.page)
    assert "<s>Moisture 40 %</s>" in seen
    assert "taken back by Mika" in seen
    assert "4.0 was meant" in seen
    assert form_of("check", row.pk) not in seen
    assert "40" not in page(client, "/vehicles/V-101").partition("Measured last")[2][:300]


def test_a_note_a_finding_and_a_photo_are_taken_back(
    shop: Workshop, client: Client, settings: Settings, tmp_path: object
) -> None:
    settings.MEDIA_ROOT = tmp_path
    actor, order = shop.actor(shop.people.mechanic), shop.order
    rows = {
        "note": recording.note(actor, order.pk, text="rusty", client_key="a-rusty-note"),
        "photo": photos.add(actor, picture(), client_key="a-rusty-photo", order=order),
        "finding": findings.report(
            actor,
            Report(
                vehicle=order.vehicle,
                kind="seep",
                severity="soon",
                text="damp",
                client_key="a-damp-finding",
                order=order,
            ),
        ),
    }
    for kind, row in rows.items():
        send(client, page(client, shop.page), form_of(kind, row.pk), reason="other van")
        row.refresh_from_db()
        assert row.withdrawn_reason == "other van"
        assert row.withdrawn_at is not None
    assert page(client, shop.page).count("taken back by Mika") == 3
    assert "damp" not in page(client, f"{shop.page}/card").partition("What else")[0]


def test_what_a_wrong_fluid_raised_goes_in_the_same_breath(shop: Workshop, client: Client) -> None:
    row = poured(shop)
    finding = Finding.objects.get()
    also = f"finding-{finding.pk}"
    seen = page(client, shop.page)
    assert f'value="{also}"' in seen
    send(client, seen, form_of("fluid", row.pk), reason="typed the other", also=also)
    finding.refresh_from_db()
    assert finding.withdrawn_by == shop.people.mechanic
    # a mark still needs the other person, who is named
    assert "stays until Sol or Sura clears it" in seen
    assert DoNotUse.objects.get().cleared_at is None


def test_untouched_the_form_takes_back_nothing_else(shop: Workshop, client: Client) -> None:
    row = poured(shop)
    send(client, page(client, shop.page), form_of("fluid", row.pk), reason="typed the other")
    assert Finding.objects.get().withdrawn_by is None
    assert DoNotUse.objects.get().cleared_at is None


def test_the_other_person_clears_the_mark_in_the_same_breath(
    shop: Workshop, client: Client, signed_in: SignedIn
) -> None:
    row = poured(shop)
    mark = DoNotUse.objects.get()
    other = signed_in(shop.people.supervisor)
    also = [f"mark-{mark.pk}", f"finding-{mark.finding_id}"]
    send(other, page(other, shop.page), form_of("fluid", row.pk), reason="misread", also=also)
    mark.refresh_from_db()
    assert (mark.cleared_by, mark.cleared_reason) == (shop.people.supervisor, "misread")


def test_whoever_set_the_mark_is_told_who_may_clear_it(shop: Workshop, client: Client) -> None:
    row = poured(shop)
    also = f"mark-{DoNotUse.objects.get().pk}"
    answer = send(client, page(client, shop.page), form_of("fluid", row.pk), reason="x", also=also)
    assert answer.status_code == 403
    row.refresh_from_db()
    assert row.withdrawn_by is None


def test_old_rows_without_a_link_offer_nothing(shop: Workshop, client: Client) -> None:
    row = poured(shop)
    Finding.objects.update(fluid=None)
    part = page(client, shop.page).partition(form_of("fluid", row.pk))[2].partition("</form>")[0]
    assert "What followed" not in part


def test_a_finding_is_taken_back_from_the_findings_page(shop: Workshop, client: Client) -> None:
    actor = shop.actor(shop.people.supervisor)
    finding = findings.report(actor, rain_water(shop.order.vehicle))
    seen = page(client, "/findings")
    assert "stays until Sol clears it" in seen
    send(client, seen, 'value="take back"', reason="it was rain water")
    finding.refresh_from_db()
    assert finding.withdrawn_reason == "it was rain water"
    assert Note.objects.count() == 0
    assert timezone.now() >= finding.withdrawn_at
