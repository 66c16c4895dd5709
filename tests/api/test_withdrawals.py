"""Checks and findings taken back by the API, with what followed from them."""

from typing import Any

from rest_framework.test import APIClient

from fleet.due.models import CheckFigure, DueEarlier
from fleet.workorders import findings
from fleet.workorders.findings import Report
from fleet.workorders.models import DoNotUse, Finding
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.dashboard.workshop import INVENTED, Workshop, rain_water


def post(client: APIClient, where: str, **given: Any) -> Any:
    return client.post(address(where), given, "json")


def test_a_value_taken_back_calls_for_nothing(shop: Workshop, mechanic: APIClient) -> None:
    CheckFigure.objects.create(
        service=shop.oil, slug="moisture", name="Moisture", unit="%", pass_to=1,
        calls_for=shop.oil, source=INVENTED,
    )  # fmt: skip
    job = f"jobs/{shop.job.pk}/checks"
    made = post(mechanic, job, figure="moisture", value=40, client_key="typed-wrongly").json()
    where = f"work-orders/{shop.order.number}/records/checks/{made['id']}/withdraw"
    (offered,) = mechanic.get(address(where)).json()
    call = DueEarlier.objects.get()
    assert offered == {
        "key": f"call-{call.pk}", "words": "called for: Engine oil", "goes_with_it": True,
        "only": [],
    }  # fmt: skip
    assert post(mechanic, where, reason="4.0 was meant").status_code == 204
    call.refresh_from_db()
    assert call.withdrawn_at is not None
    records = mechanic.get(address(f"work-orders/{shop.order.number}/records")).json()
    (row,) = records["checks"]
    assert (row["withdrawn_by"], row["withdrawn_reason"]) == ("mika", "4.0 was meant")
    assert post(mechanic, where, reason="again").status_code == 409


def test_far_too_much_of_a_material_is_asked_about(shop: Workshop, mechanic: APIClient) -> None:
    where = f"jobs/{shop.job.pk}/materials"
    given = {"name": "Clip", "pieces": 40, "client_key": "forty-clips"}
    asked = post(mechanic, where, **given)
    assert asked.status_code == 409
    assert "40 pieces of Clip, for one job. Was it so much?" in asked.json()["detail"]
    made = post(mechanic, where, **given, override_reason="a whole cover")
    assert (made.status_code, made.json()["override_reason"]) == (201, "a whole cover")


def test_a_finding_takes_what_followed_with_it(
    shop: Workshop, mechanic: APIClient, call: Caller
) -> None:
    row = findings.report(shop.actor(shop.people.mechanic), rain_water(shop.order.vehicle))
    where, mark = f"findings/{row.pk}/withdraw", DoNotUse.objects.get()
    (offered,) = mechanic.get(address(where)).json()
    assert (offered["key"], offered["only"]) == (f"mark-{mark.pk}", ["Sol", "Sura"])
    refused = post(mechanic, where, reason="rain water", also=[offered["key"]])
    assert refused.status_code == 403
    assert refused.json()["detail"].endswith("Whoever set it does not clear it: ask Sol or Sura.") \
        or "may not clear" in refused.json()["detail"]  # fmt: skip
    other = call(shop.people.supervisor)
    assert post(other, where, reason="rain water", also=[offered["key"]]).status_code == 204
    mark.refresh_from_db()
    assert (mark.cleared_by, Finding.objects.get().withdrawn_by) == (shop.people.supervisor,) * 2


def test_what_did_not_follow_is_refused(shop: Workshop, mechanic: APIClient) -> None:
    row = findings.report(
        shop.actor(shop.people.mechanic),
        Report(
            vehicle=shop.order.vehicle,
            kind="seep",
            severity="soon",
            text="damp",
            client_key="a-damp-finding",
        ),
    )
    answer = post(mechanic, f"findings/{row.pk}/withdraw", reason="x", also=["mark-999"])
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "#/also")
    assert Finding.objects.get().withdrawn_by is None
