"""A prepared question gives for any values what a queryset for them gives, and is written once."""

import ast
from collections.abc import Callable, Collection, Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import connection
from django.db.models import Count, Exists, OuterRef, Q
from django.test.utils import CaptureQueriesContext

from fleet import reads
from fleet.due.models import Service, ServiceDone
from fleet.reads import Ids, Rows, prepared
from fleet.vehicles.models import Depot, Vehicle
from tests import scene

Value = Any

pytestmark = pytest.mark.django_db


@pytest.fixture
def vans() -> list[Vehicle]:
    gearbox = scene.service()
    found = [scene.van(f"V-{number}") for number in range(5)]
    for number, van in enumerate(found):
        scene.done(van, gearbox, date(2026, 1, 1 + number), 1000.5 + number)
    Vehicle.objects.filter(fleet_number="V-4").update(registration="100 %_\\ off' %s")
    return found


def models_of(pks: Ids) -> Rows:
    rows = Vehicle.objects.filter(pk__in=pks).select_related("depot", "vehicle_type")
    return rows.prefetch_related("services_done").order_by("-fleet_number")


def done_between(vehicle_ids: Ids, since: date, until: date) -> Rows:
    rows = ServiceDone.objects.filter(vehicle__in=vehicle_ids, done_on__gte=since)
    return rows.filter(done_on__lte=until).order_by("pk").values("vehicle_id", "done_on")


def either(pks: Ids, numbers: Collection[str]) -> Rows:
    rows = Vehicle.objects.filter(Q(pk__in=pks) | Q(fleet_number__in=numbers))
    return rows.order_by("pk").values_list("fleet_number", flat=True)


def plated(plate: str | None) -> Rows:
    return Vehicle.objects.filter(registration=plate).order_by("pk").values_list("pk")


def done_of(service_id: int | None, pks: Ids) -> Rows:
    """One list in two places, behind and before what stays the same."""
    done = ServiceDone.objects.filter(vehicle=OuterRef("pk"), vehicle__in=pks, service=service_id)
    rows = Vehicle.objects.annotate(done=Exists(done)).exclude(fleet_number="V-3")
    return rows.filter(pk__in=pks).order_by("pk").values_list("pk", "done")


def besides(pks: Ids) -> Rows:
    return Vehicle.objects.filter(pk__in=[-2, *pks, -3]).order_by("pk").values_list("pk")


def counted() -> Rows:
    return Depot.objects.annotate(n=Count("vehicles")).order_by("pk").values_list("slug", "n")


def given(vans: list[Vehicle]) -> list[tuple[Callable[..., Rows], list[tuple[Value, ...]]]]:
    """Questions, each with values to ask it for: the words are those of the first of a kind."""
    pks = [van.pk for van in vans]
    service = Service.objects.get().pk
    lists = [[pks[1]], pks, [], {pks[0], pks[3]}, [pks[2], None, pks[2]], [-1], tuple(pks[:2])]
    days = [date(2026, 1, day) for day in (1, 2, 4, 31)]
    return [
        (models_of, [(one,) for one in lists]),
        (done_between, [(one, since, until) for one in lists for since in days for until in days]),
        (either, [(one, names) for one in lists for names in (["V-4"], [], ["V-1", "V-0", "x"])]),
        (plated, [("",), ("100 %_\\ off' %s",), (None,), ("other",)]),
        (done_of, [(of, one) for of in (service, None, -1) for one in lists]),
        (besides, [(pks,), (pks[:1],)]),
        (counted, [(), ()]),
    ]


def plain(rows: Any) -> list[Any]:
    return [
        (row.pk, row.depot.slug, row.vehicle_type.slug, list(row.services_done.all()))
        if isinstance(row, Vehicle)
        else row
        for row in rows
    ]


def test_any_values_get_what_a_queryset_for_them_gets(vans: list[Vehicle]) -> None:
    seen = 0
    for question, asked_for in given(vans):
        once = prepared(question)
        for values in asked_for:
            expected = plain(question(*values))
            assert plain(once(*values)) == expected, (question, values)
            seen += len(expected)
    assert seen == 151


def test_all_of_them_are_read_by_one_statement(vans: list[Vehicle]) -> None:
    pairs = [(question, one) for question, values in given(vans)[1:] for one in values[:7]]
    once = {question: prepared(question) for question, _ in pairs}
    expected = [list(question(*values)) for question, values in pairs]
    rows = [once[question](*values) for question, values in pairs]
    with CaptureQueriesContext(connection) as asked:
        reads.fetch([Vehicle.objects.order_by("pk"), *rows])
        assert [list(one) for one in rows] == expected
        assert [len(one) for one in rows] == [len(one) for one in expected]
        assert [one[:1] for one in rows] == [one[:1] for one in expected]
        assert [one[0] for one in rows if one] == [one[0] for one in expected if one]
    assert len(asked) == 1


def test_it_is_written_once_for_each_kind_of_values(vans: list[Vehicle]) -> None:
    written = []

    @prepared
    def numbers(pks: Ids, status: str | None) -> Rows:
        """Vehicles in some status."""
        written.append((pks, status))
        return Vehicle.objects.filter(pk__in=pks, status=status).values_list("pk", flat=True)

    pks = [van.pk for van in vans]
    for count in (1, 5, 0, 3):
        for status in (Vehicle.Status.IN_USE, "sold", None):
            expected = pks[:count] if status == Vehicle.Status.IN_USE else []
            assert sorted(numbers(pks[:count], status)) == expected
    assert len(written) == 4
    assert numbers.__doc__ == "Vehicles in some status."
    assert not {*pks} & {pk for ids, _ in written for pk in ids}


def test_it_is_asked_when_it_is_looked_at_and_only_once(vans: list[Vehicle]) -> None:
    rows = prepared(models_of)([vans[0].pk])
    nothing = prepared(models_of)([])
    with CaptureQueriesContext(connection) as asked:
        assert [*rows] == [*rows] == [vans[0]]
        assert not nothing
    assert len(asked) == 2  # and what it prefetches
    assert rows[0].depot is rows[0].depot


@pytest.mark.parametrize(
    ("question", "values"),
    [
        (lambda text: Vehicle.objects.filter(fleet_number__icontains=text), ("V",)),
        (lambda text: Vehicle.objects.filter(fleet_number=text.upper()), ("v",)),
        (lambda pk: Vehicle.objects.filter(pk__gt=pk + 1), (1,)),
        (lambda pk: Vehicle.objects.filter(fleet_number=pk), (1,)),
        (lambda pks: Vehicle.objects.filter(pk__in=[*pks][:1]), ([1, 2],)),
        (lambda pks: Vehicle.objects.filter(pk__in=[pks[1], pks[0]]), ([1, 2],)),
        (lambda pks: Vehicle.objects.filter(Q(pk=pks[0]) | Q(pk=pks[1])), ([1, 2],)),
        (lambda a, b: Vehicle.objects.filter(pk__in=[a[0], b[1], b[0], a[1]]), ([1, 2], [3, 4])),
        (lambda _: Vehicle.objects.all(), (1,)),
        (lambda _, pks: Vehicle.objects.filter(pk__in=pks), (1, [2])),
        (lambda yes: Vehicle.objects.filter(fleet_number=yes), (True,)),
        (lambda at: ServiceDone.objects.filter(done_on=at), (datetime(2026, 1, 1, tzinfo=UTC),)),
        (lambda of: Vehicle.objects.filter(depot__in=of), ([Depot(pk=1)],)),
        (lambda n: Vehicle.objects.extra(where=["fleet_number LIKE '%%s'"]).filter(pk=n), (1,)),
    ],
)
def test_what_a_question_does_not_ask_for_as_it_is_is_refused(
    question: Callable[..., Rows], values: tuple[Value, ...]
) -> None:
    with pytest.raises(TypeError, match="prepared question"):
        list(prepared(question)(*values))


def test_values_are_given_in_their_order(vans: list[Vehicle]) -> None:
    with pytest.raises(TypeError, match="in their order"):
        prepared(models_of)(pks=[1])


CLOCKS = {"now", "today", "today_at", "newest_day", "localdate", "localtime", "utcnow", "Now"}


def asked_of_a_clock(source: str) -> list[str]:
    """Names of the prepared questions in a source that look at a clock themselves."""
    found = [
        one
        for one in ast.walk(ast.parse(source))
        if isinstance(one, ast.FunctionDef)
        and any("prepared" in ast.unparse(mark) for mark in one.decorator_list)
    ]
    return [one.name for one in found if CLOCKS & set(_called(one))]


def _called(function: ast.FunctionDef) -> Iterator[str]:
    for one in ast.walk(function):
        if isinstance(one, ast.Call):
            yield ast.unparse(one.func).rpartition(".")[2]


def test_no_question_keeps_the_day_on_which_it_was_first_asked() -> None:
    """What is written once is asked for years: the day is given, as any value."""
    folder = Path(settings.BASE_DIR) / "fleet"
    sources = {path: path.read_text() for path in folder.rglob("*.py")}
    assert {path: found for path in sources if (found := asked_of_a_clock(sources[path]))} == {}
    assert sum("@prepared" in source for source in sources.values()) > 40
    bad = "@prepared\ndef _late(pks: Ids) -> Rows:\n    return A.filter(on__lt=timezone.now())\n"
    assert asked_of_a_clock(bad) == ["_late"]
