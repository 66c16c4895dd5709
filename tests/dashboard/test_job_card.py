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
from fleet.workorders.models import Finding, FluidRecord, MaterialUsed, Photo, TorqueRecord
from tests.dashboard.workshop import INVENTED, Workshop

SignedIn = Callable[[Person], Client]
KEY = "phone-1-record-"


def send(client: Client, shop: Workshop, *, queued: bool = False, **given: Any) -> Any:
    given = {"client_key": KEY + given["kind"], "job": shop.job.pk, **given}
    headers = {"X-Queue": "1"} if queued else {}
    return client.post(f"{shop.page}/records", given, headers=headers)


def test_a_caution_stands_before_its_step(shop: Workshop, signed_in: SignedIn) -> None:
    seen = signed_in(shop.people.mechanic).get(f"{shop.page}/card").content.decode()
    assert 0 < seen.index("hot-fluid.") < seen.index("4.</span> drain.")


def test_torque_stands_in_both_units_with_seal_and_source(
    shop: Workshop, signed_in: SignedIn
) -> None:
    seen = signed_in(shop.people.viewer).get(f"{shop.page}/card").content.decode()
    # 39.31872 N·m are 29 lbf·ft: worked example, common practice, no source
    for words in ("39.3\u202fN·m", "29\u202flbf·ft", "18 × 24 × 1.5 mm", INVENTED, "2024"):
        assert words in seen
    assert "come first. Work that the law reserves" in seen


def test_a_card_of_another_depot_is_not_found(shop: Workshop, signed_in: SignedIn) -> None:
    client = signed_in(shop.people.outsider)
    for address in ("", "/card", "/code.svg"):
        assert client.get(shop.page + address).status_code == 404
    assert send(client, shop, kind="note", text="x").status_code == 404


def test_a_viewer_reads_the_card_and_records_nothing(shop: Workshop, signed_in: SignedIn) -> None:
    shop.start()
    client = signed_in(shop.people.viewer)
    assert "Tightened to" not in client.get(f"{shop.page}/card").content.decode()
    assert send(client, shop, kind="torque", fastener="drain-plug", whole="yes").status_code == 422
    assert not TorqueRecord.objects.exists()


def test_one_tap_records_the_figure_with_its_wrench(shop: Workshop, signed_in: SignedIn) -> None:
    shop.start()
    client = signed_in(shop.people.mechanic)
    given = {"kind": "torque", "fastener": "drain-plug", "whole": "yes", "wrench": "TW-3"}
    send(client, shop, **given, torque="12")
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
