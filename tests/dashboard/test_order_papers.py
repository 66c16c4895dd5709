from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from fleet.due.models import CheckFigure, CheckResult, Fill, ServiceDone
from fleet.people.models import Person
from fleet.stores.models import Product
from fleet.workorders import checks, ending, findings, fluids, progress
from fleet.workorders.ending import AtFinish
from fleet.workorders.fluids import Pouring
from fleet.workorders.models import Substitute, WorkOrder
from tests.cast import depots_day
from tests.dashboard.workshop import INVENTED, Workshop

SignedIn = Callable[[Person], Client]
PDF = b"%PDF-1.4\n%%EOF\n"


@pytest.fixture(autouse=True)
def files(settings: Any, tmp_path: Path) -> Path:
    settings.MEDIA_ROOT = tmp_path
    return tmp_path


def said(client: Client, address: str, **given: Any) -> str:
    return client.post(address, given, follow=True).content.decode()


# --- papers of an outside workshop ---------------------------------------------------------
def invoice(client: Client, **more: Any) -> WorkOrder:
    given = {"service": "engine-oil", "done_on": depots_day().isoformat()}
    given |= {"workshop_name": "Outside", "invoice_number": "R-17"}
    client.post("/vehicles/V-102/outside", {**given, **more})
    return WorkOrder.objects.get(where="outside workshop")


def test_a_document_sent_with_the_papers_is_saved_again(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    order = invoice(client, papers=SimpleUploadedFile("a.pdf", PDF, "application/pdf"))
    assert "Save the document" in client.get(f"/work-orders/{order}").content.decode()
    answer = client.get(f"/work-orders/{order}/papers")
    assert answer.content == PDF
    assert answer["Content-Disposition"] == f'attachment; filename="{order}-papers.pdf"'


def test_a_document_that_comes_later_is_added_with_an_event(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    order = invoice(client, document="binder 4")
    page = f"/work-orders/{order}/papers"
    assert client.get(page).status_code == 404
    refused = SimpleUploadedFile("a.exe", b"MZ", "application/pdf")
    assert "send a PDF or a photo" in said(client, f"{page}/add", document=refused)
    said(client, f"{page}/add", document=SimpleUploadedFile("a.pdf", PDF))
    assert client.get(page).status_code == 200
    assert order.events.latest("pk").what == "add papers"


def test_papers_are_their_depots_and_a_mechanic_adds_none(
    shop: Workshop, signed_in: SignedIn, files: Path
) -> None:
    order = invoice(signed_in(shop.people.supervisor), papers=SimpleUploadedFile("a.pdf", PDF))
    kept = len(list(files.rglob("*.pdf")))
    for who, read, add in ((shop.people.mechanic, 200, 403), (shop.people.outsider, 404, 404)):
        client = signed_in(who)
        assert client.get(f"/work-orders/{order}/papers").status_code == read
        given = {"document": SimpleUploadedFile("b.pdf", PDF)}
        assert client.post(f"/work-orders/{order}/papers/add", given).status_code == add
    assert len(list(files.rglob("*.pdf"))) == kept


def test_papers_that_are_refused_leave_no_file(
    shop: Workshop, signed_in: SignedIn, files: Path
) -> None:
    given = {"workshop_name": "", "papers": SimpleUploadedFile("a.pdf", PDF)}
    given |= {"service": "engine-oil", "done_on": depots_day().isoformat()}
    answer = said(signed_in(shop.people.supervisor), "/vehicles/V-102/outside", **given)
    assert "Name the workshop" in answer
    assert not list(files.rglob("*.pdf"))


@pytest.mark.parametrize(
    "address",
    [
        *("papers/add", "substitutes", "substitutes/1/withdraw", "records/note/1/withdraw"),
        "change",
    ],
)
def test_a_form_about_an_order_without_its_token_changes_nothing(
    address: str, shop: Workshop
) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(shop.people.supervisor)
    answer = client.post(f"{shop.page}/{address}", {"reason": "x"})
    assert (answer.status_code, b"Nothing was changed" in answer.content) == (403, True)


# --- records taken back --------------------------------------------------------------------
def filled(shop: Workshop) -> str:
    """The address that takes a fill back."""
    shop.start()
    row = fluids.fluid(
        shop.actor(shop.people.mechanic),
        shop.job.pk,
        Pouring(
            way="filled",
            litres=1.5,
            client_key="phone-1-fill",
            product=Product.objects.get(slug="right"),
        ),
    ).record
    return f"{shop.page}/records/fluid/{row.pk}/withdraw"


def test_a_record_is_taken_back_with_its_reason(shop: Workshop, signed_in: SignedIn) -> None:
    address, client = filled(shop), signed_in(shop.people.mechanic)
    assert "Take back" in client.get(shop.page).content.decode()
    assert "Say why it is taken back" in said(client, address, reason="")
    assert "Taken back: filled 1.5 L" in said(client, address, reason="other van")
    assert not Fill.objects.filter(source__contains=str(shop.order)).exists()
    event = shop.order.events.latest("pk")
    assert (event.what, event.reason) == ("withdraw record", "filled 1.5 L: other van")


def test_a_viewer_takes_nothing_back_and_another_depot_finds_nothing(
    shop: Workshop, signed_in: SignedIn
) -> None:
    address = filled(shop)
    for who, status in ((shop.people.viewer, 403), (shop.people.outsider, 404)):
        assert signed_in(who).post(address, {"reason": "x"}).status_code == status
    assert shop.job.fluids.get().withdrawn_by is None


def test_a_record_of_another_order_or_kind_is_not_found(
    shop: Workshop, signed_in: SignedIn
) -> None:
    address, client = filled(shop), signed_in(shop.people.mechanic)
    for other in (address.replace("fluid", "torque"), address.replace("fluid", "session")):
        assert client.post(other, {"reason": "x"}).status_code == 404


# --- substitutes ---------------------------------------------------------------------------
def stand_in(shop: Workshop, **more: str) -> dict[str, Any]:
    given = {"job": shop.job.pk, "product": "wrong", "reason": "out of stock"}
    return given | {"source": "letter of the maker, invented"} | more


@pytest.mark.parametrize(("how_long", "always"), [("job", False), ("always", True)])
def test_a_substitute_is_approved_for_this_order_or_always(
    how_long: str, always: bool, shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    given = stand_in(shop, how_long=how_long)
    assert "may go into Engine" in said(client, f"{shop.page}/substitutes", **given)
    row = Substitute.objects.get()
    assert (row.job is None, row.person) == (always, shop.people.supervisor)
    shop.start()
    card = client.get(f"{shop.page}/card").content.decode()
    accepted = card.split("Accepted here", 1)[1].split("</optgroup>")[0]
    assert "Wrong oil" in accepted
    said(client, f"{shop.page}/substitutes/{row.pk}/withdraw")
    assert Substitute.objects.get().withdrawn_at is not None


def test_a_substitute_needs_reason_and_source(shop: Workshop, signed_in: SignedIn) -> None:
    client = signed_in(shop.people.supervisor)
    for missing in ("reason", "source"):
        answer = said(client, f"{shop.page}/substitutes", **stand_in(shop, **{missing: " "}))
        assert "a reason and the source" in answer
    assert not Substitute.objects.exists()


def test_only_a_supervisor_of_the_depot_approves_substitutes(
    shop: Workshop, signed_in: SignedIn
) -> None:
    for who, status in ((shop.people.mechanic, 403), (shop.people.outsider, 404)):
        client = signed_in(who)
        answer = client.post(f"{shop.page}/substitutes", stand_in(shop))
        assert answer.status_code == status
    page = signed_in(shop.people.mechanic).get(shop.page).content.decode()
    assert "stand in" not in page


# --- the odometer, read again --------------------------------------------------------------
def doubtful(shop: Workshop) -> None:
    shop.start()
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=107_000, fit_for_use="yes"))


def test_a_doubtful_odometer_is_corrected_on_card_and_order(
    shop: Workshop, signed_in: SignedIn
) -> None:
    doubtful(shop)
    client = signed_in(shop.people.mechanic)
    for address in (shop.page, f"{shop.page}/card"):
        seen = client.get(address).content.decode()
        assert "please look again" in seen
        assert "settle it among the readings" not in seen  # a mechanic may not
    given = {"change": "read-again", "version": shop.now().version, "odometer": "10 700"}
    assert "is accepted now" in said(client, f"{shop.page}/change", **given)
    assert not ServiceDone.objects.latest("pk").provisional
    assert "please look again" not in client.get(shop.page).content.decode()


def test_nobody_is_asked_about_an_odometer_that_was_accepted(
    shop: Workshop, signed_in: SignedIn
) -> None:
    shop.start()
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="not tried here")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10_700, fit_for_use="yes"))
    assert "look again" not in signed_in(shop.people.mechanic).get(shop.page).content.decode()


def test_do_not_use_stands_wherever_the_vehicle_is_until_it_is_cleared(
    shop: Workshop, signed_in: SignedIn
) -> None:
    van, first = shop.people.van, shop.actor(shop.people.supervisor)
    mark = findings.set_do_not_use(first, vehicle=van, reason="brake pipe chafed")
    client = signed_in(shop.people.viewer)
    pages = ("/due?search=V-101", "/work-orders", "/findings", "/todays-orders", "/vehicles/V-101")
    pages += ("/vehicles/V-101/evidence", shop.page, f"{shop.page}/card")
    for address in pages:
        assert "brake pipe chafed" in client.get(address).content.decode(), address
    other = shop.actor(shop.second_supervisor)
    findings.clear_do_not_use(other, mark.pk, reason="pipe replaced")
    for address in pages:
        assert "brake pipe chafed" not in client.get(address).content.decode(), address


# --- measured values -----------------------------------------------------------------------
def test_a_measured_value_stands_with_its_outcome_wherever_it_matters(
    shop: Workshop, signed_in: SignedIn
) -> None:
    figure = CheckFigure.objects.create(
        service=shop.oil, slug="water", name="Water", unit="%",
        pass_to=2, watch_to=3, source=INVENTED,
    )  # fmt: skip
    shop.start()
    actor = shop.actor(shop.people.mechanic)
    checks.measure(actor, shop.now(), figure=figure, value=2.4, client_key="phone-1-water")
    assert CheckResult.objects.get().outcome == "watch"
    client = signed_in(shop.people.viewer)
    for address in (shop.page, "/vehicles/V-101"):
        seen = client.get(address).content.decode()
        assert "outcome-watch" in seen
    assert "passes up to 2 %, to be watched up to 3 %, fails above" in seen
