"""What followed from a record: rows that the same mistake made, offered when it is taken back.

Only links tell: a row that was kept before there were links offers nothing.
"""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from fleet.due.models import CheckResult, DueEarlier
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.workorders.findings import clear_do_not_use, marks_in_force, who_may_clear
from fleet.workorders.models import DoNotUse, Finding, FluidRecord

Source = tuple[str, int]  # kind and id of the record


@dataclass(frozen=True)
class Followed:
    """One row that followed from a record."""

    key: str  # e.g. "call-12"
    words: str
    goes_with_it: bool  # a withdrawn value calls for nothing
    only: tuple[Person, ...] = ()  # who may take it back, where not everybody may


def of(record: object) -> list[Followed]:
    """What followed from one record and still stands."""
    if isinstance(record, CheckResult):
        return of_many(results=[record.pk])["check", record.pk]
    if isinstance(record, FluidRecord):
        return of_many(fluids=[record.pk])["fluid", record.pk]
    if isinstance(record, Finding):
        return of_many(findings=[record.pk])["finding", record.pk]
    return []


@reader
def of_many(
    *,
    results: Collection[int] = (),
    fluids: Collection[int] = (),
    findings: Collection[int] = (),
) -> Read[dict[Source, list[Followed]]]:
    """What followed from many records, by the kind and id of each."""
    found: dict[Source, list[Followed]] = defaultdict(list)
    calls, raised_by, seen = _calls_of(results), _raised_by(results), _seen_in(fluids)
    yield [calls, raised_by, seen]
    for call in calls:
        found["check", call.result_id or 0].append(_call(call, goes_with_it=True))
    for one in raised_by:
        found["check", one.result_id or 0].append(_finding(one, goes_with_it=True))
    raised = {row.pk: row.fluid_id or 0 for row in seen}
    for one in seen:
        found["fluid", raised[one.pk]].append(_finding(one))
    for pk, row in (yield from _of_findings({*raised, *findings})):
        found["finding", pk].append(row)
        if pk in raised:
            found["fluid", raised[pk]].append(row)
    return found


def _of_findings(pks: Collection[int]) -> Read[list[tuple[int, Followed]]]:
    marks, calls = _marks_of(pks), _called_by(pks)
    yield [marks, calls]
    clearing = yield from who_may_clear.steps(list(marks))
    return [
        *((mark.finding_id or 0, _mark(mark, clearing[mark.pk])) for mark in marks),
        *((call.called_by.finding_id or 0, _call(call)) for call in calls),
    ]


def _mark(mark: DoNotUse, clearing: tuple[Person, ...]) -> Followed:
    words = f"do not use: {mark.reason}"
    return Followed(f"mark-{mark.pk}", words, goes_with_it=False, only=clearing)


@prepared
def _calls_of(results: Ids) -> Rows:
    calls = DueEarlier.objects.filter(result__in=results, withdrawn_at=None)
    return calls.select_related("service")


@prepared
def _raised_by(results: Ids) -> Rows:
    """Open findings that measured values raised."""
    return Finding.objects.filter(result__in=results, withdrawn_by=None, closed_at=None)


@prepared
def _seen_in(fluids: Ids) -> Rows:
    return Finding.objects.filter(fluid__in=fluids, withdrawn_by=None, closed_at=None)


@prepared
def _marks_of(findings: Ids) -> Rows:
    return marks_in_force().filter(finding__in=findings)


@prepared
def _called_by(findings: Ids) -> Rows:
    calls = DueEarlier.objects.filter(called_by__finding__in=findings, withdrawn_at=None)
    return calls.select_related("called_by", "service")


def _finding(one: Finding, *, goes_with_it: bool = False) -> Followed:
    return Followed(f"finding-{one.pk}", f"finding: {one}", goes_with_it)


def _call(call: DueEarlier, *, goes_with_it: bool = False) -> Followed:
    return Followed(f"call-{call.pk}", f"called for: {call.service.name}", goes_with_it)


def take_back(actor: Actor, rows: Collection[Followed], reason: str) -> None:
    """Take rows back that followed from a record.

    Raises
    ------
    Forbidden
        A mark *do not use*, by whoever set it or may not clear it.
    """
    for row in rows:
        kind, _, pk = row.key.partition("-")
        if kind == "call":
            DueEarlier.objects.filter(pk=pk, withdrawn_at=None).update(withdrawn_at=actor.now)
        elif kind == "finding":
            Finding.objects.filter(pk=pk, withdrawn_by=None).update(**stamped(actor, reason))
        else:
            clear_do_not_use(actor, int(pk), reason=reason)


def stamped(actor: Actor, reason: str) -> dict[str, object]:
    """Who takes a row back, when and why."""
    return {
        "withdrawn_by": actor.person,
        "withdrawn_at": actor.now,
        "withdrawn_reason": reason.strip()[:300],
    }
