"""The card keeps what was typed, says a fault at its field, and shows each record with its way
back."""

import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape

import pytest
from django.test import Client
from django.utils import timezone

from fleet.due.models import CheckFigure
from fleet.people.models import Person
from fleet.stores.models import Product
from fleet.today import today_at
from fleet.workorders import checks, confirming, ending, findings, fluids, photos, progress
from fleet.workorders.confirming import PointSeen
from fleet.workorders.ending import AtFinish
from fleet.workorders.findings import Report
from fleet.workorders.fluids import Pouring
from fleet.workorders.models import Evidence, Photo, Step, TorqueRecord, Wrench
from fleet.workorders.recording import material
from fleet.workorders.torques import Tightened, torque
from tests.cast import depots_day
from tests.dashboard.rendered import form, page, send
from tests.dashboard.test_card_at_work import jpeg
from tests.dashboard.workshop import INVENTED, Workshop

SignedIn = Callable[[Person], Client]


@pytest.fixture
def client(shop: Workshop, signed_in: SignedIn) -> Client:
    shop.start()
    return signed_in(shop.people.mechanic)


def card(client: Client, shop: Workshop) -> str:
    return page(client, f"{shop.page}/card")


def level_step(shop: Workshop) -> Step:
    return shop.oil.procedure.steps.create(number=26, kind="read level", text="Read the level.")


# --- what was typed ------------------------------------------------------------------------
def test_a_refused_end_gives_back_what_was_typed_with_the_fault_at_its_form(
    shop: Workshop, client: Client
) -> None:
    typed = {"reason": "plug seized", "spent_min": "three", "reason_text": "round head"}
    answer = send(client, card(client, shop), "Not done", state="not done", **typed)
    seen = answer.content.decode()
    assert answer.status_code == 422
    assert 'href="#fault-here"' in seen
    _, fields = form(seen, "Not done")
    assert {name: fields[name] for name in typed} == typed
    assert 'id="fault-here"' in seen.partition("Not all of it was done")[2].partition("</form>")[0]
    assert shop.job.state == "open"


@pytest.mark.parametrize(
    ("given", "before"),
    [
        ({"odometer": "ten", "fit_for_use": "yes"}, 'for="odometer"'),
        ({"odometer": "10700", "fit_for_use": "with restriction"}, 'for="restriction"'),
    ],
)
def test_a_fault_of_the_finish_stands_before_its_field(
    given: dict[str, str], before: str, shop: Workshop, client: Client
) -> None:
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    seen = send(client, card(client, shop), 'id="finish"', **given).content.decode()
    told, _, rest = seen.partition('id="fault-here"')[2].partition("<label")
    assert told
    assert rest.startswith(f" {before}")
    assert form(seen, 'id="finish"')[1]["odometer"] == given["odometer"]


def test_a_question_page_that_is_opened_anew_is_the_card(shop: Workshop, client: Client) -> None:
    for place in ("change", "records"):
        assert client.get(f"{shop.page}/{place}")["Location"] == f"{shop.page}/card"


# --- the product ---------------------------------------------------------------------------
def test_the_product_of_the_card_comes_first_and_the_others_are_marked(
    shop: Workshop, client: Client
) -> None:
    Product.objects.create(slug="another", name="Another oil", source=INVENTED).claims.create(
        specification=Product.objects.get(slug="right").claims.get().specification, source=INVENTED
    )
    choose = card(client, shop).partition("Record filled")[0].rpartition("<select")[2]
    assert re.findall(r'value="([^"]*)"', choose) == ["", "another", "right", "wrong"]
    assert "Wrong oil (not accepted)" in choose
    shop.order.vehicle.fills.create(
        compartment=shop.oil.compartment, product=Product.objects.get(slug="right"),
        filled_on=depots_day() - timedelta(days=90), origin="product",
    )  # fmt: skip
    choose = card(client, shop).partition("Record filled")[0].rpartition("<select")[2]
    assert re.findall(r'value="([^"]*)"', choose) == ["", "right", "another", "wrong"]
    assert re.findall(r'value="([^"]*)" selected', choose) == ["right"]


def test_one_tap_says_that_the_wrong_fluid_was_really_poured_in(
    shop: Workshop, client: Client
) -> None:
    given = {"litres": "1.5", "product": "wrong"}
    asked = send(client, card(client, shop), "Record filled", **given).content.decode()
    assert not shop.job.fluids.exists()
    where, fields = form(asked, "asked-question")
    (yes,) = re.findall(r'name="override_reason" value="([^"]+)">Yes, ', asked)
    client.post(where, {**fields, "override_reason": yes})
    assert shop.job.fluids.get().override_reason == "it was really poured in"


def test_one_tap_records_the_accepted_product_instead(shop: Workshop, client: Client) -> None:
    given = {"litres": "1.5", "product": "wrong"}
    asked = send(client, card(client, shop), "Record filled", **given).content.decode()
    where, fields = form(asked, "asked-question")
    assert 'name="product" value="right">right: Right oil</button>' in asked
    client.post(where, {**fields, "product": "right"})
    assert (shop.job.fluids.get().product.slug, shop.order.findings.count()) == ("right", 0)


def test_yes_and_do_not_use_are_not_shown_as_both(shop: Workshop, client: Client) -> None:
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10_700, fit_for_use="yes"))
    assert "<dd>yes</dd>" in page(client, shop.page)
    findings.set_do_not_use(actor, vehicle=shop.order.vehicle, reason="brakes pull")
    seen = page(client, shop.page)
    assert "no longer: <em>do not use</em> stands" in seen
    assert "<dd>yes</dd>" not in seen


# --- wrenches ------------------------------------------------------------------------------
def old_wrench(shop: Workshop) -> None:
    day = today_at(shop.people.plain.zone) - timedelta(days=1)
    Wrench.objects.create(depot=shop.people.plain, tag="TW-0", calibrated_until_on=day)


def test_a_wrench_past_its_calibration_is_marked_wherever_it_is_shown(
    shop: Workshop, client: Client
) -> None:
    old_wrench(shop)
    actor = shop.actor(shop.people.mechanic)
    torque(
        *(actor, shop.job.pk),
        Tightened(
            fastener="drain-plug",
            wrench="TW-0",
            client_key="old-wrench",
            override_reason="no other here",
        ),
    )
    ended = re.compile(r'flag-strong">calibration of TW-0 ended \d')
    assert ended.search(card(client, shop))
    assert ended.search(page(client, shop.page))
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10_700, fit_for_use="yes"))
    seen = page(client, f"/vehicles/{shop.order.vehicle.fleet_number}/evidence")
    assert "wrench TW-0 (its calibration had ended)" in seen


def test_the_wrench_offered_is_the_last_one_in_calibration_and_not_none(
    shop: Workshop, client: Client
) -> None:
    Wrench.objects.create(
        depot=shop.people.plain,
        tag="TW-4",
        calibrated_until_on=depots_day() + timedelta(days=9),
    )
    old_wrench(shop)
    for at, tag in enumerate(("TW-4", "TW-0", "")):
        torque(
            *(shop.actor(shop.people.mechanic), shop.job.pk),
            Tightened(
                fastener="drain-plug",
                wrench=tag,
                client_key=f"wrench-key-{at}",
                override_reason="tried",
            ),
        )
    assert "data-wrench-said>TW-4</span>" in card(client, shop)


def test_no_wrench_is_said_and_asked_about_at_done_in_the_same_panel(
    shop: Workshop, client: Client
) -> None:
    send(client, card(client, shop), "Tightened to 39.3", whole="yes", wrench="")
    seen = card(client, shop)
    assert ", no wrench noted." in seen
    panel = send(client, seen, "Engine oil: done", state="done").content.decode()
    assert "Drain plug: no wrench noted" in panel
    send(client, panel, "Record the wrench", wrench="TW-3")
    panel = send(client, card(client, shop), "Engine oil: done", state="done").content.decode()
    assert "no wrench noted</p>" not in panel
    assert TorqueRecord.objects.filter(wrench__tag="TW-3").count() == 1


# --- states --------------------------------------------------------------------------------
def test_a_waiting_order_goes_on_before_it_takes_records(shop: Workshop, client: Client) -> None:
    before = card(client, shop)
    progress.wait(shop.actor(shop.people.mechanic), shop.order.pk, waiting_for="a washer")
    answer = send(client, before, "Tightened to 39.3", whole="yes")
    assert "waits for a washer: tap Go on first, then record." in answer.content.decode()
    seen = card(client, shop)
    assert "Tightened to 39.3" not in seen
    send(client, seen, "Go on")
    send(client, card(client, shop), "Tightened to 39.3", whole="yes")
    assert TorqueRecord.objects.count() == 1


def test_what_was_done_before_the_wait_is_taken_during_it(shop: Workshop, client: Client) -> None:
    before, at = card(client, shop), timezone.now()
    progress.wait(shop.actor(shop.people.mechanic), shop.order.pk, waiting_for="a washer")
    send(client, before, "Tightened to 39.3", whole="yes", performed_at=at.isoformat())
    assert TorqueRecord.objects.get().performed_at == at


def test_the_forms_of_a_finished_card_are_folded(shop: Workshop, client: Client) -> None:
    assert "before it was finished" not in card(client, shop)
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10_700, fit_for_use="yes"))
    assert "<summary>Add what was done before it was finished</summary>" in card(client, shop)


# --- levels, taking back -------------------------------------------------------------------
def test_a_top_up_brings_the_button_of_the_level_back(shop: Workshop, client: Client) -> None:
    step, actor = level_step(shop), shop.actor(shop.people.mechanic)
    button = "The level is as it should be</button>"
    assert button in card(client, shop)
    confirming.confirm(
        actor, shop.job.pk, PointSeen(step=step.number, seen=True, client_key="a-level-1")
    )
    assert button not in card(client, shop)
    right = Product.objects.get(slug="right")
    fluids.fluid(
        *(shop.actor(shop.people.mechanic), shop.job.pk),
        Pouring(way="topped up", litres=0.4, product=right, client_key="a-top-up-1"),
    )
    seen = card(client, shop)
    assert "The level was as it should be at " in seen
    assert re.search(r"After that, topped up 0.4 L at [^<]*: read it again", seen)
    send(client, seen, "The level is as it should be")
    assert button not in card(client, shop)
    assert shop.job.confirms.count() == 2


def test_each_record_of_the_card_is_taken_back_beside_it(shop: Workshop, client: Client) -> None:
    torque(
        shop.actor(shop.people.mechanic),
        shop.job.pk,
        Tightened(fastener="drain-plug", client_key="tightened"),
    )
    record = TorqueRecord.objects.get()
    seen = card(client, shop)
    answer = send(client, seen, f"records/torque/{record.pk}/withdraw", reason="the other plug")
    record.refresh_from_db()
    assert (record.withdrawn_reason, answer["Location"]) == ("the other plug", f"{shop.page}/card")
    assert "Take back" not in card(client, shop)


# --- photos of findings --------------------------------------------------------------------
def seep(shop: Workshop) -> Report:
    return Report(
        vehicle=shop.order.vehicle,
        kind="seep",
        severity="soon",
        text="damp at the pan",
        client_key="a-finding",
        order=shop.order,
    )


def test_the_photo_of_a_finding_stands_with_it_wherever_it_is_shown(
    shop: Workshop, client: Client
) -> None:
    actor = shop.actor(shop.people.mechanic)
    found = findings.report(actor, seep(shop))
    photo = photos.add(actor, jpeg().read(), client_key="its-photo", finding=found)
    for address in ("/findings", shop.page, f"{shop.page}/card"):
        seen = page(client, address).partition("damp at the pan")[2]
        assert f'src="/photos/{photo.pk}"' in seen
    Photo.objects.update(withdrawn_by=actor.person)
    assert "/photos/" not in page(client, "/findings")


# --- evidence ------------------------------------------------------------------------------
def everything(shop: Workshop) -> None:
    """One record of each kind, then the finish."""
    actor, job = shop.actor(shop.people.mechanic), shop.job
    figure = CheckFigure.objects.create(
        service=shop.oil, slug="freeze", name="Freeze point", unit="°C", pass_to=-25,
        source=INVENTED,
    )  # fmt: skip
    checks.measure(actor, shop.now(), figure=figure, value=-26, client_key="a-freeze-point")
    step = level_step(shop)
    confirming.confirm(
        actor, job.pk, PointSeen(step=step.number, seen=True, client_key="a-level-1")
    )
    torque(actor, job.pk, Tightened(fastener="drain-plug", wrench="TW-3", client_key="a-torque"))
    fluids.fluid(
        *(actor, job.pk),
        Pouring(
            way="filled",
            quantity="3 US pt",
            client_key="a-fill-1",
            product=Product.objects.get(slug="right"),
        ),
    )
    material(actor, job.pk, name="Clip", pieces=2, broken=True, client_key="a-clip-1")
    findings.report(actor, seep(shop))
    progress.end_job(actor, job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10_700, fit_for_use="yes"))


WORDS = (  # by hand: 3 US pints are 3 × 0.473176473 L (NIST SP 811) = 1.4195 L
    "Freeze point −26 °C, pass",
    "Read the level: as it should be",
    "drain plug 39.32 N·m, wrench TW-3",
    "filled 1.42 L as typed: 3 US pt, Right oil",
    "2 × Clip, broken",
    "seep (soon): damp at the pan",
)


def test_evidence_holds_every_kind_of_record_on_page_table_and_file(
    shop: Workshop, client: Client
) -> None:
    everything(shop)
    place = f"/vehicles/{shop.order.vehicle.fleet_number}/evidence"
    seen, table = unescape(page(client, place)), page(client, f"{place}.csv")
    for words in WORDS:
        assert words in seen
        assert words in table


def test_a_torque_in_another_unit_stands_as_typed_on_card_and_evidence(
    shop: Workshop, client: Client
) -> None:
    typed = {"torque": "29 lbf·ft", "wrench": "TW-3"}
    assert send(client, card(client, shop), "Record the typed value", **typed).status_code == 302
    words = "N·m as typed: 29 lbf·ft, wrench TW-3"
    assert words in unescape(card(client, shop))
    assert round(TorqueRecord.objects.get().torque_nm, 2) == 39.32  # × 1.355818, NIST SP 811
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10_700, fit_for_use="yes"))
    seen = unescape(page(client, f"/vehicles/{shop.order.vehicle.fleet_number}/evidence"))
    assert words in seen


def test_frozen_evidence_of_the_past_is_shown_as_it_is(shop: Workshop, client: Client) -> None:
    everything(shop)
    kept = Evidence.objects.get()
    earlier = {"fluids": [], "torques": [], "gaps": []}
    kept.facts = {**{k: v for k, v in kept.facts.items() if k not in proof_kinds()}, **earlier}
    kept.save()
    seen = page(client, f"/vehicles/{shop.order.vehicle.fleet_number}/evidence")
    assert "Freeze point" not in seen
    kept.refresh_from_db()
    assert "checks" not in kept.facts


def proof_kinds() -> tuple[str, ...]:
    return ("fluids", "torques", "checks", "levels", "materials", "findings", "gaps")
