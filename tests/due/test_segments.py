"""Duty classes over time, held against a plain account day by day."""

from datetime import date, timedelta

import numpy as np
import pytest

from fleet.due import segments
from fleet.due.rules import NORMAL, SEVERE
from fleet.due.segments import Segments
from fleet.duty.models import DutyAssessment, DutyOverride
from tests import scene

BEGAN = date(2026, 3, 1)
DAYS = 40
TODAY = BEGAN + timedelta(days=DAYS - 8)  # what begins later is not known to come
NAMES = {NORMAL: "normal", SEVERE: "severe"}

Span = tuple[int, int, int]  # first day, last day, class


def by_day(assessed: list[tuple[int, int]], overrides: list[Span]) -> list[int]:
    """Class of each day: the newest override that covers it, else what was assessed last."""
    found = []
    for day in range(DAYS):
        begun = [chosen for begin, chosen in assessed if begin <= day]
        first = [chosen for _, chosen in assessed[:1]]  # it counts for the days before it, too
        chosen = (begun or first or [NORMAL])[-1 if begun else 0]
        for begin, end, other in sorted(overrides, key=lambda one: one[0]):
            chosen = other if begin <= day <= end else chosen
        found.append(chosen)
    return found


def changes(classes: list[int], since: int, today: int) -> list[tuple[int, int]]:
    """The class on a day, and each day up to today on which another one began."""
    found = [(since, classes[since])]
    for day in range(since + 1, today + 1):
        if classes[day] != classes[day - 1]:
            found.append((day, classes[day]))
    return found


def drawn(rng: np.random.Generator) -> tuple[list[tuple[int, int]], list[Span]]:
    days = sorted(rng.choice(DAYS, rng.integers(0, 5), replace=False).tolist())
    assessed = [(day, int(rng.integers(2))) for day in days]
    begins = {*rng.choice(DAYS, rng.integers(0, 4)).tolist(), *days[1 : int(rng.integers(1, 3))]}
    return assessed, [
        (day, day + int(rng.integers(0, 15)), int(rng.integers(2))) for day in sorted(begins)
    ]


@pytest.mark.django_db
def test_each_day_has_the_class_of_its_newest_override_else_of_its_last_assessment() -> None:
    rng = np.random.default_rng(3)
    cases, assessments, overrides = {}, [], []
    on = [BEGAN + timedelta(days=day) for day in range(2 * DAYS)]
    for number in range(30):
        van = scene.van(f"V-{number}")
        for part in van.vehicle_type.compartments.order_by("pk"):
            assessed, spans = cases[van.pk, part.pk] = drawn(rng)
            place = {"vehicle": van, "compartment": part}
            assessments += [
                DutyAssessment(**place, from_on=on[day], duty_class=NAMES[chosen], evidence=[])
                for day, chosen in assessed
            ]
            overrides += [
                DutyOverride(
                    **place, from_on=on[first], until_on=on[last], duty_class=NAMES[chosen],
                    reason="x",
                )
                for first, last, chosen in spans
            ]  # fmt: skip
    DutyAssessment.objects.bulk_create(assessments)
    DutyOverride.objects.bulk_create(overrides)
    vehicles, compartments = (np.array(column) for column in zip(*cases, strict=True))
    found = segments.gather(np.unique(vehicles), TODAY)
    begin_d = np.datetime64(BEGAN, "D").astype(np.int64)
    for since in range(0, DAYS - 7, 3):
        at = np.full(len(vehicles), begin_d + since)
        offsets, from_d, duty_class = found.stretches(vehicles, compartments, at)
        for row, case in enumerate(cases.values()):
            mine = slice(offsets[row], offsets[row + 1])
            told = list(
                zip((from_d[mine] - begin_d).tolist(), duty_class[mine].tolist(), strict=True)
            )
            assert told == changes(by_day(*case), since, DAYS - 8), (case, since)


def test_what_nobody_assessed_is_normal_since_its_service_even_where_nothing_is_known() -> None:
    nothing = np.empty(0, dtype=np.int64)
    empty = Segments(nothing, nothing, nothing)
    found = empty.stretches(np.array([4, 5]), np.array([1, 1]), np.array([20_000, 20_010]))
    assert [column.tolist() for column in found] == [[0, 1, 2], [20_000, 20_010], [NORMAL, NORMAL]]
    assert empty.stamp_of(np.array([4]), np.array([1])).tolist() == [0]


def test_a_vehicle_and_a_compartment_are_one_key_whatever_their_numbers() -> None:
    parts = np.array([1, 5, 63, 249, 2**31 - 1])
    vehicle, part = (each.ravel() for each in np.meshgrid(np.arange(1, 9), parts))
    assert len(np.unique(segments._key(vehicle, part))) == 8 * 5


def of(classes: dict[tuple[int, int], list[tuple[int, int]]]) -> Segments:
    rows = [
        (int(segments._key(np.array(vehicle), np.array(part))), from_d, chosen)
        for (vehicle, part), begun in sorted(classes.items())
        for from_d, chosen in begun
    ]
    return Segments(*(np.array(column, dtype=np.int64) for column in zip(*rows, strict=True)))


def stamps(given: Segments) -> list[int]:
    return given.stamp_of(np.array([1, 1, 2]), np.array([1, 2, 1])).tolist()


def test_a_compartments_stamp_changes_with_each_of_its_classes_and_with_no_others() -> None:
    given = {(1, 1): [(-9, 0), (50, 1)], (1, 2): [(-9, 1), (60, 0)], (2, 1): [(-9, 0)]}
    before = stamps(of(given))
    assert len(set(before)) == 3
    for key, changed in (
        ((1, 1), [(-9, 0), (51, 1)]),  # another day
        ((1, 1), [(-9, 1), (50, 0)]),  # another order
        ((1, 1), [(-9, 0)]),
        ((1, 2), [(-9, 1), (60, 0), (70, 1)]),
        ((2, 1), [(-9, 1)]),
    ):
        after = stamps(of(given | {key: changed}))
        unlike = [place for place, (one, other) in enumerate(zip(before, after, strict=True))
                  if one != other]  # fmt: skip
        assert unlike == [sorted(given).index(key)]
