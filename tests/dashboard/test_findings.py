import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.test import Client

from fleet.dashboard.findings import findings as findings_page
from fleet.due.models import Deferral, DueEarlier, ServiceDone
from fleet.people.models import Person
from fleet.workorders import findings
from fleet.workorders.findings import Report
from fleet.workorders.models import DoNotUse, Finding, WorkOrder
from tests.cast import depots_day
from tests.dashboard.forms import Form, Select, forms_of
from tests.dashboard.workshop import Workshop, finish

SignedIn = Callable[[Person], Client]
VAN = "/vehicles/V-101"


def enter(client: Client, what: str, **given: Any) -> Any:
    return client.post(f"{VAN}/{what}", given, follow=True)


def reported(client: Client, **given: str) -> Finding:
    seen = {"finding": "seep", "severity": "watch", "text": "at the pan", "compartment": "engine"}
    enter(client, "findings", client_key="page-finding-1", **(seen | given))
    return Finding.objects.get()


def test_a_finding_is_reported_listed_and_closed(shop: Workshop, signed_in: SignedIn) -> None:
    finding = reported(signed_in(shop.people.clerk), found_by="driver")
    client = signed_in(shop.people.mechanic)
    seen = client.get("/findings").content.decode()
    assert "at the pan" in seen
    # who reported it and how it was seen are told apart: a clerk, of what a driver saw
    assert f'{shop.people.clerk} <span class="quiet small nowrap">(clerk)</span>' in seen
    assert "seen in use, " in seen
    assert "driver," not in seen
    client.post(f"/findings/{finding.pk}", {"reason": "wiped, stays dry"})
    assert "Nothing is open" in client.get("/findings").content.decode()
    assert (finding.found_by, Finding.objects.get().closed_by) == ("driver", shop.people.mechanic)


def test_a_leak_raises_an_order_and_a_re_check(shop: Workshop, signed_in: SignedIn) -> None:
    client = signed_in(shop.people.supervisor)
    finding = reported(client)
    given = {"change": "follow up", "what": "New pan gasket", "minutes": "50", "re_check_days": "7"}
    client.post(f"/findings/{finding.pk}", given)
    order = WorkOrder.objects.get(follows=finding)
    assert (order.jobs.get().title, order.jobs.get().minutes) == ("New pan gasket", 50)
    assert DueEarlier.objects.get().service.name == "Engine leak re-check"


def test_a_viewer_reports_and_closes_nothing(shop: Workshop, signed_in: SignedIn) -> None:
    finding = reported(signed_in(shop.people.mechanic))
    client = signed_in(shop.people.viewer)
    assert enter(client, "findings", finding="seep", severity="watch", text="x").status_code == 403
    assert client.post(f"/findings/{finding.pk}", {"reason": "x"}).status_code == 403
    assert Finding.objects.get().closed_at is None


def test_findings_of_another_depot_are_neither_seen_nor_changed(
    shop: Workshop, signed_in: SignedIn
) -> None:
    finding = reported(signed_in(shop.people.mechanic))
    client = signed_in(shop.people.outsider)
    assert "at the pan" not in client.get("/findings").content.decode()
    assert client.post(f"/findings/{finding.pk}", {"reason": "x"}).status_code == 404
    for what in ("findings", "do-not-use", "clear", "defer", "outside"):
        assert enter(client, what, reason="x").status_code == 404


def test_do_not_use_is_shown_everywhere_and_cleared_by_another(
    shop: Workshop, signed_in: SignedIn
) -> None:
    first, second = signed_in(shop.people.supervisor), signed_in(shop.second_supervisor)
    enter(first, "do-not-use", reason="brake pipe chafed")
    for page in ("/due?search=V-101", "/work-orders", "/findings", VAN, shop.page):
        assert "brake pipe chafed" in first.get(page).content.decode(), page
    mark = DoNotUse.objects.get().pk
    assert enter(first, "clear", mark=mark, reason="new pipe").status_code == 403
    assert "Why it may be used again" not in first.get(VAN).content.decode()
    enter(second, "clear", mark=mark, reason="new pipe")
    assert DoNotUse.objects.get().cleared_by == shop.second_supervisor


def test_a_service_is_deferred_with_a_reason_and_the_deferral_taken_back(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    until_on = depots_day().isoformat()
    enter(client, "defer", service="engine-oil", until_on=until_on, reason="no bay free")
    assert "deferred until" in client.get("/due?search=V-101").content.decode()
    client.post(f"/deferrals/{Deferral.objects.get().pk}/withdraw")
    assert "deferred until" not in client.get("/due?search=V-101").content.decode()


def test_an_ended_deferral_is_called_so_and_offers_nothing(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    until_on = depots_day().isoformat()
    enter(client, "defer", service="engine-oil", until_on=until_on, reason="no bay free")
    row = Deferral.objects.get()
    withdraw = f'action="/deferrals/{row.pk}/withdraw"'
    assert withdraw in client.get(VAN).content.decode()
    Deferral.objects.update(until_on=depots_day() - timedelta(days=1))
    seen = client.get(VAN).content.decode()
    assert (withdraw in seen, 'class="flag">ended<' in seen) == (False, True)
    said = client.post(f"/deferrals/{row.pk}/withdraw", follow=True).content.decode()
    assert "has ended by itself" in said


def defer_beyond(shop: Workshop, client: Client) -> str:
    given = {"service": "engine-oil", "until_km": "90000", "reason": "no bay"}
    return enter(client, "defer", **given).content.decode()


def test_beyond_tolerance_another_person_agrees_signed_in_themselves(
    shop: Workshop, signed_in: SignedIn
) -> None:
    first, second = signed_in(shop.people.supervisor), signed_in(shop.second_supervisor)
    assert "waits until another supervisor agrees" in defer_beyond(shop, first)
    assert "deferred until" not in first.get("/due?search=V-101").content.decode()
    address = f"/deferrals/{Deferral.objects.get().pk}/agree"
    assert address not in first.get(VAN).content.decode()
    assert address in second.get(VAN).content.decode()
    assert address in second.get("/work-orders").content.decode()
    second.post(address)
    assert "deferred until" in first.get("/due?search=V-101").content.decode()
    assert Deferral.objects.get().second_person == shop.second_supervisor


def test_who_asked_or_may_not_defer_does_not_agree(shop: Workshop, signed_in: SignedIn) -> None:
    people, first = shop.people, signed_in(shop.people.supervisor)
    defer_beyond(shop, first)
    address = f"/deferrals/{Deferral.objects.get().pk}/agree"
    for who, status in ((people.supervisor, 403), (people.mechanic, 403), (people.outsider, 404)):
        assert signed_in(who).post(address).status_code == status
    assert Deferral.objects.get().second_person is None


def test_a_mechanic_does_not_defer(shop: Workshop, signed_in: SignedIn) -> None:
    client = signed_in(shop.people.mechanic)
    given = {"service": "engine-oil", "until_km": "20000", "reason": "x"}
    assert enter(client, "defer", **given).status_code == 403
    assert "Defer a service" not in client.get(VAN).content.decode()


def test_papers_of_an_outside_workshop_move_the_due_date(
    shop: Workshop, signed_in: SignedIn
) -> None:
    today = depots_day()
    given = {"service": "engine-oil", "done_on": today.isoformat(), "odometer_km": "10 680"}
    given |= {"workshop_name": "Corner garage", "invoice_number": "77", "cost": "120.50"}
    enter(signed_in(shop.people.supervisor), "outside", **given)
    done = ServiceDone.objects.latest("pk")
    assert (done.total_km, done.source) == (10_680, "Corner garage, invoice 77")
    assert WorkOrder.objects.latest("pk").cost_minor == 12_050
    assert WorkOrder.objects.get(pk=shop.order.pk).jobs.get().state == "dropped"


@pytest.mark.parametrize(
    ("typed", "total_km", "total_h"),
    [
        ({"odometer_km": "6,640", "unit": "mi"}, 10_686.0, None),  # of 1.609344 km
        ({"odometer_km": "10,680 km", "unit": "mi", "total_h": "412.5"}, 10_680.0, 412.5),
        ({"total_h": "412.5 h"}, None, 412.5),
    ],
)
def test_totals_of_papers_are_read_in_the_units_they_are_typed_in(
    typed: dict[str, str],
    total_km: float | None,
    total_h: float | None,
    shop: Workshop,
    signed_in: SignedIn,
) -> None:
    given = {"service": "engine-oil", "done_on": depots_day().isoformat()}
    given |= {"workshop_name": "Corner garage", "invoice_number": "77"}
    enter(signed_in(shop.people.supervisor), "outside", **given, **typed)
    done = ServiceDone.objects.latest("pk")
    assert done.source == "Corner garage, invoice 77"
    assert done.total_km == pytest.approx(total_km, abs=0.1)
    assert done.total_h == total_h


def test_papers_of_a_vehicle_that_counts_hours_take_no_distance(
    shop: Workshop, signed_in: SignedIn
) -> None:
    given = {"service": "engine-oil", "done_on": depots_day().isoformat(), "unit": "h"}
    client = signed_in(shop.people.supervisor)
    said = enter(client, "outside", **given, odometer_km="300 km").content.decode()
    assert "“km” is no unit of this meter: write h." in unescape(said)
    assert not ServiceDone.objects.filter(source__contains="invoice").exists()


def test_evidence_names_what_a_service_rested_on(shop: Workshop, signed_in: SignedIn) -> None:
    finish(shop)
    client = signed_in(shop.people.viewer)
    seen = client.get(f"{VAN}/evidence").content.decode()
    assert f"work order {shop.order.number}" in seen
    assert "not judged: from a document" in seen
    lines = client.get(f"{VAN}/evidence.csv").content.decode("utf-8-sig").splitlines()
    assert lines[0].startswith("Service,Done on,At [km]")
    assert lines[2].split(",")[2] == "10700.0"
    assert signed_in(shop.people.outsider).get(f"{VAN}/evidence").status_code == 404


def seen_at_the_van(shop: Workshop, severity: str, text: str) -> Finding:
    return findings.report(
        shop.actor(shop.people.mechanic),
        Report(
            vehicle=shop.people.van,
            kind="seep",
            severity=severity,
            text=text,
            client_key=f"{text}-001",
        ),
    )


def test_the_most_pressing_finding_comes_first_and_pages_go_on(
    shop: Workshop, signed_in: SignedIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    for severity, text in (("watch", "damp"), ("before use", "stream"), ("soon", "drops")):
        seen_at_the_van(shop, severity, text)
    client = signed_in(shop.people.supervisor)
    rows = client.get("/findings").content.decode().split('id="finding-rows"', 1)[1]
    assert rows.index("stream") < rows.index("drops") < rows.index("damp")
    monkeypatch.setattr(findings_page, "PAGE_ROWS", 1)
    seen = client.get("/findings").content.decode()
    more = re.search(r'href="(/findings\?[^"]*after=[^"]+)"', seen)
    assert more
    rest = client.get(more[1].replace("&amp;", "&")).content.decode()
    assert "drops" in rest.split('id="finding-rows"', 1)[1]
    assert "stream" not in rest.split('id="finding-rows"', 1)[1]


def test_findings_are_narrowed_by_how_pressing_and_by_words(
    shop: Workshop, signed_in: SignedIn
) -> None:
    for severity, text in (("watch", "damp"), ("soon", "drops")):
        seen_at_the_van(shop, severity, text)
    client = signed_in(shop.people.supervisor)
    soon = client.get("/findings?severity=soon").content.decode()
    assert "drops" in soon
    assert "damp" not in soon
    words = client.get("/findings?search=DAMP").content.decode()
    assert "drops" not in words
    assert "<strong>1</strong> watch" in words
    assert "<strong>0</strong> soon" in words
    assert "Nothing fits" in client.get("/findings?search=nothing").content.decode()


def test_open_findings_stand_on_top_of_the_vehicle(shop: Workshop, signed_in: SignedIn) -> None:
    seen_at_the_van(shop, "soon", "drops")
    seen = signed_in(shop.people.viewer).get("/vehicles/V-101").content.decode()
    assert "1 open finding</a>: <strong>soon</strong> seep" in seen
    assert seen.index("1 open finding") < seen.index('id="services"')


def test_who_found_it_is_preset_for_a_mechanic_alone_and_can_be_changed(
    shop: Workshop, signed_in: SignedIn
) -> None:
    address = f"/vehicles/{shop.people.van.fleet_number}"

    def form_of(who: Person) -> tuple[Form, Select, str]:
        page = signed_in(who).get(address).content.decode()
        (form,) = [one for one in forms_of(page) if one.action.endswith("/findings")]
        return form, next(one for one in form.selects if one.name == "found_by"), page

    form, select, page = form_of(shop.people.mechanic)
    assert (select.chosen, select.options[0]) == ("mechanic", "")
    assert "Found by (set: your role)" in page
    _, select, page = form_of(shop.people.clerk)
    assert (select.chosen, "set: your role" in page) == (None, False)


def test_after_reporting_the_page_opens_at_what_it_says(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.mechanic)
    given = {"finding": "seep", "severity": "watch", "text": "damp", "found_by": "mechanic"}
    answer = client.post(f"{VAN}/findings", {**given, "client_key": "page-finding-1"})
    assert answer["Location"] == f"{VAN}#said"
    seen = client.get(VAN).content.decode()
    assert 'id="said"' in seen
    assert "Reported: " in seen
