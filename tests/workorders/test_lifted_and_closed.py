"""Restrictions, marks and findings: who ends them, once, with a reason; and what goes with them."""

from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.due.models import DueEarlier
from fleet.faults import Fault, Forbidden, Question, Refused
from fleet.workorders import findings, followed, progress, restrictions, withdraw
from fleet.workorders.findings import Report
from fleet.workorders.models import CalledBy, DoNotUse, Finding, Job, Restriction, WorkOrder
from tests import scene
from tests.scene import NOW
from tests.workorders.conftest import Bay


def restricted(bay: Bay, order: WorkOrder, text: str = "not above 60 km/h") -> Restriction:
    return Restriction.objects.create(vehicle=bay.van, order=order, text=text, set_at=NOW)


# --- restrictions ------------------------------------------------------------------------------
def test_a_restriction_is_lifted_once_by_who_may_and_with_a_reason(bay: Bay, job: Job) -> None:
    row = restricted(bay, job.order)
    assert restrictions.texts([bay.van.pk]) == {bay.van.pk: ["not above 60 km/h"]}
    with pytest.raises(Fault, match="no restriction 999"):
        restrictions.lift(bay.actor(), 999, reason="replaced")
    with pytest.raises(Forbidden):
        restrictions.lift(bay.actor(bay.mechanic), row.pk, reason="replaced")
    with pytest.raises(Fault) as refused:
        restrictions.lift(bay.actor(), row.pk, reason=" ")
    assert refused.value.about == "reason"
    lifted = restrictions.lift(bay.actor(), row.pk, reason=f" {'r' * 400}")
    assert (lifted.lifted_by, lifted.lifted_at) == (bay.supervisor, NOW)
    assert lifted.lifted_reason == "r" * 300
    with pytest.raises(Refused, match="lifted already"):
        restrictions.lift(bay.actor(), row.pk, reason="replaced")
    assert restrictions.texts([bay.van.pk]) == {}


@pytest.mark.parametrize(
    ("fit", "text", "answer", "stands"),
    [
        ("with restriction", "no trailer", "stays", ["slow", "no trailer"]),
        ("with restriction", "no trailer", "lifted", ["no trailer"]),
        ("with restriction", "SLOW", "stays", ["slow"]),  # the same once more
        ("with restriction", "SLOW", "lifted", ["SLOW"]),
        ("yes", "no trailer", "lifted", []),
        ("no", "no trailer", "stays", ["slow"]),
    ],
)
def test_a_finish_keeps_what_it_says(
    bay: Bay, job: Job, fit: str, text: str, answer: str, stands: list[str]
) -> None:
    before = WorkOrder.objects.create(number="W-0", vehicle=bay.van, depot=bay.van.depot)
    row = restricted(bay, before, "slow")
    job.order.fit_for_use, job.order.restriction = fit, text
    restrictions.keep(bay.actor(), job.order, {row.pk: answer})
    assert restrictions.texts([bay.van.pk]).get(bay.van.pk, []) == stands
    row.refresh_from_db()
    assert (row.lifted_on == job.order) is (answer == "lifted")
    restrictions.undo(bay.actor(), job.order)
    assert [one.text for one in restrictions.in_force()] == ["slow"]  # as it was before


@pytest.mark.parametrize("said", ["", "yes", "lifted", "stays"])
def test_each_restriction_is_answered_by_its_own_word(bay: Bay, job: Job, said: str) -> None:
    row = restricted(bay, job.order)
    if said in ("lifted", "stays"):
        restrictions.must_answer(job.order, {row.pk: said})
        return
    with pytest.raises(Question, match="stands on V-1 since 2026-06-15") as asked:
        restrictions.must_answer(job.order, {row.pk: said})
    assert asked.value.about == "restrictions"


# --- findings ----------------------------------------------------------------------------------
def seen(bay: Bay, key: str = "finding-1", **given: object) -> Finding:
    told = {"kind": "leak", "severity": "watch", "text": "drips", "client_key": key}
    return findings.report(bay.actor(bay.mechanic), Report(vehicle=bay.van, **(told | given)))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"kind": "song"}, "Kinds are"),
        ({"severity": "at once"}, "severities"),
        ({"text": " "}, "what was seen"),
    ],
)
def test_a_finding_says_what_how_bad_and_in_words(
    bay: Bay, given: dict[str, str], words: str
) -> None:
    with pytest.raises(Fault, match=words):
        seen(bay, **given)


def test_a_finding_is_of_the_vehicle_of_its_order(bay: Bay, job: Job) -> None:
    other = scene.van("V-2")
    with pytest.raises(Fault, match="of another vehicle than V-2") as refused:
        Report(
            vehicle=other,
            kind="leak",
            severity="watch",
            text="drips",
            client_key="finding-1",
            order=job.order,
        ).check()
    assert refused.value.about == "order"


@pytest.mark.parametrize(("severity", "stops"), [("before use", 1), ("soon", 0), ("watch", 0)])
def test_only_what_must_be_right_before_use_stops_the_vehicle(
    bay: Bay, severity: str, stops: int
) -> None:
    row = seen(bay, severity=severity)
    assert seen(bay, severity=severity) == row  # sent twice
    marks = DoNotUse.objects.filter(finding=row, reason="leak: drips")
    assert (marks.count(), findings.before_use().count()) == (stops, stops)
    assert findings.in_force([bay.van.pk]) == ({bay.van.pk: "leak: drips"} if stops else {})


def test_a_finding_is_closed_once_with_what_became_of_it(bay: Bay) -> None:
    row = seen(bay)
    for pk, reason, words in ((999, "none", "no finding 999"), (row.pk, " ", "what became")):
        with pytest.raises(Fault, match=words):
            findings.close(bay.actor(), pk, reason=reason)
    with pytest.raises(Forbidden):
        findings.close(bay.actor(bay.viewer), row.pk, reason="dry")
    closed = findings.close(bay.actor(), row.pk, reason=" dry ")
    assert (closed.closed_at, closed.closed_by, closed.closed_reason) == (
        *(NOW, bay.supervisor, "dry"),
    )
    assert (list(findings.open_findings()), list(findings.closed_findings())) == ([], [row])
    with pytest.raises(Refused, match="closed already"):
        findings.close(bay.actor(), row.pk, reason="dry")
    with pytest.raises(Refused, match="report it anew"):
        findings.follow_up(bay.actor(), row.pk, what="Tighten", minutes=10)


@pytest.mark.parametrize(
    ("kind", "placed", "days", "called"),
    [
        ("leak", True, 14, True),
        ("missing sealant", True, 3, True),
        ("seep", True, None, False),
        ("leak", False, 14, False),  # nobody knows where to look
        ("noise", True, 14, False),
    ],
)
def test_a_leak_that_is_followed_up_is_looked_at_again(
    bay: Bay, kind: str, placed: bool, days: int | None, called: bool
) -> None:
    row = seen(bay, kind=kind, compartment=bay.oil.compartment if placed else None)
    order = findings.follow_up(bay.actor(), row.pk, what="Tighten", minutes=10, re_check_days=days)
    assert order.follows == row
    assert [(job.title, job.minutes) for job in order.jobs.all()] == [("Tighten", 10)]
    assert order.events.get().reason == "follows a finding: drips"
    calls = list(DueEarlier.objects.all())
    assert len(calls) == called
    if called:
        (call,) = calls
        assert call.due_on == NOW.date() + timedelta(days=days or 0)
        assert (call.service.slug, call.service.kind) == ("gearbox-leak-re-check", "check")
        assert call.reason == f"{kind} seen: drips"
        assert CalledBy.objects.get().finding == row


def test_by_itself_a_leak_is_looked_at_again_after_a_fortnight(bay: Bay) -> None:
    row = seen(bay, compartment=bay.oil.compartment)
    findings.follow_up(bay.actor(), row.pk, what="Tighten", minutes=10)
    findings.follow_up(bay.actor(), row.pk, what="Once more", minutes=10)
    due = {call.due_on for call in DueEarlier.objects.all()}
    assert due == {NOW.date() + timedelta(days=14)}
    assert len({call.service_id for call in DueEarlier.objects.all()}) == 1
    Finding.objects.update(compartment=None)
    row.refresh_from_db()
    with pytest.raises(Fault, match="which compartment"):
        findings.call_for_re_check(bay.actor(), row, 14)


def test_a_follow_up_joins_an_open_order_by_its_number(bay: Bay) -> None:
    row, order = seen(bay), bay.order()
    joined = findings.follow_up(
        bay.actor(), row.pk, what="Tighten", minutes=10, join=f" {order.number.lower()} "
    )
    assert (joined.pk, joined.follows, joined.jobs.count()) == (order.pk, row, 2)
    with pytest.raises(Fault, match=f"no open order W-9; open: {order.number}") as refused:
        findings.follow_up(bay.actor(), row.pk, what="Tighten", minutes=10, join="W-9")
    assert refused.value.about == "join"
    progress.cancel(bay.actor(), order.pk, reason="sold")
    with pytest.raises(Fault, match="open: none"):
        findings.follow_up(bay.actor(), row.pk, what="Tighten", minutes=10, join=order.number)


# --- do not use --------------------------------------------------------------------------------
def test_whoever_set_a_mark_does_not_clear_it_and_another_does_once(bay: Bay) -> None:
    with pytest.raises(Fault) as refused:
        findings.set_do_not_use(bay.actor(), vehicle=bay.van, reason=" ")
    assert refused.value.about == "reason"
    mark = findings.set_do_not_use(bay.actor(), vehicle=bay.van, reason=f" {'r' * 400}")
    assert (mark.reason, mark.set_by, mark.set_at) == ("r" * 300, bay.supervisor, NOW)
    with pytest.raises(Forbidden, match="ask Sol"):
        findings.clear_do_not_use(bay.actor(), mark.pk, reason="firm again")
    second = bay.actor(bay.second_supervisor)
    for pk, reason, words in ((999, "firm", "no such mark 999"), (mark.pk, " ", "Say why")):
        with pytest.raises(Fault, match=words):
            findings.clear_do_not_use(second, pk, reason=reason)
    with pytest.raises(Forbidden):
        findings.clear_do_not_use(bay.actor(bay.viewer), mark.pk, reason="firm again")
    cleared = findings.clear_do_not_use(second, mark.pk, reason=" firm again ")
    assert (cleared.cleared_by, cleared.cleared_reason) == (bay.second_supervisor, "firm again")
    with pytest.raises(Refused, match="cleared already"):
        findings.clear_do_not_use(second, mark.pk, reason="firm again")
    assert list(findings.marks_in_force()) == []


def test_orders_tell_whether_their_vehicle_must_not_be_used(bay: Bay) -> None:
    order = bay.order()
    for reason in ("soft pedal", "no light"):
        later = replace(bay.actor(), now=NOW + timedelta(hours=len(reason)))
        findings.set_do_not_use(later, vehicle=bay.van, reason=reason)
    assert findings.with_marks(WorkOrder.objects.all()).get().do_not_use is True  # type: ignore[attr-defined]
    assert findings.in_force([bay.van.pk]) == {bay.van.pk: "soft pedal"}  # the newest
    DoNotUse.objects.update(cleared_at=NOW)
    assert findings.with_marks(WorkOrder.objects.filter(pk=order.pk)).get().do_not_use is False  # type: ignore[attr-defined]


# --- what goes with it -------------------------------------------------------------------------
def test_what_followed_from_a_finding_is_offered_and_taken_back_with_it(bay: Bay) -> None:
    row = seen(bay, severity="before use", compartment=bay.oil.compartment)
    findings.call_for_re_check(bay.actor(), row, 14)
    mark, call = DoNotUse.objects.get(), DueEarlier.objects.get()
    offered = {one.key: one for one in followed.of(row)}
    assert list(offered) == [f"mark-{mark.pk}", f"call-{call.pk}"]
    assert offered[f"mark-{mark.pk}"].words == "do not use: leak: drips"
    assert offered[f"call-{call.pk}"].words == "called for: Gearbox leak re-check"
    assert [one.goes_with_it for one in offered.values()] == [False, False]
    assert bay.mechanic not in offered[f"mark-{mark.pk}"].only
    assert followed.of(bay.van) == []
    with pytest.raises(Fault, match="call-999 did not follow") as refused:
        withdraw.withdraw_finding(bay.actor(), row, reason="water", also=["call-999"])
    assert refused.value.about == "also"
    withdraw.withdraw_finding(bay.actor(), row, reason=f" {'w' * 400}", also=list(offered))
    row.refresh_from_db()
    call.refresh_from_db()
    mark.refresh_from_db()
    assert (row.withdrawn_by, row.withdrawn_at) == (bay.supervisor, NOW)
    assert row.withdrawn_reason == "w" * 300
    assert (call.withdrawn_at, mark.cleared_at, mark.cleared_by) == (NOW, NOW, bay.supervisor)
    assert followed.of(row) == []


def test_a_finding_that_was_closed_stays(bay: Bay) -> None:
    row = seen(bay)
    closed = findings.close(bay.actor(), row.pk, reason="dry")
    with pytest.raises(Refused, match="followed up and closed"):
        withdraw.withdraw_finding(bay.actor(), closed, reason="water")
