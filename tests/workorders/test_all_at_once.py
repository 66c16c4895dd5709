"""Every missing point by one tap; what a gap is; and words that are longer than a row keeps."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.apps import apps
from django.db import models

from fleet.due.models import CheckFigure, TopUp
from fleet.faults import Fault, Question
from fleet.workorders import (
    checks,
    confirming,
    consumption,
    ending,
    findings,
    fluids,
    fluids_in,
    gaps,
    joblist,
    progress,
    recording,
    withdraw,
)
from fleet.workorders.ending import AtFinish
from fleet.workorders.findings import Report
from fleet.workorders.fluids import Pouring
from fleet.workorders.fluids_in import acceptance, approve_substitute, withdraw_substitute
from fleet.workorders.models import (
    ConfirmRecord,
    FluidRecord,
    Gap,
    Job,
    OrderEvent,
    Step,
    Substitute,
    TorqueRecord,
    Wrench,
)
from fleet.workorders.points import Point, in_words, points_of
from fleet.workorders.rules import printed_only
from tests.kept import kept
from tests.scene import INVENTED, NOW
from tests.stores import shelf
from tests.workorders.conftest import Bay
from tests.workorders.wheels import WHEELS, Workshop, workshop

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


@kept
def shop(bay: Bay) -> Workshop:
    return workshop(bay)


# --- by one tap --------------------------------------------------------------------------------
def test_one_tap_confirms_the_points_of_a_re_check_that_are_missing(shop: Workshop) -> None:
    rule = shop.rule()
    shop.changed()
    job = shop.again(rule, hours=1)
    shop.confirmed(job, "first", shop.at(hours=1), rule="wheels", point=WHEELS[0])
    key = "k" * 64
    made = confirming.confirm_all(shop.at(hours=2), job.pk, client_key=key, rule=" wheels ")
    assert [row.point for row in made] == WHEELS[1:]
    assert all(isinstance(row, ConfirmRecord) and row.seen for row in made)
    # a key for each, by its place among all of them
    assert [row.client_key for row in made] == [f"{'k' * 60}-{at}" for at in (1, 2, 3)]
    assert shop.due(rule) is not None  # the caller refreshes the vehicle
    again = confirming.confirm_all(shop.at(hours=2), job.pk, client_key=key, rule="wheels")
    assert again == []


def test_one_tap_tightens_every_point_of_a_step_to_its_figure(shop: Workshop) -> None:
    shop.procedure.fasteners.create(
        slug="nuts", name="Wheel nuts", torque_nm=120, seal="none", source=INVENTED
    )
    shop.hold(kind="refit", text="Wheels on.", fastener="nuts", points=["each wheel"])
    job = shop.started()
    Wrench.objects.create(
        depot=job.order.depot, tag="TW-3", calibrated_until_on=NOW.date() + timedelta(days=30)
    )
    given = {"client_key": "all-wheels", "step": 1, "wrench": "TW-3"}
    made = confirming.confirm_all(shop.at(), job.pk, **given)
    assert [(row.point, row.torque_nm) for row in TorqueRecord.objects.order_by("pk")] == [
        (wheel, 120) for wheel in WHEELS
    ]
    assert [row.wrench.tag for row in made] == ["TW-3"] * 4  # type: ignore[union-attr]


def test_one_tap_of_a_re_check_of_a_fastener_keeps_its_figure(shop: Workshop) -> None:
    shop.procedure.fasteners.create(
        slug="nuts", name="Nuts", torque_nm=120, seal="none", source=INVENTED
    )
    rule = shop.rule(record="fastener", fastener="nuts", points=[])
    shop.changed()
    job = shop.again(rule, hours=1)
    (made,) = confirming.confirm_all(shop.at(hours=1), job.pk, client_key="all-nuts", rule="wheels")
    assert isinstance(made, ConfirmRecord)
    assert (made.value, made.unit, made.seen, made.rule) == (120, "N·m", True, rule)


def test_points_are_told_step_by_step() -> None:
    points = [
        Point("Wheels on.", "front left", True, step=3),
        Point("Wheels on.", "rear left", True, step=3),
        Point("Pedal firm.", "", True, step=4),
        Point("Nuts.", "front left", False, rule="nuts"),
    ]
    told = "Wheels on: front left, rear left; Pedal firm.; Nuts: front left"
    assert in_words(points) == told
    assert in_words([]) == ""


def test_each_wheel_is_every_wheel_of_the_type(shop: Workshop) -> None:
    kind = shop.bay.oil.vehicle_type
    kind.refresh_from_db()
    assert points_of(["each wheel", "spare"], kind) == [*WHEELS, "spare"]
    assert points_of([], kind) == [""]
    kind.wheel_positions = []
    assert points_of(["each wheel"], kind) == ["each wheel"]


# --- gaps --------------------------------------------------------------------------------------
@pytest.mark.parametrize(("wait_min", "asked"), [(59.9, True), (60, False)])
def test_a_seal_cures_before_it_is_wetted(shop: Workshop, wait_min: float, asked: bool) -> None:
    Step.objects.create(
        procedure=shop.procedure, number=1, kind="cure", text="Seal.", wait_min=60, confirm=True
    )
    job = shop.started()
    shop.confirmed(job, "sealed", shop.at(), step=1)
    pouring = Pouring(way="filled", client_key="filled-01", litres=1.0)
    after = replace(shop.at(), now=NOW + timedelta(minutes=wait_min))
    if asked:
        with pytest.raises(Question, match="Only 59 of 60 min have gone since: Seal"):
            fluids.fluid(after, job.pk, pouring)
        assert fluids.fluid(after, job.pk, replace(pouring, way="topped up")).record.pk
    else:
        assert fluids.fluid(after, job.pk, pouring).record.question == ""


def test_the_last_level_wants_a_word_or_a_top_up(shop: Workshop) -> None:
    for number in (1, 2):
        Step.objects.create(
            procedure=shop.procedure, number=number, kind="read level", text=f"Level {number}."
        )
    job = shop.started()

    def words() -> list[str]:
        return [one.words for one in gaps.missing(job) if one.kind == Gap.Kind.LEVEL]

    assert words() == ["Level 2."]
    shop.confirmed(job, "one", shop.at(), step=1)
    assert words() == ["Level 2."]
    shop.confirmed(job, "two", shop.at(), step=2)
    assert words() == []
    ConfirmRecord.objects.update(withdrawn_by=shop.bay.mechanic)
    topped = fluids.fluid(
        shop.at(), job.pk, Pouring(way="topped up", client_key="topped-01", litres=0.2)
    )
    assert words() == []
    FluidRecord.objects.filter(pk=topped.record.pk).update(withdrawn_by=shop.bay.mechanic)
    assert words() == ["Level 2."]


def test_a_torque_without_its_wrench_is_a_gap_where_the_depot_has_wrenches(
    bay: Bay, job: Job
) -> None:
    row = TorqueRecord.objects.create(
        job=job, fastener="drain-plug", fastener_name="Drain plug", point="left", torque_nm=39.3,
        reference_nm=39.3, to_the_figure=True, client_key="torque-01", channel="test",
        performed_at=NOW,
    )  # fmt: skip

    def wrenches() -> list[tuple[str, str, float | None]]:
        rows = [one for one in gaps.missing(job) if one.wrench]
        return [(one.words, one.place, one.torque_nm) for one in rows]

    assert wrenches() == []
    wrench = Wrench.objects.create(
        depot=job.order.depot, tag="TW-3", calibrated_until_on=NOW.date()
    )
    told = ("Drain plug, left: no wrench noted", "wrench:drain-plug:left", 39.3)
    assert wrenches() == [told]
    TorqueRecord.objects.filter(pk=row.pk).update(figure_source="a book")  # of no procedure
    assert wrenches() == []
    TorqueRecord.objects.filter(pk=row.pk).update(figure_source="", wrench=wrench)
    assert wrenches() == []


def test_an_end_that_is_corrected_leaves_its_own_gaps_only(bay: Bay, job: Job) -> None:
    Step.objects.create(procedure=job.service.procedure, number=1, kind="read level", text="Level.")
    actor = bay.actor(bay.mechanic)
    for because in ("forgotten", "no lamp"):
        progress.end_job(actor, job.pk, state="done", because=because)
    assert [row.reason for row in gaps.gaps_of(job.order)] == ["no lamp"]


def test_a_book_that_prints_a_re_check_without_a_rule_is_named(shop: Workshop) -> None:
    assert printed_only() == []
    shop.procedure.retorque_after_km = 50.0
    shop.procedure.save()
    assert printed_only() == ["van gearbox-oil"]
    shop.procedure.retorque_after_km, shop.procedure.re_check = None, "look for drips"
    shop.procedure.save()
    assert printed_only() == ["van gearbox-oil"]
    shop.rule()
    assert printed_only() == []


# --- substitutes and consumption ---------------------------------------------------------------
def test_a_substitute_is_approved_with_reason_and_source_and_ended_once(bay: Bay, job: Job) -> None:
    place, other = bay.oil.compartment, shelf.product("other")
    given: dict[str, Any] = {"compartment": place, "product": other, "depot_id": bay.van.depot_id}
    for lacking in ({"reason": " ", "source": "book"}, {"reason": "none left", "source": " "}):
        with pytest.raises(Fault, match="a person, a reason and the source"):
            approve_substitute(bay.actor(), **given, **lacking)
    told = {"reason": f" {'r' * 400}", "source": f" {'s' * 400}"}
    with pytest.raises(Fault, match="needs a person"):
        approve_substitute(replace(bay.actor(), person=None), **given, **told)
    row = approve_substitute(bay.actor(), **given, **told, job=job)
    assert (row.reason, row.source) == ("r" * 300, "s" * 300)
    assert acceptance(place, other, job).accepted
    assert not acceptance(place, other).accepted  # for this job only
    with pytest.raises(Fault, match="A supervisor may approve a substitute"):
        fluids_in.refuse_unaccepted(place, other)
    fluids_in.refuse_unaccepted(place, other, job)
    assert list(fluids_in.substitutes_of(job.order.pk)) == [row]
    ended = withdraw_substitute(bay.actor(), row, bay.van.depot_id)
    assert ended.withdrawn_at == NOW
    assert list(fluids_in.substitutes_of(job.order.pk)) == []
    with pytest.raises(Fault, match="taken back already"):
        withdraw_substitute(bay.actor(), row, bay.van.depot_id)
    whats = job.order.events.filter(job=job).values_list("what", flat=True)
    assert list(whats) == ["approve substitute", "withdraw substitute"]


def topped(days_ago: float, ml: int, km: float | None = None, *, level: bool = True) -> TopUp:
    at = NOW - timedelta(days=days_ago)
    return TopUp(topped_up_at=at, quantity_ml=ml, total_km=km, to_level=level)


@pytest.mark.parametrize(
    ("rows", "rate"),
    [
        ([topped(9, 900, 1_000)], None),
        ([topped(9, 900, 1_000), topped(1, 500, 2_000)], 0.5),  # the first replaced earlier losses
        ([topped(9, 900, 1_000), topped(5, 300, None), topped(1, 500, 2_000)], 0.8),
        ([topped(9, 9, 1_000), topped(5, 300, 1_500, level=False), topped(1, 500, 2_000)], 0.8),
        ([topped(9, 900, 1_000), topped(1, 500, 1_500)], 1.0),
        ([topped(9, 900, 1_000), topped(1, 500, 1_499)], None),  # our choice: 500 km at least
        ([topped(9, 900, 1_000), topped(3, 500, 2_000), topped(1, 99, None)], 0.5),
    ],
)
def test_consumption_is_what_went_in_after_the_first_level_up_to_the_last(
    rows: list[TopUp], rate: float | None
) -> None:
    assert consumption.litres_per_1000_km(rows) == rate


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([topped(9, 900, 1_000), topped(1, 500, 2_000)], ""),
        (
            [topped(9, 900, 1_000), topped(1, 501, 2_000)],
            "0.50 L per 1,000 km between equal levels.",
        ),
        ([topped(90, 1), topped(50, 1), topped(1, 1)], "Topped up 3 times in 90 days."),
        ([topped(90.1, 1), topped(50, 1), topped(1, 1)], ""),
        ([topped(50, 1), topped(1, 1)], ""),
    ],
)
def test_high_consumption_and_top_ups_that_repeat_are_odd(rows: list[TopUp], told: str) -> None:
    assert consumption._what_is_odd(rows, NOW) == told


# --- long words --------------------------------------------------------------------------------
def texts() -> Iterator[tuple[str, str, int]]:
    """What every row of orders and services keeps in words, and how much it may."""
    for model in [*apps.get_app_config("workorders").get_models(), *_of_due()]:
        columns = [one for one in model._meta.fields if isinstance(one, models.CharField)]
        for row in model._default_manager.all():
            for one in columns:
                text = getattr(row, one.attname) or ""
                yield f"{model.__name__}.{one.name}", text, one.max_length or 0


def _of_due() -> list[Any]:
    return [apps.get_model("due", name) for name in ("DueEarlier", "ServiceDone", "CheckResult")]


def test_of_long_words_as_much_is_kept_as_a_row_holds(bay: Bay, job: Job) -> None:
    """SQLite keeps what is longer, PostgreSQL refuses it: nobody's words may end in an error."""
    actor, word = bay.actor(bay.mechanic), "w" * 900
    figure = CheckFigure.objects.create(
        service=bay.oil, slug="water", name="Water", unit="%", pass_to=2, source="s" * 300
    )
    Step.objects.create(
        procedure=job.service.procedure, number=1, kind="read level", text="t" * 500
    )
    checks.measure(actor, job.order, figure=figure, value=9, client_key="value-001")
    wrong = shelf.product("wrong")
    poured = Pouring(way="filled", client_key="filled-01", litres=1.4, product=wrong)
    poured = fluids.fluid(actor, job.pk, replace(poured, override_reason=word)).record
    withdraw.withdraw(actor, job.order_id, poured, reason=word)
    told = Report(
        vehicle=bay.van,
        kind="leak",
        severity="watch",
        text="f" * 500,
        client_key="leak-0001",
        compartment=bay.oil.compartment,
    )
    findings.report(actor, told)
    leak = findings.open_findings().get(kind="leak")
    findings.follow_up(bay.actor(), leak.pk, what="Tighten", minutes=10)
    findings.set_do_not_use(actor, vehicle=bay.van, reason=word)
    joblist.add_jobs(bay.actor(), job.order_id, other_work=[("m" * 120, 5)], reason=word)
    mirror = job.order.jobs.get(minutes=5)
    joblist.drop_jobs(bay.actor(), job.order_id, job_ids=[mirror.pk], reason=word)
    recording.note(actor, job.order_id, text="n" * 1_000, client_key="note-0001")
    findings.open_findings().filter(kind="wrong fluid").update(closed_at=NOW)
    progress.end_job(actor, job.pk, state="done", because=word)
    ending.finish(actor, job.order_id, AtFinish(odometer=23_350, fit_for_use="yes", because=word))
    ending.correct(bay.actor(), job.order_id, reason="wrong odometer")
    found = list(texts())
    too_long = {name for name, text, most in found if len(text) > most}
    full = {name for name, text, most in found if len(text) == most}
    assert too_long == set()
    assert full >= {
        *("OrderEvent.reason", "Gap.words", "Gap.reason", "DoNotUse.reason"),
        *("FluidRecord.override_reason", "FluidRecord.withdrawn_reason", "Finding.text"),
        *("DueEarlier.reason", "Note.text"),
    }
    assert not Substitute.objects.exists()
    assert OrderEvent.objects.filter(what="finish").exists()
