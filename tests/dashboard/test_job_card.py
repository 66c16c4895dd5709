import re
from collections.abc import Callable
from io import BytesIO
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from fleet.due.models import CheckFigure, CheckResult
from fleet.people.models import Person
from fleet.stores.models import Item, Stock
from fleet.workorders.models import (
    Caution,
    Finding,
    FluidRecord,
    Job,
    MaterialUsed,
    Photo,
    Procedure,
    TorqueRecord,
)
from tests.dashboard.workshop import INVENTED, Workshop, finish, in_words

SignedIn = Callable[[Person], Client]
KEY = "phone-1-record-"


def send(client: Client, shop: Workshop, *, queued: bool = False, **given: Any) -> Any:
    given = {"client_key": KEY + given["kind"], "job": shop.job.pk, **given}
    headers = {"X-Queue": "1"} if queued else {}
    return client.post(f"{shop.page}/records", given, headers=headers)


def test_a_caution_stands_before_its_step(shop: Workshop, signed_in: SignedIn) -> None:
    seen = signed_in(shop.people.mechanic).get(f"{shop.page}/card").content.decode()
    assert 0 < seen.index("hot-fluid.") < seen.index("4.</span> drain.")


def test_a_caution_that_an_earlier_job_gave_whole_names_its_hazard_and_folds_the_rest(
    shop: Workshop, signed_in: SignedIn
) -> None:
    Caution.objects.update(text="It may fall. Look at all four arms.")
    given = {"order": shop.order, "vehicle": shop.people.van, "minutes": 10}
    Job.objects.create(title="Look beneath", compartment=shop.people.engine, **given)
    seen = signed_in(shop.people.mechanic).get(f"{shop.page}/card").content.decode()
    first, second = seen.split('class="card-job"')[1:]
    assert ("It may fall. Look at all four arms." in first, "caution-again" in first) == (
        True,
        False,
    )
    assert second.count('<details class="caution-again">') > 0
    assert second.count("It may fall.") == second.count("Look at all four arms.")


def test_a_bay_that_leaves_it_on_the_ground_is_refused_where_somebody_goes_beneath(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.mechanic)
    given = raising_form(client, shop) | {"raising": "on the ground"}
    seen = client.post(f"{shop.page}/change", given, follow=True).content.decode()
    assert "cannot be done on the ground" in seen
    assert shop.now().raising == "lift"


def test_ramps_are_asked_about_on_the_card_and_answered_there(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.mechanic)
    given = raising_form(client, shop)
    assert set(given) == {"change", "version", "page", "raising"}
    asked = client.post(f"{shop.page}/change", given | {"raising": "ramps"})
    seen = asked.content.decode()
    assert (asked.status_code, seen.count("needs the vehicle to stand level")) == (409, 1)
    assert 'href="#raised-by"' in seen
    assert (seen.count('name="override_reason"'), seen.count('name="because"')) == (1, 0)
    again = form_of(seen, "raise-by")
    assert again["raising"] == "ramps"
    client.post(f"{shop.page}/change", again | {"override_reason": "four ramps"})
    assert shop.now().raising == "ramps"


def test_a_procedure_that_fails_a_rule_is_marked_on_its_card(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.mechanic)
    assert "is not sound" not in client.get(f"{shop.page}/card").content.decode()
    Caution.objects.filter(slug="falling-dirt").delete()
    seen = client.get(f"{shop.page}/card").content.decode()
    assert "By today's rules this procedure is not sound" in seen
    assert "The caution &#x27;falling-dirt&#x27; does not stand before step 1" in seen
    assert "4.</span> drain." in seen


def raising_form(client: Client, shop: Workshop) -> dict[str, str]:
    return form_of(client.get(f"{shop.page}/card").content.decode(), "raise-by")


def form_of(page: str, change: str) -> dict[str, str]:
    """The fields of a form of the page as they stand in it, untouched."""
    (form,) = [one for one in re.findall(r"<form.*?</form>", page, re.S)
               if f'name="change" value="{change}"' in one]  # fmt: skip
    fields = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form))
    del fields["csrfmiddlewaretoken"]
    for name, options in re.findall(r'<select id="\w+" name="(\w+)">(.*?)</select>', form, re.S):
        (fields[name],) = re.findall(r"<option selected>([^<]*)<", options)
    return fields


def test_torque_stands_in_both_units_with_seal_and_source(
    shop: Workshop, signed_in: SignedIn
) -> None:
    seen = signed_in(shop.people.viewer).get(f"{shop.page}/card").content.decode()
    # 39.31872 N·m are 29 lbf·ft: worked example, common practice, no source
    for words in ("39.3\u202fN·m", "29\u202flbf·ft", "18 × 24 × 1.5 mm", INVENTED, "2024"):
        assert words in seen
    assert "come first. Work that the law reserves" in seen


def test_what_the_procedure_fills_in_stands_at_the_fluid_and_at_the_step(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.mechanic)
    page = f"{shop.page}/card"
    assert "By the procedure <strong>1.5 L</strong>" in client.get(page).content.decode()
    assert shop.job.service is not None
    procedure = shop.job.service.procedure
    for name, ml, recorded in (("Oil", 3_000, False), ("Top", 250, False), ("Flush", 900, True)):
        procedure.materials.create(
            kind="fluid", name=name, quantity_ml=ml, only_when_recorded=recorded, source=INVENTED
        )
    seen = client.get(page).content.decode()
    assert "By the procedure <strong>4.75 L</strong>" in seen  # by hand: 1.5 + 3 + .25


def test_a_card_of_another_depot_is_not_found(shop: Workshop, signed_in: SignedIn) -> None:
    client = signed_in(shop.people.outsider)
    for address in ("", "/card", "/code.svg"):
        assert client.get(shop.page + address).status_code == 404
    assert send(client, shop, kind="note", text="x").status_code == 404


def test_a_viewer_reads_the_card_and_records_nothing(shop: Workshop, signed_in: SignedIn) -> None:
    shop.start()
    client = signed_in(shop.people.viewer)
    assert "Tightened to" not in client.get(f"{shop.page}/card").content.decode()
    assert send(client, shop, kind="torque", fastener="drain-plug", whole="yes").status_code == 403
    assert not TorqueRecord.objects.exists()


def test_one_tap_records_the_figure_with_its_wrench(shop: Workshop, signed_in: SignedIn) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    given = {"kind": "torque", "fastener": "drain-plug", "whole": "yes", "wrench": "TW-3"}
    send(client, shop, **given, torque="")
    record = TorqueRecord.objects.get()
    assert (record.to_the_figure, record.wrench.tag) == (True, "TW-3")  # type: ignore[union-attr]
    assert "to the figure, wrench TW-3" in client.get(f"{shop.page}/card").content.decode()


def test_a_slip_is_shown_as_a_question_and_a_reason_lets_it_stand(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    given = {"kind": "torque", "fastener": "drain-plug", "torque": "29"}
    asked = send(client, shop, **given)
    seen = asked.content.decode()
    assert asked.status_code == 409
    assert "29 N·m, but the figure is" in seen
    assert "lbf·ft instead of N·m" in seen
    send(client, shop, **given, override_reason="bulletin 7")
    assert TorqueRecord.objects.get().override_reason == "bulletin 7"


@pytest.mark.parametrize(("typed", "torque_nm"), [("40", 40), ("29 lbf·ft", 39.31872)])
def test_a_typed_torque_is_in_newton_metres_unless_it_says_otherwise(
    typed: str, torque_nm: float, shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    given = {"kind": "torque", "fastener": "drain-plug", "torque": typed}
    send(signed_in(shop.people.mechanic), shop, **given)
    # 1 lbf·ft = 1.355818 N·m (NIST SP 811)
    assert TorqueRecord.objects.get().torque_nm == pytest.approx(torque_nm, rel=1e-6)


def test_what_came_out_and_went_in_is_kept(shop: Workshop, signed_in: SignedIn) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    send(client, shop, kind="fluid", way="drained", litres="1.4", look="dark", client_key=KEY + "a")
    given = {"kind": "fluid", "way": "filled", "litres": "1.5", "product": "right", "batch": "B7"}
    send(client, shop, **given)
    out, into = FluidRecord.objects.order_by("pk")
    assert (out.quantity_ml, out.look, into.quantity_ml, into.batch) == (1400, "dark", 1500, "B7")


def test_the_wrong_fluid_is_kept_and_said_loudly(shop: Workshop, signed_in: SignedIn) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    given = {"kind": "fluid", "way": "filled", "litres": "1.5", "product": "wrong"}
    given |= {"override_reason": "it was really poured in"}
    answer = send(client, shop, **given, queued=True, person=shop.people.mechanic.pk)
    assert "Do not use the vehicle" in answer.json()["said"]
    assert Finding.objects.get().kind == Finding.Kind.WRONG_FLUID


def test_broken_clips_and_findings_are_recorded(shop: Workshop, signed_in: SignedIn) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    send(client, shop, kind="material", name="Clip", pieces="2", broken="yes")
    send(client, shop, kind="finding", finding="seep", severity="watch", text="at the pan")
    used = MaterialUsed.objects.get()
    assert (used.name, used.pieces, used.broken) == ("Clip", 2, True)
    assert "seep: at the pan" in client.get(shop.page).content.decode()


def test_a_measured_value_is_held_against_its_limits(shop: Workshop, signed_in: SignedIn) -> None:
    CheckFigure.objects.create(
        service=shop.oil, slug="water", name="Water", unit="%", pass_to=2, source=INVENTED
    )
    shop.start()
    given = {"kind": "check", "figure": "water", "value": "3.5"}
    answer = send(signed_in(shop.people.mechanic), shop, **given, queued=True,
                  person=shop.people.mechanic.pk)  # fmt: skip
    assert answer.json()["said"] == "Water: 3.5 %, fail."
    assert CheckResult.objects.get().outcome == "fail"


def test_a_photo_is_kept_and_shown_to_its_depot_only(
    shop: Workshop, signed_in: SignedIn, settings: Any, tmp_path: object
) -> None:
    settings.MEDIA_ROOT = tmp_path
    shop.start()
    drawn = BytesIO()
    Image.new("RGB", (40, 30), "grey").save(drawn, "PNG")
    picture = SimpleUploadedFile("plug.png", drawn.getvalue(), "image/png")
    send(signed_in(shop.people.mechanic), shop, kind="photo", photo=picture)
    address = f"/photos/{Photo.objects.get().pk}"
    assert signed_in(shop.people.viewer).get(address)["Content-Type"] == "image/jpeg"
    assert signed_in(shop.people.outsider).get(address).status_code == 404


def test_a_record_before_the_start_is_refused_in_words(shop: Workshop, signed_in: SignedIn) -> None:
    client, mechanic = signed_in(shop.people.mechanic), shop.people.mechanic.pk
    answer = send(client, shop, kind="note", text="x", queued=True, person=mechanic)
    assert answer.status_code == 422
    assert "records are taken from start" in answer.json()["said"]
    assert answer.json()["here"] == f"{shop.order} is released, version 2."


def test_a_queue_is_sent_by_the_person_who_made_it(shop: Workshop, signed_in: SignedIn) -> None:
    shop.start()
    client = signed_in(shop.people.supervisor)
    answer = send(client, shop, kind="note", text="x", queued=True, person=shop.people.mechanic.pk)
    assert answer.json()["outcome"] == "other person"
    assert not shop.order.notes.exists()


def test_a_record_keeps_the_time_of_the_phone_but_none_to_come(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    send(client, shop, kind="note", text="a", performed_at="2026-01-02T03:04:05Z")
    send(client, shop, kind="note", text="b", client_key=KEY + "b",
         performed_at="2999-01-01T00:00:00Z")  # fmt: skip
    past, future = shop.order.notes.order_by("pk")
    assert f"{past.performed_at:%Y-%m-%d %H:%M}" == "2026-01-02 03:04"
    assert future.performed_at <= future.recorded_at


def test_the_code_on_paper_is_a_picture_without_styles(shop: Workshop, signed_in: SignedIn) -> None:
    answer = signed_in(shop.people.viewer).get(f"{shop.page}/code.svg")
    assert answer["Content-Type"] == "image/svg+xml"
    assert not re.search(rb"style|<script", answer.content)


# --- jobs that no procedure describes --------------------------------------------------------
def fields_of(page: str, kind: str) -> dict[str, str]:
    """The one form of this kind of record that a job in words has, as it stands untouched."""
    (form,) = [one for one in re.findall(r"<form.*?</form>", page, re.S)
               if f'name="kind" value="{kind}"' in one]  # fmt: skip
    hidden = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form))
    del hidden["csrfmiddlewaretoken"]
    typed = re.findall(r'<(?:input|select) id="[^"]*" name="(\w+)"', form)
    return hidden | dict.fromkeys(typed, "")


def test_a_job_in_words_shows_its_cautions_and_takes_a_torque_and_a_fluid(
    shop: Workshop, signed_in: SignedIn
) -> None:
    job = in_words(shop)
    client = signed_in(shop.people.mechanic)
    page = f"/work-orders/{job.order.number}"
    seen = client.get(f"{page}/card").content.decode()
    assert seen.index("Before you begin") < seen.index("key-out.") < seen.index("Tightened someth")
    torque = fields_of(seen, "torque") | {"name": "Cover bolt", "figure": "18 lbf·ft"}
    torque |= {"figure_source": "maker's book, edition 3 (invented)", "torque": "24.4"}
    assert client.post(f"{page}/records", torque).status_code == 302
    # 18 lbf·ft are 24.40472 N·m: 0.3048 m times 4.4482216152605 N each
    assert round(TorqueRecord.objects.get().reference_nm, 5) == 24.40472
    poured = fields_of(seen, "fluid") | {"way": "drained", "litres": "0.3", "look": "clear"}
    poured |= {"compartment": shop.oil.compartment.slug}
    assert client.post(f"{page}/records", poured).status_code == 302
    job.refresh_from_db()
    assert (FluidRecord.objects.get().compartment, job.place) == (shop.oil.compartment,) * 2
    again = client.get(f"{page}/card").content.decode()
    assert "Cover bolt 24.4" in again
    assert "compartment" not in fields_of(again, "fluid")


def test_a_torque_in_words_without_its_figure_is_refused(
    shop: Workshop, signed_in: SignedIn
) -> None:
    job = in_words(shop)
    given = {"kind": "torque", "client_key": KEY + "words", "job": job.pk, "torque": "24"}
    answer = signed_in(shop.people.mechanic).post(
        f"/work-orders/{job.order.number}/records", given | {"name": "bolt"}
    )
    assert answer.status_code == 422
    assert "Give the figure of the maker" in answer.content.decode()


def test_a_finished_card_prints_what_was_recorded_and_no_blanks_to_fill(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.mechanic)
    blanks = ("Findings: ____", "Drained ____", "Filled ____", "done at ____")
    assert all(one in client.get(f"{shop.page}/card").content.decode() for one in blanks)
    finish(shop)
    printed = client.get(f"{shop.page}/card").content.decode()
    assert not any(one in printed for one in blanks)
    assert "signed off by ____" in printed  # that is still to come


def test_a_part_is_found_by_its_number_and_its_shelf_at_this_depot(
    shop: Workshop, signed_in: SignedIn
) -> None:
    washer = Item.objects.create(
        slug="washer", name="Washer", kind="seal", unit="pieces", source=INVENTED,
        part_number="MADE-UP 4711",
    )  # fmt: skip
    for depot, place in ((shop.people.plain, "B 3"), (shop.people.hill, "D 9")):
        Stock.objects.create(depot=depot, item=washer, on_hand=4, shelf_place=place)
    Procedure.objects.get(service=shop.oil).materials.create(
        kind="seal", name="Washer", pieces=1, source=INVENTED
    )
    card = signed_in(shop.people.mechanic).get(f"{shop.page}/card").content.decode()
    line = card[card.index("1 × Washer") :].split("</li>")[0]
    assert "4 on hand" in line
    assert "shelf B 3" in line
    assert "part MADE-UP 4711" in line
    assert "D 9" not in card
    Stock.objects.filter(item=washer, depot=shop.people.plain).update(on_hand=-17)
    card = signed_in(shop.people.mechanic).get(f"{shop.page}/card").content.decode()
    line = card[card.index("1 × Washer") :].split("</li>")[0]
    assert "none on hand by the record, 17 more used than received" in line
