from datetime import date
from io import BytesIO
from pathlib import Path

import pytest
from django.conf import settings as configured
from PIL import Image

from fleet.faults import Fault, Forbidden
from fleet.workorders import outside, papers
from fleet.workorders.models import WorkOrder
from fleet.workorders.outside import InvoicedWork
from tests.workorders.conftest import Bay

PDF = b"%PDF-1.4\n%%EOF\n"


@pytest.fixture(autouse=True)
def files(settings: object, tmp_path: Path) -> Path:
    configured.MEDIA_ROOT = tmp_path
    return tmp_path


@pytest.fixture
def invoice(bay: Bay) -> WorkOrder:
    return outside.record(
        bay.actor(),
        InvoicedWork(
            vehicle=bay.van,
            services=[bay.oil],
            done_on=date(2026, 6, 1),
            odometer_km=22_000,
            workshop_name="An outside workshop",
            invoice_number="R-17",
        ),
    )


def photo_of_papers() -> bytes:
    drawn = BytesIO()
    Image.new("RGB", (60, 80), "white").save(drawn, "PNG")
    return drawn.getvalue()


@pytest.mark.parametrize(
    ("data", "kind"), [(PDF, "application/pdf"), (photo_of_papers(), "image/jpeg")]
)
def test_papers_that_come_later_are_kept_and_leave_an_event(
    bay: Bay, invoice: WorkOrder, data: bytes, kind: str
) -> None:
    order = papers.attach(bay.actor(), invoice.pk, data)
    found = papers.kept(order)
    assert found is not None
    assert (found[0].is_file(), found[1]) == (True, kind)
    assert order.events.latest("pk").what == "add papers"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty"),
        (b"MZ\x90 a program", "PDF or a photo"),
        (PDF + b"x" * papers.MOST_BYTES, "more than 15 MB"),
    ],
)
def test_what_is_no_document_is_refused_and_leaves_no_file(
    bay: Bay, invoice: WorkOrder, files: Path, data: bytes, says: str
) -> None:
    with pytest.raises(Fault, match=says):
        papers.attach(bay.actor(), invoice.pk, data)
    assert not list(files.rglob("*.*"))


def test_who_may_not_enter_papers_leaves_no_file(bay: Bay, invoice: WorkOrder, files: Path) -> None:
    with pytest.raises(Forbidden):
        papers.attach(bay.actor(bay.mechanic), invoice.pk, PDF)
    assert not list(files.rglob("*.pdf"))


def test_an_order_of_ones_own_workshop_takes_no_papers(bay: Bay) -> None:
    with pytest.raises(Fault, match="outside workshop"):
        papers.attach(bay.actor(), bay.order().pk, PDF)


@pytest.mark.parametrize("text", ["binder 4", "../secret.pdf", "papers/../../db.pdf", "/etc/hosts"])
def test_words_about_papers_open_no_file(invoice: WorkOrder, text: str) -> None:
    invoice.document = text
    assert papers.kept(invoice) is None
