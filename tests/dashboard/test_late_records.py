"""Records of a phone without a network that come when the order has ended meanwhile."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from fleet.due.models import CheckFigure, CheckResult, Fill
from fleet.people.models import Person
from fleet.workorders import ending, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.models import DoNotUse, Evidence, Finding, FluidRecord, Note, TorqueRecord
from tests.dashboard.rendered import form, page, send
from tests.dashboard.workshop import INVENTED, Workshop

SignedIn = Callable[[Person], Client]


class Phone:
    """The mechanic's card as it was opened before the network went away."""

    def __init__(self, shop: Workshop, client: Client) -> None:
        shop.start()
        self.shop, self.client = shop, client
        self.html = page(client, f"{shop.page}/card")
        self.at = timezone.now()

    def sends(self, mark: str, at: datetime | None = None, **typed: Any) -> Any:
        where, fields = form(self.html, mark)
        typed["performed_at"] = (at or self.at).isoformat()
        typed["person"] = str(self.shop.people.mechanic.pk)
        return self.client.post(where, {**fields, **typed}, headers={"X-Queue": "1"})


@pytest.fixture
def phone(shop: Workshop, signed_in: SignedIn) -> Phone:
    CheckFigure.objects.create(
        service=shop.oil, slug="moisture", name="Moisture", unit="%", pass_to=1, source=INVENTED
    )
    shop.oil.procedure.steps.filter(kind="inspect").update(kind="measure")
    return Phone(shop, signed_in(shop.people.mechanic))


def signed_off(shop: Workshop) -> None:
    actor = shop.actor(shop.people.supervisor)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10_700, fit_for_use="yes"))
    ending.sign_off(shop.actor(shop.second_supervisor), shop.order.pk)


def test_what_was_done_before_the_sign_off_is_taken_after_it(phone: Phone, shop: Workshop) -> None:
    signed_off(shop)
    torque = phone.sends("Tightened to 39.3", whole="yes")
    filled = phone.sends("Record filled", litres="1.5", product="right")
    assert (torque.status_code, filled.status_code) == (200, 200)
    assert TorqueRecord.objects.get().performed_at == phone.at
    assert Fill.objects.filter(product__slug="right", quantity_ml=1500).exists()


def test_a_wrong_fluid_that_comes_late_still_stops_the_vehicle(
    phone: Phone, shop: Workshop
) -> None:
    signed_off(shop)
    phone.sends(
        "Record filled", litres="1.5", product="wrong", override_reason="it was really poured in"
    )
    mark = DoNotUse.objects.get(cleared_at=None)
    assert mark.finding == Finding.objects.get(kind="wrong fluid")
    assert mark.finding.fluid == FluidRecord.objects.get()


def test_what_was_done_after_the_sign_off_is_refused(phone: Phone, shop: Workshop) -> None:
    signed_off(shop)
    answer = phone.sends("Tightened to 39.3", at=timezone.now(), whole="yes")
    assert (answer.status_code, TorqueRecord.objects.count()) == (422, 0)


def test_only_who_started_or_recorded_sends_late(
    phone: Phone, shop: Workshop, signed_in: SignedIn
) -> None:
    signed_off(shop)
    phone.client = signed_in(shop.second_supervisor)
    phone.shop.people.mechanic.pk = shop.second_supervisor.pk
    assert phone.sends("Tightened to 39.3", whole="yes").status_code == 422


def test_frozen_evidence_stays_and_the_late_record_stands_beside_it(
    phone: Phone, shop: Workshop, signed_in: SignedIn
) -> None:
    signed_off(shop)
    before = Evidence.objects.get().facts
    phone.sends("Record filled", litres="1.5", product="right")
    phone.sends("Record Moisture", value="0.4")
    assert Evidence.objects.get().facts == before
    seen = page(signed_in(shop.people.viewer), "/vehicles/V-101/evidence")
    assert seen.count("came after the sign-off") == 2
    assert "filled 1.5 L" in seen
    assert "Moisture [%] 0.4: pass" in seen


def test_the_signer_is_told_until_they_have_seen_it(
    phone: Phone, shop: Workshop, signed_in: SignedIn
) -> None:
    signed_off(shop)
    signer = signed_in(shop.second_supervisor)
    assert "came after the sign-off" not in page(signer, "/work-orders")
    phone.sends("Tightened to 39.3", whole="yes")
    assert "came after the sign-off" in page(signer, "/work-orders")
    send(signer, page(signer, shop.page), "I have seen them")
    page(signer, shop.page)
    assert "came after the sign-off" not in page(signer, "/work-orders")
    assert shop.order.events.last().what == "late records seen"
    assert "came after the sign-off" in page(signer, shop.page)  # marked at the record for good


def test_who_worked_on_it_cannot_say_that_it_was_seen(
    phone: Phone, shop: Workshop, signed_in: SignedIn
) -> None:
    signed_off(shop)
    phone.sends("Tightened to 39.3", whole="yes")
    assert "I have seen them" not in page(signed_in(shop.people.supervisor), shop.page)


def test_a_finding_made_before_the_sign_off_is_told_too(phone: Phone, shop: Workshop) -> None:
    signed_off(shop)
    phone.sends("Report", finding="seep", severity="soon", text="damp")
    assert Finding.objects.get().order == shop.order
    assert shop.now().late_since is not None


def test_on_a_cancelled_order_they_are_kept_as_notes(phone: Phone, shop: Workshop) -> None:
    progress.cancel(shop.actor(shop.people.supervisor), shop.order.pk, reason="sold")
    answers = [
        phone.sends("Tightened to 39.3", whole="yes"),
        phone.sends("Record filled", litres="1.5", product="right"),
        phone.sends("Record Moisture", value="0.4"),
        phone.sends("Add note", text="magnet clean"),
    ]
    assert [answer.json()["outcome"] for answer in answers] == ["kept"] * 4
    assert (TorqueRecord.objects.count(), CheckResult.objects.count()) == (0, 0)
    assert not Fill.objects.filter(source__contains=shop.order.number).exists()
    texts = list(Note.objects.order_by("pk").values_list("text", flat=True))
    assert texts[1].startswith("Fluid: way filled, litres 1.5, product right; the order was")
    assert texts[3] == "magnet clean"


def test_a_note_made_of_a_late_record_is_there_once(phone: Phone, shop: Workshop) -> None:
    progress.cancel(shop.actor(shop.people.supervisor), shop.order.pk, reason="sold")
    for _ in range(2):
        assert phone.sends("Tightened to 39.3", whole="yes").status_code == 200
    assert Note.objects.count() == 1


def test_a_record_taken_before_the_cancelling_is_no_note_when_it_comes_again(
    phone: Phone, shop: Workshop
) -> None:
    phone.sends("Tightened to 39.3", whole="yes")
    progress.cancel(shop.actor(shop.people.supervisor), shop.order.pk, reason="sold")
    assert phone.sends("Tightened to 39.3", whole="yes").status_code == 200
    assert (TorqueRecord.objects.count(), Note.objects.count()) == (1, 0)
