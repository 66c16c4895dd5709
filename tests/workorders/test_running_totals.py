"""Quantities are judged on what a job adds up to, and kept as one fill."""

from importlib import import_module

import pytest
from django.apps import apps

from fleet.due.models import Fill, TopUp
from fleet.faults import Fault, Forbidden, Question
from fleet.stores.models import Product
from fleet.workorders import fluids, keep_fill, progress, withdraw
from fleet.workorders.fluids import Pouring
from fleet.workorders.models import FluidRecord, Job, Procedure
from tests.kept import kept
from tests.scene import INVENTED
from tests.workorders.conftest import Bay

MERGE = import_module("fleet.workorders.migrations.0019_one_fill_per_job").merge


@kept
def job(bay: Bay) -> Job:
    """A change of 5.4 L, started."""
    Procedure.objects.create(
        service=bay.oil, family="level plug", edition="1", source=INVENTED, minutes=40, refill_l=5.4
    )
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    progress.start(bay.actor(bay.mechanic), order.pk)
    return order.jobs.get()


def pour(bay: Bay, job: Job, quantity: str, way: str = "filled", **given: object) -> fluids.Poured:
    given = {"client_key": f"record-{FluidRecord.objects.count()}-{way}"} | given
    return fluids.fluid(
        bay.actor(bay.mechanic), job.pk, Pouring(way=way, quantity=quantity, **given)
    )


def test_a_second_fill_is_held_against_what_is_in_already(bay: Bay, job: Job) -> None:
    pour(bay, job, "5.0")
    with pytest.raises(
        Question, match=r"5 L, 10 L in all, but a service refill takes 5\.4 L"
    ) as asked:
        pour(bay, job, "5.0")
    assert asked.value.about == "quantity"
    with pytest.raises(Question) as asked:
        pour(bay, job, "", litres=5.0)
    assert asked.value.about == "litres"
    assert FluidRecord.objects.count() == 1


def test_a_first_pour_and_a_top_up_to_the_refill_are_no_question(bay: Bay, job: Job) -> None:
    pour(bay, job, "3")
    pour(bay, job, "2")
    pour(bay, job, "0.4", way="topped up")
    assert keep_fill.totals(job, bay.oil.compartment).in_ml == 5400


# 5.4 L and 10 %, our choice: 5.94 L
@pytest.mark.parametrize(("last", "asked"), [("0.94", False), ("0.95", True)])
def test_the_tolerance_ends_where_it_says(bay: Bay, job: Job, last: str, asked: bool) -> None:
    pour(bay, job, "5")
    try:
        pour(bay, job, last)
    except Question:
        assert asked
    else:
        assert not asked


def test_what_was_drained_and_filled_a_second_time_is_no_question(bay: Bay, job: Job) -> None:
    for litres in ("5.4", "5.3"):
        pour(bay, job, litres, way="drained")
        pour(bay, job, litres)
    assert FluidRecord.objects.count() == 4


def test_more_out_than_can_have_been_in_is_asked_about(bay: Bay, job: Job) -> None:
    with pytest.raises(Question, match="54 L"):
        pour(bay, job, "54", way="drained")
    said = "2 L came out, 37\u202f% of the refill."
    assert pour(bay, job, "2", way="drained").proposals == (said,)


def test_what_a_change_filled_and_topped_up_is_one_fill(bay: Bay, job: Job) -> None:
    right = Product.objects.create(slug="right", name="Right oil", source=INVENTED)
    sure = {"product": right, "override_reason": "no list of accepted ones here"}
    pour(bay, job, "5.0", **sure)
    pour(bay, job, "0.4", way="topped up", **sure)
    fill = Fill.objects.get()
    assert (fill.quantity_ml, fill.product, fill.mixed_with) == (5400, right, "")
    assert not TopUp.objects.exists()


def test_a_second_product_is_named_in_the_fill(bay: Bay, job: Job) -> None:
    one, other = (
        Product.objects.create(slug=name, name=name, source=INVENTED) for name in ("one", "other")
    )
    pour(bay, job, "3", product=one, override_reason="it was at hand")
    pour(bay, job, "2", product=other, override_reason="it was at hand")
    fill = Fill.objects.get()
    assert (fill.product, fill.mixed_with, fill.quantity_ml) == (other, "one", 5000)


def test_a_fill_taken_back_leaves_the_rest_of_the_job(bay: Bay, job: Job) -> None:
    first = pour(bay, job, "3").record
    second = pour(bay, job, "2").record
    pour(bay, job, "0.4", way="topped up")
    actor = bay.actor(bay.mechanic)
    withdraw.withdraw(actor, job.order_id, first, reason="other van")
    assert Fill.objects.get().quantity_ml == 2400
    withdraw.withdraw(actor, job.order_id, second, reason="other van")
    assert not Fill.objects.exists()
    assert TopUp.objects.get().quantity_ml == 400


def test_rows_that_stood_are_merged_once(
    bay: Bay, job: Job, capsys: pytest.CaptureFixture[str]
) -> None:
    pour(bay, job, "5.0")
    pour(bay, job, "0.4", way="topped up")
    kept = Fill.objects.get()
    as_before(kept, FluidRecord.objects.get(way="topped up"))
    MERGE(apps, None)
    MERGE(apps, None)
    fill = Fill.objects.get()
    assert (fill.quantity_ml, fill.key, fill.filled_on) == (5400, kept.key, kept.filled_on)
    assert not TopUp.objects.exists()
    assert capsys.readouterr().out.count("1 jobs") == 1


def as_before(kept: Fill, topped_up: FluidRecord) -> None:
    """The rows as each record used to leave them."""
    Fill.objects.filter(pk=kept.pk).update(quantity_ml=5000, key=None)
    TopUp.objects.create(
        vehicle=kept.vehicle,
        compartment=kept.compartment,
        topped_up_at=topped_up.performed_at,
        quantity_ml=400,
        source=kept.source,
        client_key=topped_up.client_key,
    )


def test_a_single_fill_that_stood_keeps_its_row(bay: Bay, job: Job) -> None:
    pour(bay, job, "5.0")
    before = Fill.objects.get()
    Fill.objects.update(key=None)
    MERGE(apps, None)
    assert (Fill.objects.get().pk, Fill.objects.get().key) == (before.pk, before.key)


# --- units ---------------------------------------------------------------------------------
# litres: NIST SP 811, appendix B.8
@pytest.mark.parametrize(
    ("typed", "ml", "shown"),
    [
        ("4.9", 4900, ""),
        ("4,9", 4900, ""),
        ("4.9 L", 4900, ""),
        ("0,950", 950, ""),
        ("950 mL", 950, "950 mL"),
        ("5.2 US qt", 4921, "5.2 US qt"),
        ("4.5 imp qt", 5114, "4.5 imp qt"),
        ("1.3 US gal", 4921, "1.3 US gal"),
        ("1 imp gal", 4546, "1 imp gal"),
        ("9 US pt", 4259, "9 US pt"),
    ],
)
def test_a_unit_typed_behind_a_quantity_is_read(
    typed: str, ml: int, shown: str, bay: Bay, job: Job
) -> None:
    record = pour(bay, job, typed).record
    assert (record.quantity_ml, record.typed) == (ml, shown)


def test_a_bare_quart_is_asked_about_until_the_depot_has_said_which(bay: Bay, job: Job) -> None:
    with pytest.raises(Question, match="US or imperial") as asked:
        pour(bay, job, "5.2 qt")
    assert asked.value.candidates == ("5.2 US qt: 4.92 L", "5.2 imp qt: 5.91 L")
    assert asked.value.about == "quantity"
    assert not FluidRecord.objects.exists()
    pour_as_supervisor(bay, job, "2.6 US qt", keep_quart=True)
    record = pour(bay, job, "2.6 qt").record
    assert str(record) == "filled 2.461 L as typed: 2.6 qt US"


def pour_as_supervisor(bay: Bay, job: Job, quantity: str, **given: object) -> None:
    fluids.fluid(
        bay.actor(),
        job.pk,
        Pouring(way="filled", quantity=quantity, client_key="by-sura-1", **given),
    )


def test_an_imperial_depot_means_imperial(bay: Bay, job: Job) -> None:
    pour_as_supervisor(bay, job, "1 imp qt", keep_quart=True)
    assert pour(bay, job, "1 gal").record.quantity_ml == 4546


def test_who_may_not_set_up_keeps_no_quart_for_the_depot(bay: Bay, job: Job) -> None:
    with pytest.raises(Forbidden):
        pour(bay, job, "5.2 US qt", keep_quart=True)
    with pytest.raises(Fault, match="US or imperial"):
        pour_as_supervisor(bay, job, "5.2 L", keep_quart=True)
    bay.van.depot.refresh_from_db()
    assert bay.van.depot.quart == ""
    assert not FluidRecord.objects.exists()


@pytest.mark.parametrize("typed", ["5 kg", "five", "-4 L", "-4", "0", "4.9.1"])
def test_what_is_no_quantity_is_refused_in_words(typed: str, bay: Bay, job: Job) -> None:
    with pytest.raises(Fault):
        pour(bay, job, typed)
    assert not FluidRecord.objects.exists()


def test_litres_and_a_quantity_at_once_are_refused(bay: Bay, job: Job) -> None:
    for given in ({"litres": 5.0, "quantity": "5 L"}, {}):
        with pytest.raises(Fault, match="either"):
            fluids.fluid(
                bay.actor(), job.pk, Pouring(way="filled", client_key="both-0001", **given)
            )
