"""What is typed at the vehicle is asked about in words, and what is left out at done stands."""

from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

from django.test import Client

from fleet.due.models import CheckFigure, CheckResult
from fleet.people.models import Person
from fleet.workorders import checks, ending, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.models import (
    Finding,
    FluidRecord,
    Material,
    MaterialUsed,
    TorqueRecord,
)
from tests.dashboard.forms import Form, forms_of
from tests.dashboard.test_job_card import KEY, send
from tests.dashboard.workshop import INVENTED, Workshop

SignedIn = Callable[[Person], Client]


def test_a_quantity_keeps_the_unit_and_the_comma_it_was_typed_with(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    given = {"kind": "fluid", "way": "filled", "product": "right"}
    send(client, shop, **given, litres="0,7", client_key=KEY + "a")
    send(client, shop, **given, litres="0.8 US qt", client_key=KEY + "b")
    # 1 US quart is 0.946353 L (NIST SP 811)
    assert list(FluidRecord.objects.order_by("pk").values_list("quantity_ml", flat=True)) == [
        700,
        757,
    ]
    seen = client.get(f"{shop.page}/card").content.decode()
    assert "filled 0.757 L as typed: 0.8 US qt" in seen


def test_a_bare_quart_is_asked_about_once_and_one_tap_answers(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    client = signed_in(shop.people.supervisor)
    given = {"kind": "fluid", "way": "filled", "product": "right", "litres": "1.5 qt"}
    asked = send(client, shop, **given)
    (form,) = [one for one in forms_of(asked.content.decode()) if "override_reason" in one.sent]
    assert (asked.status_code, form.buttons[1]) == (409, ("litres", "1.5 US qt"))
    assert "Typed [L]; correct it here" in asked.content.decode()
    client.post(form.action, {**form.sent, "litres": "1.5 US qt", "keep_quart": "yes"})
    send(client, shop, kind="fluid", way="topped up", litres="0.1 qt", client_key=KEY + "next")
    made = FluidRecord.objects.order_by("pk")
    assert [row.quantity_ml for row in made] == [1420, 95]


def test_a_sign_left_out_is_asked_about_and_one_tap_puts_it_right(
    shop: Workshop, signed_in: SignedIn
) -> None:
    CheckFigure.objects.create(
        service=shop.oil, slug="freeze", name="Freeze", unit="°C", pass_to=-25, source=INVENTED
    )
    shop.start()
    client = signed_in(shop.people.mechanic)
    asked = send(client, shop, kind="check", figure="freeze", value="35")
    (form,) = [one for one in forms_of(asked.content.decode()) if "override_reason" in one.sent]
    assert form.buttons[1] == ("value", "-35")
    assert not CheckResult.objects.exists()
    client.post(form.action, {**form.sent, "value": "-35"})
    assert CheckResult.objects.get().outcome == "pass"


def test_far_too_many_pieces_are_asked_about_and_one_tap_puts_them_right(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    card = client.get(f"{shop.page}/card").content.decode()
    (own,) = [form for form in forms_of(card) if form.sent.get("kind") == ["material"]]
    foreseen = Material.objects.exclude(pieces=None).first()
    assert foreseen is not None
    assert foreseen.pieces
    many = {"name": foreseen.name, "pieces": foreseen.pieces * 100}
    asked = client.post(own.action, {**own.sent, **many})
    (form,) = [one for one in forms_of(asked.content.decode()) if "override_reason" in one.sent]
    assert asked.status_code == 409
    assert form.buttons[1] == ("pieces", str(foreseen.pieces))
    assert not MaterialUsed.objects.exists()
    client.post(form.action, {**form.sent, "pieces": form.buttons[1][1]})
    assert MaterialUsed.objects.get().pieces == foreseen.pieces


def test_so_many_pieces_stand_with_a_reason(shop: Workshop, signed_in: SignedIn) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    asked = send(client, shop, kind="material", name="Clip", pieces="40")
    (form,) = [one for one in forms_of(asked.content.decode()) if "override_reason" in one.sent]
    client.post(form.action, {**form.sent, "override_reason": "a whole cover"})
    row = MaterialUsed.objects.get()
    assert (row.pieces, row.override_reason) == (40, "a whole cover")
    seen = client.get(f"{shop.page}/card").content.decode()
    assert "40 × Clip; it stands, because a whole cover" in seen


def test_a_point_for_the_thousands_of_the_odometer_is_suggested(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    progress.end_job(
        shop.actor(shop.people.mechanic), shop.job.pk, state="done", because="not tried here"
    )
    given = {"change": "finish", "version": shop.now().version, "odometer": "10.700"}
    client.post(f"{shop.page}/change", {**given, "unit": "km", "fit_for_use": "yes"})
    seen = client.get(f"{shop.page}/card").content.decode()
    assert "10,700\u202fkm was likely meant" in seen.replace("&nbsp;", " ")


def test_done_with_nothing_recorded_shows_one_panel_and_one_reason_lets_it_stand(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    (done,) = done_forms(client.get(f"{shop.page}/card"))
    asked = client.post(done.action, {**done.sent, "state": "done"})
    seen = asked.content.decode()
    assert (asked.status_code, shop.job.state) == (409, "open")
    for words in ("Drain plug: torque", "Fill plug: torque", "Litres filled"):
        assert words in seen
    tapped = [one for one in forms_of(seen) if one.sent.get("fastener") == ["fill-plug"]]
    client.post(tapped[-1].action, {**tapped[-1].sent, "whole": "yes"})
    assert TorqueRecord.objects.get().fastener == "fill-plug"
    (done,) = done_forms(asked)
    client.post(done.action, {**done.sent, "state": "done", "because": "phone was flat"})
    assert shop.job.state == "done"
    page = client.get(shop.page).content.decode()
    assert "Drain plug: torque, because phone was flat" in page
    assert "Fill plug: torque, because" not in page


def done_forms(answer: Any) -> list[Form]:
    found = forms_of(answer.content.decode())
    return [one for one in found if ("state", "done") in one.buttons]


def test_fit_for_use_against_a_fail_is_asked_about_and_keeps_what_was_typed(
    shop: Workshop, signed_in: SignedIn
) -> None:
    figure = CheckFigure.objects.create(
        service=shop.oil, slug="water", name="Water", unit="%", pass_to=2, source=INVENTED
    )
    shop.start()
    mechanic = shop.actor(shop.people.mechanic)
    checks.measure(mechanic, shop.now(), figure=figure, value=3, client_key="water-01")
    progress.end_job(mechanic, shop.job.pk, state="done", because="not tried here")
    client = signed_in(shop.people.mechanic)
    given = {"change": "finish", "page": "job-card", "version": shop.now().version}
    given |= {"odometer": "10 700", "unit": "km", "fit_for_use": "yes"}
    asked = client.post(f"{shop.page}/change", given)
    assert (asked.status_code, shop.now().state) == (409, "started")
    assert "Water 3 % is a fail and it is called fit for use" in asked.content.decode()
    (form,) = [
        one for one in forms_of(asked.content.decode()) if one.sent.get("change") == ["finish"]
    ]
    assert (form.sent["odometer"], form.sent["fit_for_use"]) == (["10 700"], ["yes"])
    client.post(form.action, {**form.sent, "unit": "km", "because": "changed at once"})
    assert shop.now().state == "finished"


def test_an_odd_look_opens_the_finding_filled_in(shop: Workshop, signed_in: SignedIn) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    send(client, shop, kind="fluid", way="drained", litres="1.4", look="milky")
    card = client.get(f"{shop.page}/card").content.decode()
    (form,) = [one for one in forms_of(card) if one.sent.get("finding") == ["look of the fluid"]]
    client.post(form.action, form.sent)
    found = Finding.objects.get()
    assert (found.kind, found.severity, found.text) == (
        "look of the fluid",
        "soon",
        "drained 1.4 L, it looked milky",
    )
    assert "it looked milky" not in str(
        [one.sent for one in forms_of(client.get(f"{shop.page}/card").content.decode())]
    )


def test_the_odometer_that_was_likely_meant_is_taken_by_one_tap(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10.7, fit_for_use="yes"))
    client = signed_in(shop.people.mechanic)
    for page in (shop.page, f"{shop.page}/card"):
        seen = client.get(page).content.decode()
        assert '<button type="submit">Take 10,700\u202fkm</button>' in seen
        assert "A guess: 10,700\u202fkm was likely meant. It seems to be given in thousands" in seen
    typed, tap = [form for form in forms_of(seen) if form.sent.get("change") == ["read-again"]]
    assert (typed.sent["odometer"], tap.sent["odometer"]) == (["10.7"], ["10700.0"])
    client.post(tap.action, tap.sent)
    reading = shop.now().reading
    assert reading is not None
    assert (reading.value, reading.unit, reading.verdict) == (10_700, "km", "accepted")


def test_a_guess_is_told_and_taken_to_the_tenth_of_the_instruments_own_mile(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.people.van.meters.update(unit="mi")
    shop.start()
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10.7, fit_for_use="yes"))
    seen = signed_in(shop.people.mechanic).get(f"{shop.page}/card").content.decode()
    _, tap = [form for form in forms_of(seen) if form.sent.get("change") == ["read-again"]]
    # by hand: 10,700 km are 6,648.67 miles of 1.609344 km
    assert (tap.sent["odometer"], tap.sent["unit"]) == (["6648.7"], ["mi"])


def test_the_odometer_is_read_again_from_what_was_given_and_never_sent_as_it_was(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=107_000, fit_for_use="yes"))
    client, before = signed_in(shop.people.mechanic), shop.now().reading
    seen = client.get(f"{shop.page}/card").content.decode()
    form = next(form for form in forms_of(seen) if form.sent.get("change") == ["read-again"])
    assert (form.sent["odometer"], form.selects[0].chosen) == (["107000"], "km")
    sent = {**form.sent, "unit": form.selects[0].chosen}
    refused = client.post(form.action, sent, follow=True)
    assert "That is what was given first" in refused.content.decode()
    assert shop.now().reading == before
    client.post(form.action, {**sent, "odometer": "10700"})
    reading = shop.now().reading
    assert reading is not None
    assert (reading.value, reading.verdict) == (10_700, "accepted")


def test_the_last_accepted_reading_stands_beside_the_odometer(
    shop: Workshop, signed_in: SignedIn
) -> None:
    last = shop.people.van.readings.filter(verdict="accepted").latest("taken_at")
    on = last.taken_at.astimezone(ZoneInfo(shop.people.plain.zone)).date()
    told = f"last accepted: {last.value:,.0f}\u202fkm on {on.day} {on:%b %Y}"
    client = signed_in(shop.people.mechanic)
    assert "last accepted" not in client.get(f"{shop.page}/card").content.decode()
    shop.start()
    assert told in client.get(f"{shop.page}/card").content.decode()
