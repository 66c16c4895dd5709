"""A copied row is what Django would make of its columns, and nobody else's."""

from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.db.models import Model
from django.test.utils import CaptureQueriesContext

from fleet import rowcopies
from fleet.due.models import Service
from fleet.reads import Ids, Rows, prepared_copied
from fleet.rowcopies import RowCopies
from fleet.vehicles.models import Vehicle, VehicleType
from fleet.workorders.models import Procedure, Step
from tests import scene
from tests.scene import INVENTED

pytestmark = pytest.mark.django_db


@pytest.fixture
def services() -> list[Service]:
    """Two services, of which one has a procedure with steps."""
    gearbox, engine = scene.service(), scene.service("engine")
    procedure = Procedure.objects.create(
        service=gearbox, family="level plug", edition="2024", source=INVENTED, minutes=40
    )
    for number, points in ((1, ["left", "right"]), (2, [])):
        Step.objects.create(
            procedure=procedure, number=number, kind="prepare", text="Look.", points=points
        )
    return [gearbox, engine]


def services_of(pks: Ids) -> Rows:
    rows = Service.objects.filter(pk__in=pks).order_by("-pk")
    return rows.select_related("procedure", "compartment", "vehicle_type")


def steps_of(pks: Ids) -> Rows:
    return Step.objects.filter(procedure__service__in=pks).order_by("number")


def held(row: Model | None, seen: tuple[int, ...] = ()) -> Any:
    """All that a row holds, and what lies beside it."""
    if row is None or id(row) in seen:
        return None if row is None else row.pk
    beside = row._state.fields_cache.items()
    return (
        {name: value for name, value in vars(row).items() if name != "_state"},
        (row._state.db, row._state.adding),
        {name: held(one, (*seen, id(row))) for name, one in beside},
    )


@pytest.mark.parametrize("question", [services_of, steps_of])
def test_copies_hold_what_rows_made_by_django_hold(
    services: list[Service], question: Callable[[Ids], Rows]
) -> None:
    copied, pks = prepared_copied(question), [one.pk for one in services]
    for asked_for in (pks, pks[:1], pks, pks[1:], [], pks):
        expected = [held(row) for row in question(asked_for)]
        assert [held(row) for row in copied(asked_for)] == expected
    assert len(expected) == 2


def test_what_lies_beside_a_copy_refers_back_to_it(services: list[Service]) -> None:
    copied = prepared_copied(services_of)
    for _ in range(2):
        engine, gearbox = copied([one.pk for one in services])
        with CaptureQueriesContext(connection) as asked:
            assert gearbox.procedure.service is gearbox
            assert engine.compartment is not gearbox.compartment
            assert not hasattr(engine, "procedure")
        assert not asked.captured_queries


def test_nothing_done_to_a_copy_is_seen_in_another(services: list[Service]) -> None:
    copied = prepared_copied(steps_of)
    pks = [one.pk for one in services]
    first, second = copied(pks)
    first.points.append("spare")
    second.points.append("spare")
    first.text = "Other."
    first.procedure = Procedure(pk=7)
    again, other = copied(pks)
    assert (again.points, other.points, again.text) == (["left", "right"], [], "Look.")
    assert again.procedure.service == services[0]
    again.text = "Look twice."
    again.save()
    assert [one.text for one in copied(pks)] == ["Look twice.", "Look."]


def test_a_change_of_any_column_is_seen_at_once(services: list[Service]) -> None:
    copied, pks = prepared_copied(services_of), [one.pk for one in services]
    assert {row.vehicle_type.powertrain for row in copied(pks)} != {"electric"}
    VehicleType.objects.update(powertrain="electric")
    assert {row.vehicle_type.powertrain for row in copied(pks)} == {"electric"}
    Procedure.objects.all().delete()
    assert not any(hasattr(row, "procedure") for row in copied(pks))


def test_rows_are_made_once_and_the_kept_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rowcopies, "MOST_KEPT", 3)
    copies, made = RowCopies(), []

    def make(rows: Any) -> list[Model]:
        made.extend(rows)
        return [Vehicle(pk=pk, fleet_number=number) for pk, number in rows]

    def numbers(*pks: int) -> list[str]:
        return [one.fleet_number for one in copies.of([(pk, f"V-{pk}") for pk in pks], make)]

    assert numbers(2, 1, 2) == ["V-2", "V-1", "V-2"]
    assert numbers(1, 3) == ["V-1", "V-3"]
    assert made == [(2, "V-2"), (1, "V-1"), (3, "V-3")]
    assert len(copies.made) == 3
    assert numbers(1, 4) == ["V-1", "V-4"]
    assert list(copies.made) == [(4, "V-4")]
    assert numbers() == []
    assert len(made) == 4


@pytest.mark.parametrize(
    "question",
    [
        lambda: Vehicle.objects.values_list("pk"),
        lambda: Vehicle.objects.values("pk"),
        lambda: Vehicle.objects.prefetch_related("meters"),
    ],
)
def test_only_plain_models_are_copied(question: Callable[[], Rows]) -> None:
    with pytest.raises(TypeError, match="are copied"):
        list(prepared_copied(question)())
