"""What is frozen at a finish, field by field, and how a pack judges it; by hand."""

from datetime import date, datetime, timedelta

import pytest
from django.utils import timezone

from fleet.due.models import CheckFigure, Deferral, DueDate, ServiceDone
from fleet.workorders import checks, ending, evidence, fluids, progress, recording, torques
from fleet.workorders.ending import AtFinish
from fleet.workorders.evidence import (
    _deferred,
    _deviation,
    _within_limit,
    _within_tolerance,
    on_time,
    pack,
    pack_size,
)
from fleet.workorders.findings import Report, report
from fleet.workorders.fluids import Pouring
from fleet.workorders.models import Evidence, Job, TorqueRecord, Wrench
from fleet.workorders.torques import Tightened
from tests.scene import INVENTED, NOW
from tests.workorders.conftest import Bay

ON = date(2026, 6, 15)
DAY = timedelta(days=1)


# --- in time -----------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("calendar_on", "beyond", "known", "within"),
    [
        (None, False, True, True),
        (None, True, True, False),
        (ON, False, True, True),  # on its day it is in time
        (ON, True, True, False),
        (ON - DAY, False, True, False),
        (ON + DAY, True, True, False),
        (ON + DAY, False, False, None),  # nobody knew when it was due
    ],
)
def test_a_service_is_within_its_limit_by_calendar_and_reading(
    calendar_on: date | None, beyond: bool, known: bool, within: bool | None
) -> None:
    row = DueDate(history_known=known, calendar_on=calendar_on, beyond_by_reading=beyond)
    assert _within_limit(row, ON) is within
    assert _within_limit(row, None) is None
    assert _within_limit(None, ON) is None


@pytest.mark.parametrize(
    ("until_on", "beyond", "known", "within"),
    [
        (None, False, True, True),
        (None, True, True, False),
        (ON, False, True, True),
        (ON - DAY, False, True, False),
        (ON + DAY, True, True, False),
        (ON + DAY, False, False, None),
    ],
)
def test_a_service_is_within_tolerance_by_day_and_reading(
    until_on: date | None, beyond: bool, known: bool, within: bool | None
) -> None:
    row = DueDate(history_known=known, beyond_tolerance_by_reading=beyond)
    assert _within_tolerance(row, ON, until_on) is within
    assert _within_tolerance(row, None, until_on) is None
    assert _within_tolerance(None, ON, until_on) is None


NOT_TOLD = "not judged: nobody knew then when it was due"


@pytest.mark.parametrize(
    ("limit", "tolerance", "told"),
    [
        (True, True, ""),
        (False, True, "after its limit, within tolerance"),
        (False, False, "after its limit, out of tolerance"),
        (None, None, NOT_TOLD),
    ],
)
@pytest.mark.parametrize("provisional", [False, True])
@pytest.mark.django_db
def test_a_pack_names_what_deviates(
    bay: Bay, limit: bool | None, tolerance: bool | None, told: str, provisional: bool
) -> None:
    row = ServiceDone(vehicle=bay.van, service=bay.oil, done_on=ON, provisional=provisional)
    frozen = Evidence(within_limit=limit, within_tolerance=tolerance)
    parts = ["odometer not settled"] if provisional else []
    assert _deviation(row, frozen) == "; ".join([*parts, told] if told else parts)
    paper = "; ".join([*parts, "not judged: from a document"])
    assert _deviation(row, None) == paper


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("days_before", "changes", "counts"),
    [
        (0, {}, True),
        (365, {}, True),
        (366, {}, False),  # of the change before
        (-1, {}, False),  # given afterwards
        (3, {"withdrawn_at": NOW}, False),
        (3, {"beyond_tolerance": True}, False),  # nobody has agreed
    ],
)
def test_a_deferral_of_the_year_before_the_work_is_named(
    bay: Bay, days_before: int, changes: dict[str, object], counts: bool
) -> None:
    given = {"until_on": ON + DAY, "reason": "parts are late", "person": bay.supervisor}
    row = Deferral.objects.create(vehicle=bay.van, service=bay.oil, **(given | changes))
    at = datetime(2026, 6, 15, 12, tzinfo=NOW.tzinfo) - timedelta(days=days_before)
    Deferral.objects.filter(pk=row.pk).update(created_at=at)
    done = ServiceDone(vehicle=bay.van, service=bay.oil, done_on=ON)
    told = f", deferred by {bay.supervisor}: parts are late"
    assert _deferred(done) == (told if counts else "")


# --- what is kept ------------------------------------------------------------------------------
def finished(bay: Bay, job: Job) -> Evidence:
    actor = bay.actor(bay.mechanic)
    progress.end_job(actor, job.pk, state="done", because="tried here")
    ending.finish(actor, job.order_id, AtFinish(odometer=23_350, fit_for_use="yes"))
    return Evidence.objects.get(job=job)


def test_each_record_is_frozen_with_its_figures_and_units(bay: Bay, job: Job) -> None:
    actor = bay.actor(bay.mechanic)
    Wrench.objects.create(depot=job.order.depot, tag="TW-3", calibrated_until_on=ON)
    torques.torque(
        actor,
        job.pk,
        Tightened(
            client_key="a-torque-1",
            fastener="drain-plug",
            wrench="TW-3",
            torque_nm=39.5,
            typed_text="29.13 lbf·ft",
        ),
    )
    poured = Pouring(
        way="filled", client_key="a-fluid-1", quantity="1.6 US qt", batch="B-7", look="clear"
    )
    fluids.fluid(actor, job.pk, poured)
    recording.material(actor, job.pk, name="Rag", client_key="a-rag-001", litres=0.25)
    recording.material(actor, job.pk, name="Clip", client_key="a-clip-001", pieces=2, broken=True)
    figure = CheckFigure.objects.create(
        service=bay.oil, slug="water", name="Water", unit="%", pass_to=2, source=INVENTED
    )
    checks.measure(
        actor, job.order, figure=figure, value=1.5, client_key="a-value-1", test_method="paper"
    )
    report(
        actor,
        Report(
            vehicle=bay.van,
            kind="seep",
            severity="watch",
            text="a drop at the plug",
            client_key="a-finding-1",
            compartment=bay.oil.compartment,
            order=job.order,
        ),
    )
    facts = finished(bay, job).facts
    # 1.6 US quarts are 1.514 L (NIST Handbook 44, appendix C: .946352946 L each)
    assert facts["fluids"] == [
        {
            "way": "filled",
            "litres": 1.514,
            "typed": "1.6 US qt",
            "look": "clear",
            "product": None,
            "batch": "B-7",
            "override": "",
        }
    ]
    assert facts["torques"] == [
        {
            "fastener": "Drain plug",
            "point": "",
            "torque_nm": 39.5,
            "typed": "29.13 lbf·ft",
            "figure_nm": 39.32,
            "wrench": "TW-3",
            "calibration_ended": False,
            "override": "",
        }
    ]
    assert facts["materials"] == [
        {"name": "Rag", "pieces": None, "litres": 0.25, "broken": False},
        {"name": "Clip", "pieces": 2, "litres": None, "broken": True},
    ]
    (value,) = facts["checks"]
    assert (value["figure"], value["value"], value["unit"]) == ("Water", 1.5, "%")
    assert (value["outcome"], value["test_method"], value["override"]) == ("pass", "paper", "")
    (finding,) = facts["findings"]
    where = bay.oil.compartment.name
    assert finding == {
        "kind": "seep",
        "severity": "watch",
        "where": where,
        "text": "a drop at the plug",
    }


def test_a_bare_finish_freezes_what_it_rested_on(bay: Bay, job: Job) -> None:
    row = DueDate.objects.select_related("limit").get(vehicle=bay.van, service=bay.oil)
    found = finished(bay, job)
    facts = found.facts
    assert (facts["service"], facts["state"]) == ("gearbox-oil", "done")
    assert (facts["odometer"], facts["odometer_unit"]) == (23_350, "km")
    assert (facts["procedure_edition"], facts["procedure_source"]) == ("2024", INVENTED)
    assert (facts["done_by"], facts["duty_class"]) == (str(bay.mechanic), "normal")
    assert facts["limit_source"] == INVENTED
    assert "20,000 km" in facts["limit"]
    assert facts["remaining_km"] == row.remaining_km
    assert facts["calendar_on"] == "2027-11-01"  # 24 months after 1 November 2025
    assert (found.due_on, found.within_limit) == (row.p50, not row.beyond_by_reading)


def test_what_comes_before_the_sign_off_is_added_and_the_rest_stays(bay: Bay, job: Job) -> None:
    before = finished(bay, job)
    Evidence.objects.update(due_on=ON)
    recording.material(
        bay.actor(bay.mechanic), job.pk, name="Rag", client_key="a-rag-001", litres=0.25
    )
    evidence.complete(job.order)
    after = Evidence.objects.get()
    assert after.facts["materials"][0]["litres"] == 0.25
    assert {**after.facts, "materials": []} == {**before.facts, "materials": []}
    assert after.due_on == ON


def test_of_what_is_taken_back_nothing_is_frozen(bay: Bay, job: Job) -> None:
    tightened = Tightened(client_key="a-torque-1", fastener="drain-plug", override_reason="so")
    torques.torque(bay.actor(bay.mechanic), job.pk, tightened)
    TorqueRecord.objects.update(withdrawn_by=bay.mechanic, withdrawn_at=timezone.now())
    assert finished(bay, job).facts["torques"] == []


# --- a pack and its counts ---------------------------------------------------------------------
def test_a_pack_holds_every_service_that_stands_oldest_first(bay: Bay, job: Job) -> None:
    finished(bay, job)
    assert pack_size(bay.van.pk) == 2
    first, second = pack(bay.van.pk)
    assert [one.done_on for one in (first, second)] == [date(2025, 11, 1), ON]
    assert (first.judged, first.due_on, first.facts) == (False, None, {})
    assert second.judged is True
    assert second.due_on == Evidence.objects.get().due_on is not None
    ServiceDone.objects.filter(done_on=ON).update(void=True)
    assert (pack_size(bay.van.pk), len(pack(bay.van.pk))) == (1, 1)


def test_months_count_what_was_judged_in_them(bay: Bay, job: Job) -> None:
    finished(bay, job)
    depot = [job.order.depot_id]
    for within, (tolerated, in_time) in (
        ({"within_tolerance": True, "within_limit": False}, (1, 0)),
        ({"within_tolerance": True, "within_limit": True}, (1, 1)),
        ({"within_tolerance": False, "within_limit": False}, (0, 0)),
    ):
        Evidence.objects.update(**within)
        (found,) = on_time(depot, ON, ON)
        assert found.month_on == date(2026, 6, 1)
        assert (found.done, found.within_tolerance, found.within_limit) == (1, tolerated, in_time)
    assert on_time(depot, ON + DAY, ON + DAY) == []
    assert on_time(depot, ON - DAY, ON - DAY) == []
    Evidence.objects.update(within_limit=None)
    assert on_time(depot, ON, ON) == []
