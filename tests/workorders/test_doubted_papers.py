"""Papers whose odometer the readings contradict: asked about in every way of entering them."""

from datetime import date

import pytest

from fleet.due.models import ServiceDone
from fleet.faults import Question
from fleet.workorders import outside
from fleet.workorders.models import WorkOrder
from fleet.workorders.outside import InvoicedWork
from tests.workorders.conftest import Bay


def papers(bay: Bay, km: float, why: str = "") -> WorkOrder:
    return outside.record(
        bay.actor(),
        InvoicedWork(
            vehicle=bay.van,
            services=[bay.oil],
            done_on=date(2026, 6, 1),
            odometer_km=km,
            workshop_name="An outside workshop",
            invoice_number="R-17",
            override_reason=why,
        ),
    )


def test_an_odometer_that_cannot_be_is_asked_about_and_nothing_is_entered(bay: Bay) -> None:
    with pytest.raises(Question) as question:
        papers(bay, 220_000)
    assert (question.value.about, question.value.candidates) == (
        "odometer_km",
        ("22,000 km: one digit too many",),
    )
    assert not WorkOrder.objects.exists()


def test_with_a_reason_the_papers_are_entered_and_the_reason_is_kept(bay: Bay) -> None:
    assert papers(bay, 220_000, "so it stands on the invoice").state == "finished"
    row = ServiceDone.objects.get(evidence="outside workshop")
    assert (row.total_km, row.why_it_stands) == (220_000, "so it stands on the invoice")
