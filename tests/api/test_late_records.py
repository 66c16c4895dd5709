"""Records that reach the API when the order was signed off, or cancelled, meanwhile."""

from collections.abc import Callable
from typing import Any

import pytest
from django.utils import timezone

from fleet.stores.models import Item, Product, StockMove
from fleet.workorders import ending, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.models import Evidence, Note, TorqueRecord
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.dashboard.workshop import INVENTED, Workshop

Sends = Callable[..., Any]


@pytest.fixture
def sends(shop: Workshop, call: Caller) -> Sends:
    """What the mechanic's client sends now of work that was done at the beginning."""
    client, at = call(shop.people.mechanic), timezone.now()

    def send(kind: str, **given: Any) -> Any:
        given = {"client_key": f"late-{kind}", "performed_at": at.isoformat(), **given}
        return client.post(address(f"jobs/{shop.job.pk}/{kind}"), given, "json")

    return send


def signed_off(shop: Workshop) -> None:
    actor = shop.actor(shop.people.supervisor)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10_700, fit_for_use="yes"))
    ending.sign_off(shop.actor(shop.second_supervisor), shop.order.pk)


def test_work_done_before_the_sign_off_is_taken_after_it(shop: Workshop, sends: Sends) -> None:
    signed_off(shop)
    before = Evidence.objects.get().facts
    assert sends("torque", fastener="drain-plug").status_code == 201
    assert sends("torque", fastener="drain-plug").status_code == 201  # sent twice
    assert TorqueRecord.objects.count() == 1
    assert Evidence.objects.get().facts == before


def test_work_done_after_the_sign_off_is_refused(shop: Workshop, sends: Sends) -> None:
    signed_off(shop)
    now = timezone.now().isoformat()
    assert sends("torque", fastener="drain-plug", performed_at=now).status_code == 409


def test_a_late_record_books_stock(shop: Workshop, sends: Sends) -> None:
    oil = Product.objects.get(slug="right")
    item = Item.objects.create(slug="right", name="Right oil", kind="fluid", unit="mL",
                               product=oil, source=INVENTED)  # fmt: skip
    signed_off(shop)
    sends("fluids", way="filled", litres=1.5, product="right")
    assert StockMove.objects.get(item=item).quantity == -1500


def test_the_evidence_lists_it_beside_what_is_frozen(
    shop: Workshop, sends: Sends, call: Caller
) -> None:
    signed_off(shop)
    sends("torque", fastener="drain-plug")
    (row,) = call(shop.people.viewer).get(address("vehicles/V-101/evidence")).json()["rows"][-1:]
    assert [one["what"] for one in row["late"]] == ["drain plug 39.3187 N·m"]
    assert row["facts"]["torques"] == []


def test_the_signer_is_told_and_says_that_it_was_seen(
    shop: Workshop, sends: Sends, call: Caller
) -> None:
    signed_off(shop)
    signer, where = call(shop.second_supervisor), address(f"work-orders/{shop.order.number}")
    assert signer.get(where).json()["late_since"] is None
    sends("torque", fastener="drain-plug")
    told = signer.get(where)
    assert told.json()["late_since"] is not None
    tag = {"If-Match": told["ETag"]}
    assert call(shop.people.supervisor).post(f"{where}/late-seen", {}, "json",
                                             headers=tag).status_code == 403  # fmt: skip
    seen = signer.post(f"{where}/late-seen", {}, "json", headers=tag)
    assert (seen.status_code, seen.json()["late_since"]) == (200, None)
    again = signer.post(f"{where}/late-seen", {}, "json", headers={"If-Match": seen["ETag"]})
    assert again.status_code == 409


def test_a_withdrawal_is_not_back_dated_past_the_sign_off(
    shop: Workshop, sends: Sends, call: Caller
) -> None:
    sends("torque", fastener="drain-plug")
    at = timezone.now().isoformat()
    signed_off(shop)
    row = TorqueRecord.objects.get()
    where = address(f"work-orders/{shop.order.number}/records/torques/{row.pk}/withdraw")
    given = {"reason": "typed wrongly", "performed_at": at}
    assert call(shop.people.mechanic).post(where, given, "json").status_code == 409


def test_on_a_cancelled_order_it_is_kept_as_a_note(shop: Workshop, sends: Sends) -> None:
    progress.cancel(shop.actor(shop.people.supervisor), shop.order.pk, reason="sold")
    answer = sends("fluids", way="filled", litres=1.5, product="right")
    assert answer.status_code == 202
    assert answer.json()["text"].startswith("Fluid: way filled, litres 1.5, product right; ")
    now = timezone.now().isoformat()
    refused = sends("materials", name="clip", pieces=1, performed_at=now)
    assert (refused.status_code, Note.objects.count()) == (409, 1)
