"""Findings to follow up soon are among what needs the supervisor, the oldest first."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from fleet.people.models import Person
from fleet.workorders import findings
from fleet.workorders.findings import Report
from fleet.workorders.models import Finding, WorkOrder
from tests.dashboard.forms import forms_of
from tests.dashboard.test_overview import page, part, text
from tests.dashboard.test_overview_need import opened, press
from tests.dashboard.workshop import Workshop

pytestmark = pytest.mark.django_db
SignedIn = Callable[[Person], Client]


def reported(shop: Workshop, what: str, severity: str, ago_d: int) -> Finding:
    made = findings.report(
        shop.actor(shop.people.mechanic),
        Report(vehicle=shop.people.van, kind="leak", severity=severity, text=what,
               client_key=f"finding-{what}"),
    )  # fmt: skip
    at = timezone.now().replace(hour=12) - timedelta(days=ago_d)  # the same day in each depot
    Finding.objects.filter(pk=made.pk).update(performed_at=at)
    made.refresh_from_db()
    return made


def test_findings_to_follow_up_soon_are_counted_with_the_oldest_and_lead_to_their_rows(
    shop: Workshop, signed_in: SignedIn
) -> None:
    reported(shop, "a drip every ten seconds", "soon", 2)
    first = reported(shop, "damp at the plug", "soon", 5)
    reported(shop, "only to watch", "watch", 9)
    client = signed_in(shop.people.supervisor)
    seen = part(page(client), "needs")
    on = first.performed_at
    assert f"2 findings to follow up soon, the oldest since {on.day} {on:%b %Y}" in text(seen)
    assert 'href="/findings?severity=soon#finding-rows"' in seen
    rows = client.get("/findings?severity=soon").content.decode().split('id="finding-rows"')[1]
    assert ("ten seconds" in rows, "at the plug" in rows, "to watch" in rows) == (True, True, False)
    form = opened(client, "soon")
    assert 0 < form.index("damp at the plug") < form.index("a drip every ten seconds")
    assert "only to watch" not in form


def test_one_is_put_on_an_order_or_closed_in_place(shop: Workshop, signed_in: SignedIn) -> None:
    found = reported(shop, "a drip every ten seconds", "soon", 2)
    client = signed_in(shop.people.supervisor)
    forms = [one for one in forms_of(opened(client, "soon")) if str(found.pk) in one.action]
    order, close = forms
    press(client, order, what="seal it")
    assert WorkOrder.objects.get(follows=found).jobs.get(service=None).title == "seal it"
    said = press(client, close, reason="dried up")
    found.refresh_from_db()
    assert found.closed_reason == "dried up"
    assert "soon" not in part(said, "needs")
