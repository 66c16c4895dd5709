"""Every form of the Vehicle page, sent with a fault, comes back with what was typed into it."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import resolve
from django.utils import timezone

from fleet.people.models import Person
from fleet.stores.models import Product
from fleet.vehicles.models import Vehicle
from fleet.visits import other_work
from fleet.workorders import findings, fluid_for
from fleet.workorders.findings import Report
from fleet.workorders.models import Finding, Restriction
from tests.cast import depots_day
from tests.dashboard.forms import Form, forms_of
from tests.dashboard.rendered import form, page, send
from tests.dashboard.workshop import INVENTED, Workshop

SignedIn = Callable[[Person], Client]
VAN = "/vehicles/V-101"
TYPED = {"text": "seen in bay 3 & said so", "decimal": "12,345", "date": "2026-03-04"}
# what is wrong with each form, and which of its boxes is ticked
FAULTS: dict[str, dict[str, Any]] = {
    "lift-restriction": {"reason": "   "},
    "clear-do-not-use": {"reason": "   "},
    "set-do-not-use": {"reason": "   "},
    "end-chosen-fluid": {"on": "2020-01-01"},
    "choose-fluid": {"from_on": "2099-05-02", "until_on": "2099-05-01"},
    "report-finding": {"text": "   "},
    "draft-order": {"planned_on": "soon", "service": ["gearbox-oil"]},
    "enter-outside-work": {"done_on": "2999-01-01", "service": ["engine-oil"]},
    "defer-service": {"until_on": "", "until_km": "a while"},
    "enter-other-work": {"minutes": "an hour"},
    "correct-other-work": {"minutes": "0"},
    "end-other-work": {"on": "2999-01-01", "ending": ["done"]},
    "add-reading": {"value": "about 78,000"},
    "override-duty": {"from_on": "2026-03-04", "until_on": "2026-03-03"},
}


@pytest.fixture
def van(shop: Workshop) -> Vehicle:
    """Everything that the page can offer a form about."""
    van, mechanic = shop.people.van, shop.actor(shop.people.mechanic)
    oil = shop.oil
    oil.pk, oil.slug, oil.name = None, "gearbox-oil", "Gearbox oil"
    oil.save()
    Restriction.objects.create(vehicle=van, text="not above 60 km/h", set_at=timezone.now())
    work = other_work.Given("inspection", "Yearly inspection", 60)
    other_work.enter(shop.actor(shop.people.supervisor), van, work)
    findings.set_do_not_use(mechanic, vehicle=van, reason="no firm pedal")
    fluid_for.choose_by_hand(
        shop.actor(shop.people.supervisor),
        vehicle=van,
        compartment=shop.people.engine,
        product=Product.objects.get(slug="right"),
        because="tried here",
        source=INVENTED,
        from_on=depots_day(),
    )
    return van


def typed_into(form: Form, name: str) -> dict[str, list[str]]:
    """Something in every field, with the fault of this form."""
    given = {key: list(values) for key, values in form.sent.items()}
    hidden = {key for key, values in given.items() if values[0]}
    empty = set(given) - hidden
    given |= {key: [TYPED["text"]] for key in empty if not key.endswith("_on")}
    given |= {key: [TYPED["date"]] for key in empty if key.endswith("_on")}
    given |= {key: [TYPED.get(kind, TYPED["text"])] for key, kind in form.needed.items()}
    given |= {one.name: [one.options[-1]] for one in form.selects}
    wrong = {key: v if isinstance(v, list) else [v] for key, v in FAULTS[name].items()}
    return given | wrong


def test_every_form_of_the_vehicle_page_keeps_what_was_typed_into_a_faulty_one(
    van: Vehicle, shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    sent = {}
    for offered in forms_of(page(client, VAN)):
        name = resolve(offered.action).url_name or ""
        if offered.method != "post" or name in ("sign-out", "make-calendar"):  # nothing to type
            continue
        given = typed_into(offered, name)
        answer = client.post(offered.action, given)
        assert answer.status_code == 422, name
        again = same(answer.content.decode(), offered.action)
        shown = again.sent | {one.name: [one.sent] for one in again.selects}
        assert shown == given | {"csrfmiddlewaretoken": shown["csrfmiddlewaretoken"]}, name
        sent[name] = given
    assert set(sent) == set(FAULTS)


def same(html: str, action: str) -> Form:
    (found,) = [one for one in forms_of(html) if one.action == action]
    return found


@pytest.mark.usefixtures("van")
def test_the_fault_stands_in_its_form_unfolded_with_the_cursor_in_the_wrong_field(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    given = {"until_on": "2026-03-04", "from_on": "2026-03-05", "reason": "tows", "unit": "km"}
    given |= {"compartment": str(shop.people.engine.pk), "duty_class": "severe"}
    html = client.post(f"{VAN}/duty", given).content.decode()
    shown = html[: html.index("</form>", html.index('id="refused"'))]
    assert shown.rindex("<details") < shown.rindex(f'action="{VAN}/duty"') < shown.rindex("refused")
    assert re.search(r"<details[^>]* open", shown[shown.rindex("<details") :])
    assert html.count('id="refused"') == html.count(" autofocus") == 1
    (wrong,) = re.findall(r"<[^>]* autofocus[^>]*>", html)
    assert 'aria-describedby="refused"' in wrong


@pytest.mark.usefixtures("van")
def test_a_refused_form_shows_its_fault_and_nothing_else_of_the_page_changes(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    before = page(client, VAN)
    answer = send(client, before, "Why it must not be used", reason="  ").content.decode()
    assert "Say why the vehicle must not be used." in answer
    assert outside_of_forms(answer) == outside_of_forms(before)


def outside_of_forms(html: str) -> str:
    made_anew = r"X-CSRFToken[^>]*>"
    return re.sub(rf"<form.*?</form>|<details[^>]*>|{made_anew}", "", html, flags=re.S)


def test_a_form_that_is_offered_no_more_says_its_fault_above_the_page(
    shop: Workshop, signed_in: SignedIn
) -> None:
    row = Restriction.objects.create(
        vehicle=shop.people.van, text="not above 60 km/h", set_at=timezone.now()
    )
    client = signed_in(shop.people.supervisor)
    html = page(client, VAN)
    Restriction.objects.filter(pk=row.pk).update(
        lifted_at=timezone.now(), lifted_by=shop.people.supervisor, lifted_reason="looked at"
    )
    answer = send(client, html, "Why it is lifted", reason="seen")
    assert answer.status_code == 302
    assert "notice-error" in page(client, VAN)
    assert Finding.objects.count() == 0


# --- people and findings -------------------------------------------------------------------------
def test_who_is_to_be_added_stands_there_again_with_the_fault(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    typed = {"name": "ida", "full_name": "Ida, night shift", "role": "clerk"}
    answer = send(client, page(client, "/people-and-tokens"), "Name to sign in by", **typed)
    html = answer.content.decode()
    assert (answer.status_code, "Choose at least one depot" in html) == (422, True)
    where, fields = form(html, "Name to sign in by")
    assert (fields["name"], fields["full_name"]) == (typed["name"], typed["full_name"])
    assert [one.sent for one in same(html, where).selects] == ["clerk"]
    assert not Person.objects.filter(username="ida").exists()


def test_what_became_of_a_finding_stands_there_again_with_the_fault(
    shop: Workshop, signed_in: SignedIn
) -> None:
    findings.report(
        shop.actor(shop.people.mechanic),
        Report(
            vehicle=shop.people.van,
            kind="seep",
            severity="watch",
            text="damp",
            client_key="a-finding",
        ),
    )
    client = signed_in(shop.people.supervisor)
    typed = {"what": "Look at the seep", "minutes": "ten", "re_check_days": "9"}
    answer = send(client, page(client, "/findings"), "What is to be done", **typed)
    assert answer.status_code == 422
    _, again = form(answer.content.decode(), "What is to be done")
    assert {name: again[name] for name in typed} == typed
