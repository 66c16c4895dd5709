"""Findings, do not use and deferrals by the API: who may, what follows."""

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.due.models import Deferral
from fleet.people.models import Person
from fleet.workorders.models import DoNotUse, Finding
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast
from tests.dashboard.workshop import Workshop, open_workshop


@pytest.fixture
def shop(running: Cast) -> Workshop:
    return open_workshop(running)


def report(client: APIClient, **given: Any) -> Any:
    found = {
        "vehicle": "V-101",
        "kind": "missing sealant",
        "severity": "soon",
        "text": "the plug seeps",
        "client_key": "a-seeping-plug",
        **given,
    }
    return client.post(address("findings"), found, "json")


def test_a_finding_is_reported_once_under_its_key(shop: Workshop, call: Caller) -> None:
    mechanic = call(shop.people.mechanic)
    sent = [report(mechanic) for _ in range(2)]
    assert [answer.status_code for answer in sent] == [201, 201]
    row = Finding.objects.get()
    assert (row.kind, row.text, row.vehicle) == (
        *("missing sealant", "the plug seeps"),
        shop.people.van,
    )


def test_a_finding_leads_to_an_order_and_a_leak_re_check(shop: Workshop, call: Caller) -> None:
    # check-values T-09: a plug resealed without sealant seeps
    report(call(shop.people.mechanic))
    where = f"findings/{Finding.objects.get().pk}/follow-up"
    given = {"what": "Seal the plug anew", "minutes": 20, "services": [], "re_check_days": 14}
    answer = call(shop.people.supervisor).post(address(where), given, "json")
    assert answer.status_code == 201, answer.json()
    assert Finding.objects.get().follow_ups.count() == 1


def test_findings_of_another_depot_are_not_seen(shop: Workshop, call: Caller) -> None:
    report(call(shop.people.mechanic))
    assert call(shop.people.outsider).get(address("findings")).json()["rows"] == []
    assert report(call(shop.people.outsider), client_key="of-another").status_code == 404


def mark(client: APIClient) -> Any:
    given = {"vehicle": "V-101", "reason": "soft pedal"}
    return client.post(address("do-not-use"), given, "json")


def clear(client: APIClient) -> Any:
    where = f"do-not-use/{DoNotUse.objects.get().pk}/clear"
    return client.post(address(where), {"reason": "bled, firm"}, "json")


def test_do_not_use_is_set_by_anyone_and_cleared_by_another_who_may(
    shop: Workshop, call: Caller
) -> None:
    assert mark(call(shop.people.supervisor)).status_code == 201
    assert clear(call(shop.people.supervisor)).status_code == 403  # not who set it
    assert clear(call(shop.people.mechanic)).status_code == 403  # not by this role
    assert clear(call(shop.second_supervisor)).status_code in (200, 204)
    assert DoNotUse.objects.get().cleared_by == shop.second_supervisor


def defer(client: APIClient, person: Person, days: int = 20) -> Any:
    until = timezone.now().date() + timedelta(days=days)
    given = {"vehicle": "V-101", "service": "engine-oil", "until_on": str(until), "reason": "trip"}
    return client.post(address("deferrals"), given, "json")


def test_a_deferral_keeps_who_and_why_and_a_mechanic_may_not(shop: Workshop, call: Caller) -> None:
    assert defer(call(shop.people.mechanic), shop.people.mechanic).status_code == 403
    assert defer(call(shop.people.supervisor), shop.people.supervisor).status_code == 201
    row = Deferral.objects.get()
    assert (row.person, row.reason) == (shop.people.supervisor, "trip")


def test_the_evidence_pack_is_there_as_json_and_csv(shop: Workshop, call: Caller) -> None:
    viewer = call(shop.people.viewer)
    where = address("vehicles/<str:fleet_number>/evidence", fleet_number="V-101")
    assert viewer.get(where).status_code == 200
    assert viewer.get(where, headers={"Accept": "text/csv"})["Content-Type"].startswith("text/csv")


def test_the_share_done_on_time_is_told_by_month(shop: Workshop, call: Caller) -> None:
    assert "rows" in call(shop.people.viewer).get(address("on-time")).json()
