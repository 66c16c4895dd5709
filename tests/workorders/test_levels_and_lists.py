"""Levels, time in the workshop, what is short and how findings are listed; by hand."""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest

from fleet.due.models import CheckFigure, CheckResult
from fleet.workorders import checks, measured
from fleet.workorders.cardfluids import CardMaterial
from fleet.workorders.downtime import Downtime, downtime, split
from fleet.workorders.evidence_words import (
    check_words,
    finding_words,
    fluid_words,
    in_words,
    material_words,
    torque_words,
)
from fleet.workorders.findings_listed import (
    after_pressing,
    most_pressing,
    narrowed,
    severity_counts,
)
from fleet.workorders.fluids import odd_looks, odd_untold
from fleet.workorders.in_stock import Needed, of_card
from fleet.workorders.levels import Level, levels
from fleet.workorders.models import ConfirmRecord, Finding, FluidRecord, Job, WorkOrder
from tests.scene import INVENTED, NOW
from tests.workorders.conftest import Bay

NINE = datetime(2026, 6, 15, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


# --- time in the workshop ----------------------------------------------------------------------
@pytest.mark.parametrize(
    ("whole_h", "waited_h", "found"),
    [
        (4, 1, Downtime(4, 3, 1, False)),
        (4, 5, Downtime(4, 0, 4, False)),  # no longer than it was there
        (-1, 1, Downtime(0, 0, 0, False)),
        (0.5, 0, Downtime(0.5, 0.5, 0, False)),
    ],
)
def test_time_there_is_work_and_waiting(whole_h: float, waited_h: float, found: Downtime) -> None:
    assert split(NINE, NINE + whole_h * HOUR, waited_h * HOUR, running=False) == found


def test_downtime_runs_from_the_arrival_to_the_return() -> None:
    order = WorkOrder(waited_s=1_800)
    assert downtime(order, NINE) is None
    order.arrived_at = NINE
    assert downtime(order, NINE + 2 * HOUR) == Downtime(2, 1.5, 0.5, True)
    order.waiting_since = NINE + HOUR  # an hour more, and it waits still
    assert downtime(order, NINE + 2 * HOUR) == Downtime(2, 0.5, 1.5, True)
    order.waiting_since, order.returned_at = None, NINE + 3 * HOUR
    assert downtime(order, NINE + 9 * HOUR) == Downtime(3, 2.5, 0.5, False)


# --- what is short -----------------------------------------------------------------------------
def line(**given: object) -> CardMaterial:
    fields: dict[str, Any] = dict.fromkeys(CardMaterial.__dataclass_fields__, "")
    fields |= {"litres": None, "pieces": None, "on_hand_l": None, "on_hand_pieces": None}
    fields |= {"containers": None, "container_l": None, "only_when_recorded": False}
    return CardMaterial(**(fields | given))


def test_what_open_jobs_take_is_added_up_and_what_is_short_comes_first() -> None:
    oil = {"name": "Oil", "item": "oil", "product_name": "Gear oil", "shelf_place": "A 3"}
    first = [
        line(**oil, litres=1.5, on_hand_l=2.1),
        line(name="Cloth", pieces=2, on_hand_pieces=2),
        line(name="Ring", pieces=1),
        line(name="Sealant", pieces=1, only_when_recorded=True),
    ]
    second = [line(**oil, litres=0.6, on_hand_l=2.1), line(name="Cloth", pieces=1)]
    card = SimpleNamespace(
        jobs=[
            SimpleNamespace(state="open", materials=first),
            SimpleNamespace(state="open", materials=second),
            SimpleNamespace(state="done", materials=first),
        ]
    )
    found = of_card(card)  # type: ignore[arg-type]
    assert [(one.words, one.on_hand, one.short, one.too_little) for one in found] == [
        ("3 × Cloth", 2, True, True),
        ("1 × Ring", None, True, False),  # not kept: no work waits for it
        ("2.1 L Gear oil", 2.1, False, False),
    ]
    assert found[2].shelf_place == "A 3"


@pytest.mark.parametrize(("on_hand", "short"), [(None, True), (2.0, True), (2.1, False)])
def test_enough_is_what_is_needed(on_hand: float | None, short: bool) -> None:
    found = Needed("Oil", "L", 2.1, on_hand, "")
    assert (found.short, found.too_little) == (short, short and on_hand is not None)


# --- levels ------------------------------------------------------------------------------------
def test_a_level_holds_until_it_is_read_low_or_something_is_poured_in(bay: Bay, job: Job) -> None:
    def read(minutes: int, *, seen: bool = True, step: int = 4, **given: object) -> None:
        ConfirmRecord.objects.create(
            job=job,
            step=step,
            seen=seen,
            about="Read the level.",
            client_key=f"level-{minutes}-{step}",
            performed_at=NINE + timedelta(minutes=minutes),
            channel="test",
            **given,
        )

    def pour(minutes: int, way: str = "topped up", **given: object) -> FluidRecord:
        return FluidRecord.objects.create(
            job=job,
            compartment=bay.oil.compartment,
            way=way,
            quantity_ml=100,
            client_key=f"pour-{minutes}-{way}",
            performed_at=NINE + timedelta(minutes=minutes),
            channel="test",
            **given,
        )

    assert levels(job.order) == {}
    read(10, person=bay.mechanic)
    read(10, step=7)
    whole = Level(NINE + timedelta(minutes=10), str(bay.mechanic), None)
    assert levels(job.order)[job.pk][4] == whole
    assert levels(job.order)[job.pk][7].person == ""
    pour(10)  # at the same instant: the level counts it
    pour(12, way="drained")
    pour(13, withdrawn_by=bay.mechanic)
    assert levels(job.order)[job.pk][4] == whole
    pour(14)
    last = pour(15)
    assert levels(job.order)[job.pk][4].poured == last
    read(20)
    assert levels(job.order)[job.pk][4].poured is None
    read(25, seen=False)
    assert list(levels(job.order)[job.pk]) == [7]


# --- findings ----------------------------------------------------------------------------------
def seen(bay: Bay, severity: str, key: str, **given: object) -> Finding:
    fields = {"kind": "leak", "text": f"drips {key}", "found_by": "mechanic", "channel": "test"}
    return Finding.objects.create(
        **(fields | given),
        vehicle=bay.van,
        severity=severity,
        client_key=f"finding-{key}",
        performed_at=NOW,
    )


def test_the_most_pressing_findings_come_first_and_of_those_the_newest(bay: Bay) -> None:
    rows = [
        seen(bay, severity, f"{at}")
        for at, severity in enumerate(("watch", "before use", "soon", "before use", "watch"))
    ]
    found = list(most_pressing(Finding.objects.all()))
    assert found == [rows[at] for at in (3, 1, 2, 4, 0)]
    assert [row.rank for row in found] == [0, 0, 1, 2, 2]  # type: ignore[attr-defined]
    for at, row in enumerate(found):
        rest = after_pressing(most_pressing(Finding.objects.all()), row.rank, row.pk)  # type: ignore[attr-defined]
        assert list(rest) == found[at + 1 :]
    counted = {"before use": 2, "soon": 1, "watch": 2}
    assert list(severity_counts(Finding.objects.all()).items()) == list(counted.items())
    assert severity_counts(Finding.objects.none()) == dict.fromkeys(counted, 0)


def test_findings_are_narrowed_by_severity_and_by_any_of_their_words(bay: Bay) -> None:
    wet = seen(bay, "soon", "1", text="wet plug")
    loud = seen(bay, "watch", "2", kind="noise", text="whines")
    every = Finding.objects.order_by("pk")
    assert list(narrowed(every)) == [wet, loud]
    assert list(narrowed(every, "soon")) == [wet]
    for word, rows in (("WET", [wet]), ("nois", [loud]), ("v-1", [wet, loud]), ("none", [])):
        assert list(narrowed(every, search=word)) == rows
    assert list(narrowed(every, "soon", "whines")) == []


@pytest.mark.parametrize(
    ("look", "odd"),
    [("Milky", ["milky"]), ("metal, smells of fuel", ["metal", "fuel"]), ("clear", []), ("", [])],
)
def test_fluid_that_looks_odd_waits_for_a_finding(
    bay: Bay, job: Job, look: str, odd: list[str]
) -> None:
    given = {"job": job, "compartment": bay.oil.compartment, "quantity_ml": 1_500, "look": look}
    given |= {"performed_at": NOW, "channel": "test"}
    row = FluidRecord.objects.create(way="drained", client_key="drained-1", **given)
    FluidRecord.objects.create(way="filled", client_key="filled-01", **given)
    assert odd_looks(row) == odd
    assert odd_untold(job.order) == ({job.pk: [row]} if odd else {})
    told = {"kind": "look of the fluid", "order": job.order, "compartment": bay.oil.compartment}
    finding = seen(bay, "soon", "1", **told)
    assert odd_untold(job.order) == {}
    Finding.objects.filter(pk=finding.pk).update(withdrawn_by=bay.mechanic)
    assert bool(odd_untold(job.order)) is bool(odd)


# --- measured ----------------------------------------------------------------------------------
def test_the_newest_value_of_each_figure_stands_and_what_was_taken_back_does_not(
    bay: Bay, job: Job
) -> None:
    figures = [
        CheckFigure.objects.create(
            service=bay.oil, slug=slug, name=slug, unit="%", pass_to=2, source=INVENTED
        )
        for slug in ("water", "acid")
    ]
    rows = []
    for at, figure in enumerate([*figures, figures[0]]):
        row = checks.measure(
            bay.actor(bay.mechanic),
            job.order,
            figure=figure,
            value=at,
            client_key=f"value-{at}-key",
        )
        CheckResult.objects.filter(pk=row.pk).update(measured_at=NOW + at * HOUR)
        rows.append(row)
    assert measured.newest_of(bay.van) == [rows[1], rows[2]]  # by name
    CheckResult.objects.filter(pk=rows[2].pk).update(withdrawn_by=bay.mechanic)
    assert measured.newest_of(bay.van) == [rows[1], rows[0]]
    assert {figure.slug for figure in measured.figures_of(job.order)} == {"water", "acid"}
    job.order.started_at = NOW + HOUR / 2
    assert list(measured.of_order(job.order)) == [rows[1], rows[2]]
    job.order.signed_off_at = NOW + HOUR
    assert list(measured.of_order(job.order)) == [rows[1]]  # at that instant still
    job.order.started_at = None
    assert list(measured.of_order(job.order)) == []
    assert list(measured.of_job(Job(order=job.order))) == []


# --- in words ----------------------------------------------------------------------------------
FLUID = {"way": "filled", "litres": 4.7318, "typed": "", "look": "", "product": None, "batch": ""}
TORQUE = {"fastener": "drain plug", "point": "", "torque_nm": 39.318, "typed": "", "wrench": None}
CHECK = {"figure": "Freeze point", "value": 26, "unit": "°C", "outcome": "pass", "test_method": ""}


@pytest.mark.parametrize(
    ("words", "row", "told"),
    [
        (fluid_words, FLUID, "filled 4.732 L"),
        (
            fluid_words,
            FLUID | {"typed": "5 US qt", "look": "clear", "product": "Oil", "batch": "B1"},
            "filled 4.732 L as typed: 5 US qt, clear, Oil, batch B1",
        ),
        (fluid_words, FLUID | {"override": "so"}, "filled 4.732 L, it stands, because so"),
        (torque_words, TORQUE, "drain plug 39.32 N·m, no wrench noted"),
        (
            torque_words,
            TORQUE | {"point": "left", "typed": "29 lbf·ft", "wrench": "BH-1"},
            "drain plug, left 39.32 N·m as typed: 29 lbf·ft, wrench BH-1",
        ),
        (
            torque_words,
            TORQUE | {"wrench": "BH-1", "calibration_ended": True, "override": "no other"},
            "drain plug 39.32 N·m, wrench BH-1 (its calibration had ended), "
            "it stands, because no other",
        ),
        (check_words, CHECK, "Freeze point 26 °C, pass"),
        (check_words, CHECK | {"test_method": "optics"}, "Freeze point 26 °C, pass, by optics"),
        (material_words, {"pieces": 2, "name": "clip", "broken": True}, "2 × clip, broken"),
        (
            material_words,
            {"pieces": None, "litres": 0.25, "name": "cleaner", "broken": False},
            "0.25 L cleaner",
        ),
        (
            finding_words,
            {"kind": "seep", "severity": "watch", "where": "Gearbox", "text": "damp"},
            "seep (watch), Gearbox: damp",
        ),
        (
            finding_words,
            {"kind": "seep", "severity": "watch", "where": None, "text": "damp"},
            "seep (watch): damp",
        ),
    ],
)
def test_each_kind_of_record_is_told_in_a_line(words: Any, row: dict[str, Any], told: str) -> None:
    assert words(row) == told


def test_every_kind_is_told_and_one_that_was_not_kept_has_none() -> None:
    found = in_words({"fluids": [FLUID], "torques": [TORQUE, TORQUE]})
    assert {kind: len(lines) for kind, lines in found.items()} == {
        "fluids": 1,
        "torques": 2,
        "checks": 0,
        "levels": 0,
        "materials": 0,
        "findings": 0,
    }
