"""Which steps are recorded as done: by rows that are made up and not stored."""

from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import pytest

from fleet.workorders.models import ConfirmRecord, FluidRecord, TorqueRecord
from fleet.workorders.models.records import Record
from fleet.workorders.ticked import ticked
from tests.scene import NOW

JOB = 7
BOTH = ("left", "right")


def step(number: int, kind: str, fastener: str = "", points: tuple[str, ...] = ()) -> Any:
    nut = SimpleNamespace(slug=fastener) if fastener else None
    return SimpleNamespace(number=number, kind=kind, fastener=nut, points=points)


def done(steps: list[Any], *records: Record) -> set[int]:
    job: Any = SimpleNamespace(id=JOB, steps=steps, figures=(), service="oil")
    return ticked(job, records, ())


def torque(point: str = "", job_id: int = JOB) -> TorqueRecord:
    return TorqueRecord(job_id=job_id, fastener="plug", point=point, performed_at=NOW)


def word(point: str, *, seen: bool, later_min: int = 0) -> ConfirmRecord:
    at = NOW + timedelta(minutes=later_min)
    return ConfirmRecord(job_id=JOB, step=1, point=point, seen=seen, performed_at=at)


def poured(way: str) -> FluidRecord:
    return FluidRecord(job_id=JOB, way=way, performed_at=NOW)


def test_a_torque_marks_where_a_plug_is_closed_and_not_where_it_is_opened() -> None:
    steps = [step(1, "open drain plug", "plug"), step(2, "close drain plug", "plug")]
    assert done(steps, torque()) == {2}
    assert done(steps, torque(job_id=JOB + 1)) == set()


def test_a_step_of_several_points_is_marked_once_each_is_recorded() -> None:
    steps = [step(1, "lower", "plug", BOTH)]
    assert done(steps, torque("left")) == set()
    assert done(steps, torque("left"), word("right", seen=True)) == {1}


def test_the_newest_word_of_a_point_counts() -> None:
    steps = [step(1, "firm pedal")]
    assert done(steps, word("", seen=False)) == set()
    assert done(steps, word("", seen=False), word("", seen=True, later_min=1)) == {1}
    assert done(steps, word("", seen=True), word("", seen=False, later_min=1)) == set()


@pytest.mark.parametrize(("way", "marked"), [("drained", {1}), ("filled", {3}), ("topped up", {4})])
def test_litres_mark_the_step_that_they_are_of(way: str, marked: set[int]) -> None:
    steps = [step(1, "drain"), step(2, "read level"), step(3, "fill"), step(4, "read level")]
    assert done(steps, poured(way)) == marked
