"""Records at the vehicle: added under the sender's key, questioned where they look wrong, kept."""

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from pytest_django import Settings
from rest_framework.test import APIClient

from fleet.due.models import CheckFigure
from fleet.workorders import ending, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.models import DoNotUse, Finding, FluidRecord, Note, TorqueRecord
from tests.api.conftest import Caller, picture
from tests.api.routes import address
from tests.dashboard.workshop import Workshop, in_words


def record(client: APIClient, shop: Workshop, kind: str, **given: Any) -> Any:
    given = {"client_key": f"a-new-{kind}", **given}
    return client.post(address(f"jobs/{shop.job.pk}/{kind}"), given, "json")


def test_one_tap_says_tightened_to_the_figure(shop: Workshop, mechanic: APIClient) -> None:
    answer = record(mechanic, shop, "torque", fastener="drain-plug", wrench="TW-3")
    assert answer.status_code == 201
    row = TorqueRecord.objects.get()
    assert (row.torque_nm, answer.json()["warning"]) == (row.reference_nm, "")


def test_a_figure_typed_in_the_wrong_unit_is_asked_back_by_name(
    shop: Workshop, mechanic: APIClient
) -> None:
    given = {"fastener": "drain-plug", "torque_nm": 29, "typed_text": "29"}
    answer = record(mechanic, shop, "torque", **given)
    (error,) = answer.json()["errors"]
    # check-values T-02: 29 recorded as N·m against 39.3 is a lbf·ft slip
    assert (answer.status_code, error["code"]) == (409, "question")
    assert error["pointer"] == "#/torque_nm"
    assert answer.json()["candidates"] == ["39.32: lbf·ft instead of N·m"]
    assert not TorqueRecord.objects.exists()
    kept = record(mechanic, shop, "torque", **given, override_reason="measured twice")
    assert kept.status_code == 201


def test_a_torque_tells_the_unit_it_was_typed_in(shop: Workshop, mechanic: APIClient) -> None:
    given = {"fastener": "drain-plug", "torque_nm": 39.3, "typed_text": "29 lbf·ft"}
    assert record(mechanic, shop, "torque", **given).json()["typed"] == "29 lbf·ft"
    given = {"fastener": "drain-plug", "torque_nm": 39.3, "typed_text": "31 lbf·ft"}
    refused = record(mechanic, shop, "torque", **given, client_key="client-other")
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["pointer"] == "#/typed_text"


@pytest.mark.parametrize(
    ("text", "kept_nm", "typed"),
    # 1 lbf·ft is 1.3558179483 N·m (NIST SP 811); the plug is 29 lbf·ft
    [("29 lbf·ft", 39.31872, "29 lbf·ft"), ("39,5", 39.5, ""), ("39.5 Nm", 39.5, "")],
)
def test_a_torque_that_comes_as_text_alone_is_the_value(
    shop: Workshop, mechanic: APIClient, text: str, kept_nm: float, typed: str
) -> None:
    answer = record(mechanic, shop, "torque", fastener="drain-plug", typed_text=text)
    assert answer.status_code == 201
    row = TorqueRecord.objects.get()
    assert (row.to_the_figure, row.typed) == (False, typed)
    assert row.torque_nm == pytest.approx(kept_nm, abs=1e-5)


def test_a_torque_as_text_alone_is_asked_about_and_is_never_the_figure(
    shop: Workshop, mechanic: APIClient
) -> None:
    given = {"fastener": "drain-plug", "typed_text": "15 lbf·ft"}
    assert record(mechanic, shop, "torque", **given).status_code == 409
    refused = record(mechanic, shop, "torque", **{**given, "typed_text": "tight"})
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["pointer"] == "#/typed_text"
    assert not TorqueRecord.objects.exists()


def test_a_quantity_that_comes_as_text_alone_is_the_value(
    shop: Workshop, mechanic: APIClient
) -> None:
    """1.5 US quarts are 1.41953 L (NIST SP 811)."""
    given = {"way": "filled", "product": "right", "typed_text": "1.5 US qt"}
    assert record(mechanic, shop, "fluids", **given).status_code == 201
    row = FluidRecord.objects.get()
    assert (row.quantity_ml, row.typed) == (1420, "1.5 US qt")


def test_text_alone_stands_in_the_note_of_a_cancelled_order(
    shop: Workshop, mechanic: APIClient
) -> None:
    then = timezone.now().isoformat()
    progress.cancel(shop.actor(shop.people.supervisor), shop.order.pk, reason="sold")
    given = {"fastener": "drain-plug", "typed_text": "29 lbf·ft", "performed_at": then}
    assert record(mechanic, shop, "torque", **given).status_code == 202
    assert "29 lbf·ft" in Note.objects.get().text


def test_a_record_sent_twice_is_there_once(shop: Workshop, mechanic: APIClient) -> None:
    sent = [record(mechanic, shop, "torque", fastener="drain-plug") for _ in range(2)]
    assert [answer.json()["id"] for answer in sent] == [TorqueRecord.objects.get().pk] * 2


def test_a_dry_fill_is_asked_back(shop: Workshop, mechanic: APIClient) -> None:
    answer = record(mechanic, shop, "fluids", way="filled", litres=15, product="right")
    assert answer.status_code == 409
    assert answer.json()["errors"][0]["pointer"] == "#/litres"


def test_the_wrong_fluid_is_recorded_and_stops_the_vehicle(
    shop: Workshop, mechanic: APIClient
) -> None:
    given = {"way": "filled", "litres": 1.5, "product": "wrong"}
    asked = record(mechanic, shop, "fluids", **given)
    assert (asked.status_code, asked.json()["errors"][0]["pointer"]) == (409, "#/product")
    assert (asked.json()["candidates"], DoNotUse.objects.count()) == (["right: Right oil"], 0)
    answer = record(mechanic, shop, "fluids", **given, override_reason="poured in all the same")
    assert answer.status_code == 201
    assert FluidRecord.objects.get().product.slug == "wrong"
    assert Finding.objects.get(pk=answer.json()["raised"]).kind == "wrong fluid"
    assert DoNotUse.objects.filter(cleared_at=None).count() == 1


def test_a_record_is_taken_after_the_finish_but_not_after_the_sign_off(
    shop: Workshop, mechanic: APIClient
) -> None:
    progress.end_job(
        shop.actor(shop.people.mechanic), shop.job.pk, state="done", because="not tried here"
    )
    ending.finish(
        shop.actor(shop.people.mechanic),
        shop.order.pk,
        AtFinish(odometer=10_700, fit_for_use="yes"),
    )
    late = record(mechanic, shop, "fluids", way="drained", litres=1.4, client_key="late-drained")
    assert late.status_code == 201
    ending.sign_off(shop.actor(shop.second_supervisor), shop.order.pk)
    after = record(mechanic, shop, "fluids", way="drained", litres=1.4, client_key="after-that")
    assert after.status_code == 409


def test_a_note_needs_no_tag(shop: Workshop, mechanic: APIClient) -> None:
    where = address(f"work-orders/{shop.order.number}/notes")
    given = {"text": "rusty plug", "client_key": "note-rusty"}
    assert mechanic.post(where, given, "json").status_code == 201
    assert Note.objects.get().text == "rusty plug"


def test_a_photo_is_encoded_anew_and_nothing_else_is_taken(
    shop: Workshop, mechanic: APIClient, settings: Settings, tmp_path: Any
) -> None:
    settings.MEDIA_ROOT = tmp_path
    where = address(f"work-orders/{shop.order.number}/photos")
    photo = SimpleUploadedFile("plug.png", picture(), content_type="image/png")
    sent = mechanic.post(where, {"photo": photo, "client_key": "photo-one"}, "multipart")
    assert sent.status_code == 201
    other = SimpleUploadedFile("plug.jpg", b"<svg></svg>", content_type="image/jpeg")
    refused = mechanic.post(where, {"photo": other, "client_key": "photo-two"}, "multipart")
    assert refused.status_code == 422


def test_a_record_is_taken_back_with_a_reason_and_stays(
    shop: Workshop, mechanic: APIClient
) -> None:
    made = record(mechanic, shop, "torque", fastener="drain-plug").json()
    where = f"work-orders/{shop.order.number}/records/torques/{made['id']}/withdraw"
    assert mechanic.post(address(where), {"reason": "other plug"}, "json").status_code == 204
    row = TorqueRecord.objects.get()
    assert (row.withdrawn_reason, row.withdrawn_by) == ("other plug", shop.people.mechanic)


def test_a_job_in_words_takes_torque_and_fluid_as_on_its_page(shop: Workshop, call: Caller) -> None:
    job = in_words(shop)
    client = call(shop.people.mechanic)
    figure = {"name": "Cover bolt", "figure_nm": 24.4, "figure_source": "book 3 (invented)"}
    given = {"client_key": "client-torque", "torque_nm": 24.4, **figure}
    answer = client.post(address(f"jobs/{job.pk}/torque"), given, "json")
    assert (answer.status_code, TorqueRecord.objects.get().fastener_name) == (201, "Cover bolt")
    fluid = {"client_key": "client-fluid", "way": "drained", "litres": 0.3}
    unnamed = client.post(address(f"jobs/{job.pk}/fluids"), fluid, "json")
    assert (unnamed.status_code, unnamed.json()["errors"][0]["pointer"]) == (422, "#/compartment")
    named = fluid | {"compartment": shop.oil.compartment.slug}
    assert client.post(address(f"jobs/{job.pk}/fluids"), named, "json").status_code == 201
    job.refresh_from_db()
    assert job.place == shop.oil.compartment


def test_a_torque_names_a_fastener_of_the_card_or_one_of_the_book(
    shop: Workshop, call: Caller
) -> None:
    job = in_words(shop)
    given = {"client_key": "client-torque", "torque_nm": 24.4, "name": "bolt"}
    answer = call(shop.people.mechanic).post(address(f"jobs/{job.pk}/torque"), given, "json")
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "#/fastener")


def test_a_quantity_may_be_given_as_text_with_its_unit(shop: Workshop, mechanic: APIClient) -> None:
    given = {"way": "filled", "product": "right", "quantity": "3 US pt"}
    told = record(mechanic, shop, "fluids", **given).json()
    # 1 US pint is 0.4731765 L (NIST SP 811)
    assert (told["litres"], told["typed"]) == (1.42, "3 US pt")


def test_a_bare_pint_is_asked_back_with_both_it_can_be(shop: Workshop, mechanic: APIClient) -> None:
    asked = record(mechanic, shop, "fluids", way="filled", product="right", quantity="3 pt")
    assert (asked.status_code, asked.json()["errors"][0]["pointer"]) == (409, "#/quantity")
    assert asked.json()["candidates"] == ["3 US pt: 1.42 L", "3 imp pt: 1.70 L"]
    assert not FluidRecord.objects.exists()


def test_a_second_fill_is_asked_back_on_the_running_total(
    shop: Workshop, mechanic: APIClient
) -> None:
    for key, status in (("fill-one", 201), ("fill-two", 409)):
        given = {"way": "filled", "product": "right", "litres": 1.5, "client_key": key}
        assert record(mechanic, shop, "fluids", **given).status_code == status
    assert FluidRecord.objects.count() == 1


def test_a_freeze_point_without_its_sign_is_asked_back(shop: Workshop, mechanic: APIClient) -> None:
    CheckFigure.objects.create(
        service=shop.oil, slug="freeze", name="Freeze", unit="°C", pass_to=-25, source="invented"
    )
    asked = record(mechanic, shop, "checks", figure="freeze", value=35)
    assert (asked.status_code, asked.json()["errors"][0]["pointer"]) == (409, "#/value")
    told = record(mechanic, shop, "checks", figure="freeze", value=35, override_reason="water")
    assert told.json()["outcome"] == "fail"
