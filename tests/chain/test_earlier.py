"""Judged again from an earlier memory, everything is as if judged again from the first reading."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any
from unittest import mock

import numpy as np
import pytest
from django.db import models
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet import chain
from fleet.calc import usage, verdicts
from fleet.readings import judge
from fleet.readings.models import (
    EarlierMemory,
    Reading,
    ReadingDecision,
    Source,
    Verdict,
    VerdictMemory,
)
from fleet.readings.settle import settle
from fleet.usage import rates
from fleet.usage.models import EarlierState, KmAt, UsageState
from fleet.vehicles.models import Meter, MeterChange, Vehicle
from tests import scene
from tests.scene import NOW

EVERY = 4  # readings from one kept memory to the next, so that short histories have several
DAY = timedelta(days=1)
STARTED_AT = NOW - timedelta(days=400)
OFTEN = settings(
    max_examples=10, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True
)


@pytest.fixture(autouse=True)
def _kept_often(monkeypatch: pytest.MonkeyPatch, db: None) -> None:
    monkeypatch.setattr("fleet.calc.verdicts.KEPT_EVERY", EVERY)


class Story:
    """A van whose readings come in by chance: late, odd, settled, with meters replaced."""

    def __init__(self, seed: int, number: str) -> None:
        self.rng = np.random.default_rng(seed)
        self.vehicle = scene.van(number)
        self.meter = Meter.objects.get(vehicle=self.vehicle)
        self.days = 0.0
        self.km = 20_000.0

    def go_on(self) -> None:
        """Some readings in order of time, now and then one that is odd."""
        for _ in range(int(self.rng.integers(1, 7))):
            self.days += float(self.rng.choice([0.25, 1, 2, 7, 10]))
            self.km += round(float(self.rng.gamma(4, 25)))
            self.add(self.days, self.spoilt(self.km))

    def spoilt(self, km: float) -> float:
        odd = self.rng.random() < 0.2
        faults = [km * 10, km // 10, km + 90, km - 900, km + 30_000, round(km / 1.609), 150.0]
        return float(self.rng.choice(faults)) if odd else km

    def come_late(self) -> None:
        known = list(Reading.objects.filter(meter=self.meter).order_by("-taken_at")[:12])
        if len(known) > 1:
            at = int(self.rng.integers(len(known) - 1))
            one, two = known[at + 1], known[at]
            middle = (one.taken_at + (two.taken_at - one.taken_at) / 2 - STARTED_AT) / DAY
            self.add(round(middle * 86_400) / 86_400, (one.value + two.value) / 2)

    def correct(self) -> None:
        """The same moment as a reading before, from a sheet or a page, with another value."""
        known = list(Reading.objects.filter(meter=self.meter).order_by("-taken_at")[:8])
        if known:
            one = known[int(self.rng.integers(len(known)))]
            source = Source.PAGE if self.rng.random() < 0.5 else Source.SHEET
            days = (one.taken_at - STARTED_AT) / DAY
            self.add(days, one.value + float(self.rng.choice([0, 2, 400])), source)

    def decide(self) -> None:
        some = list(Reading.objects.filter(meter=self.meter).order_by("-taken_at")[:10])
        if not some:
            return
        one = some[int(self.rng.integers(len(some)))]
        action = str(self.rng.choice(ReadingDecision.Action.values))
        chosen = action in ReadingDecision.IN_ITS_PLACE
        settle(
            reading_id=one.pk,
            action=action,
            value=one.value + 10 if chosen else None,
            override_reason="seen",
            person=None,
            reason="seen",
            channel="test",
        )

    def add(self, days: float, value: float, source: str = Source.SHEET) -> None:
        Reading.objects.get_or_create(
            meter=self.meter,
            taken_at=STARTED_AT + timedelta(seconds=round(days * 86_400)),
            source=source,
            value=round(value, 1),
            unit="km",
            defaults={"vehicle": self.vehicle, "meter_value": round(value, 1)},
        )


STEPS: dict[str, Callable[[Story], None]] = {
    "on": Story.go_on,
    "late": Story.come_late,
    "corrected": Story.correct,
    "decided": Story.decide,
}


def columns(model: type[models.Model], *but: str) -> list[str]:
    names = [field.attname for field in model._meta.concrete_fields]
    return [name for name in names if name not in {"id", "version", "stamp", *but}]


def everything() -> dict[str, list[tuple[object, ...]]]:
    tables = (Reading, VerdictMemory, UsageState, EarlierMemory, EarlierState, KmAt)
    return {
        model.__name__: list(model.objects.order_by("pk").values_list(*columns(model)))
        if model in (Reading, VerdictMemory, UsageState)
        else sorted(model.objects.values_list(*columns(model)))
        for model in tables
    }


def sums_at_month_ends() -> Any:
    """What class rates would rest on, for every meter at several month ends."""
    found = []
    for days in (20, 45, 90, 200):
        meters = rates._gather_sums("km")
        end_d = np.floor((STARTED_AT + days * DAY).timestamp() / 86_400)
        rates._rewind(meters, np.arange(len(meters["id"])), end_d)
        found.append([meters[name] for name in ("sum_d", "sum_km", "last_at_d")])
    return np.array(found)


def from_the_first() -> None:
    EarlierMemory.objects.all().delete()
    EarlierState.objects.all().delete()
    meters = np.array(VerdictMemory.objects.values_list("meter", flat=True))
    judge.replay(np.sort(meters), NOW)
    chain.catch_up(NOW)


@given(seed=st.integers(0, 10**6), steps=st.lists(st.sampled_from(sorted(STEPS)), max_size=14))
@OFTEN
def test_whatever_comes_all_ends_as_if_judged_from_the_first_reading(
    seed: int, steps: list[str]
) -> None:
    Vehicle.objects.all().delete()
    stories = [Story(seed, "V-1"), Story(seed + 1, "V-2")]
    for step in ["on", "on", "on", *steps]:
        for story in stories:
            STEPS[step](story)
        chain.refresh([story.vehicle.pk for story in stories], NOW)
    came_to, sums = everything(), sums_at_month_ends()
    EarlierState.objects.all().delete()
    np.testing.assert_array_equal(sums, sums_at_month_ends())
    from_the_first()
    again = everything()
    for name, rows in came_to.items():
        assert rows == again[name], name


def late_one(vehicle: Vehicle, days: float, value: float) -> Reading:
    scene.readings(vehicle, [value], until=NOW - timedelta(days=days))
    chain.refresh([vehicle.pk], NOW)
    return Reading.objects.latest("pk")


def judged_rows() -> Any:
    return mock.patch("fleet.readings.judge.verdicts.judge", wraps=verdicts.judge)


def test_a_late_reading_is_judged_with_what_came_after_it_alone() -> None:
    vehicle = scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 60))
    chain.refresh([vehicle.pk], NOW)
    with judged_rows() as judging:
        row = late_one(vehicle, 10, 10_000 + 57 * 700 + 400)
    assert row.verdict == Verdict.ACCEPTED
    # sixty readings: memories at the 4th … 56th and 60th; the late one lies after the 58th, so
    # it is judged with those after the 56th: by hand
    assert [len(call.args[1].at_d) for call in judging.call_args_list] == [5]


def test_usage_goes_on_from_where_verdicts_still_stand() -> None:
    vehicle = scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 60))
    chain.refresh([vehicle.pk], NOW)
    with mock.patch("fleet.usage.earlier.usage.advance") as advance:
        advance.side_effect = lambda state, *_: state
        late_one(vehicle, 10, 10_000 + 57 * 700 + 400)
    # the 57th and 58th, the late one (with it there are sixty: a mark), the 59th, the 60th
    events = [len(call.args[1].at_d) for call in advance.call_args_list]
    assert sum(events) == 5


def test_a_month_end_is_looked_back_at_from_the_newest_state_before_it() -> None:
    vehicle = scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 60))
    chain.refresh([vehicle.pk], NOW)
    (marks,) = np.array(EarlierState.objects.order_by("last_at_d").values_list("last_at_d")).T
    with mock.patch("fleet.usage.rates.usage.advance", wraps=usage.advance) as advance:
        meters = rates._gather_sums("km")
        rates._rewind(meters, np.arange(1), np.ceil(marks[5]) + 15.0)
    # readings lie seven days apart: those at 7 and 14 days after the mark, by hand
    assert [len(call.args[1].at_d) for call in advance.call_args_list] == [2]


def test_earlier_totals_of_months_are_left_as_they_stand() -> None:
    vehicle = scene.van()
    scene.readings(vehicle, scene.jittered(3, 10_000, 60))
    chain.refresh([vehicle.pk], NOW)
    before = set(KmAt.objects.values_list("pk", "on", "total"))
    late_one(vehicle, 10, Reading.objects.get(taken_at=NOW - timedelta(days=14)).value + 400)
    assert {row[1] for row in set(KmAt.objects.values_list("pk", "on", "total")) - before} == set()


@pytest.mark.parametrize(
    "change",
    [
        lambda vehicle: vehicle.vehicle_type.__class__.objects.update(top_km_per_day=800),
        lambda vehicle: VerdictMemory.objects.update(rate_km_per_day=90),
        lambda vehicle: MeterChange.objects.create(
            meter=vehicle.meters.get(), from_at=STARTED_AT, offset=500, note="loaded"
        ),
        lambda _: Reading.objects.filter(
            pk__in=list(EarlierMemory.objects.values_list("last_id", flat=True))
        ).update(verdict=Verdict.HELD),
        lambda _: VerdictMemory.objects.update(to_replay=True),
    ],
    ids=["top", "rate", "offset", "reading", "rules"],
)
def test_a_memory_that_no_longer_holds_is_not_begun_from(
    change: Callable[[Vehicle], object],
) -> None:
    vehicle = scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 58))
    chain.refresh([vehicle.pk], NOW)
    change(vehicle)
    with judged_rows() as judging, mock.patch("fleet.usage.rates.start_rates") as begun:
        begun.return_value = np.array([90.0]), np.array([0.5])
        late_one(vehicle, 10, 10_000 + 56 * 700)
    assert max(len(call.args[1].at_d) for call in judging.call_args_list) >= 58
