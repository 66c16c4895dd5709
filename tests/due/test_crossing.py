"""The instant at which a limit was reached, from a long history of which little is read."""

from datetime import timedelta
from unittest import mock

import numpy as np
import pytest

from fleet import bulk, chain
from fleet.calc import km_at
from fleet.calc.arrays import Array
from fleet.due import crossing
from fleet.due.gather import meters_of
from fleet.readings.models import Reading
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db

EVERY_D = 4
READINGS = 220  # two years and five months
LIMITS = np.array([10_000, 10_001, 10_155, 14_000, 21_000.5, 30_000, 43_000, 43_900, 44_000])


@pytest.fixture
def van() -> Vehicle:
    """By chance now driven, now standing; some totals fall by a km, as whole km do."""
    rng = np.random.default_rng(5)
    found = scene.van()
    steps = rng.gamma(2, 80, READINGS) * (rng.random(READINGS) > 0.2)
    km = 10_000 + np.round(np.cumsum(steps)) - (rng.random(READINGS) < 0.1)
    scene.readings(found, km.tolist(), every_d=EVERY_D)
    chain.refresh([found.pk], NOW)
    return found


def reached(van: Vehicle) -> tuple[np.ndarray, int]:
    """What is found, and the number of readings gathered for it."""
    meters, _ = meters_of(np.array([van.pk]))[0]
    n, gathered = len(LIMITS), [0]

    def read(*given: object) -> dict[str, Array]:
        found = bulk_read(*given)  # type: ignore[arg-type]
        gathered[0] += len(found["at_d"])
        return found

    bulk_read = bulk.read
    with mock.patch("fleet.due.crossing.bulk.read", read):
        found = crossing.reached_at_d(
            meters,
            np.zeros(n, dtype=np.int64),
            LIMITS - meters.state.last_km[0],
            LIMITS,
            np.full(n, np.datetime64("NaT", "D")),
            np.full(n, np.nan),
        )
    return found, gathered[0]


def test_the_instants_are_those_of_the_whole_history(van: Vehicle) -> None:
    rows = Reading.objects.filter(vehicle=van, verdict="accepted").order_by("taken_at", "pk")
    at_d = np.array([row.taken_at.timestamp() / 86_400 for row in rows])
    km = np.array([row.total for row in rows])
    assert len(km) > READINGS * 0.9
    beyond = km[-1] >= LIMITS
    assert beyond.sum() > 4
    n = len(LIMITS)
    whole = km_at.reached_at_d(np.arange(n + 1) * len(km), np.tile(at_d, n), np.tile(km, n), LIMITS)
    found, _ = reached(van)
    np.testing.assert_allclose(found[beyond], whole[beyond], atol=1e-6)
    assert np.isnan(found[~beyond]).all()


def test_only_the_months_about_each_total_are_read(van: Vehicle) -> None:
    # a month and what lies about it: by hand at most 62 days and two readings for each total
    _, gathered = reached(van)
    assert gathered <= len(LIMITS) * (62 // EVERY_D + 3)


def test_without_totals_of_months_all_is_read_and_found_alike(van: Vehicle) -> None:
    before, _ = reached(van)
    van.meters.get().km_at.all().delete()
    after, _ = reached(van)
    np.testing.assert_allclose(after, before, atol=1e-6)


def test_two_vans_are_not_mixed_up(van: Vehicle) -> None:
    alone, _ = reached(van)
    other = scene.van("V-2")
    scene.readings(other, scene.steady(5_000, 500, 120), every_d=EVERY_D)
    chain.refresh([van.pk, other.pk], NOW)
    meters, _ = meters_of(np.array([van.pk, other.pk]))[0]
    limits = np.concatenate((LIMITS[3:5], LIMITS[3:5]))
    which = np.array([0, 0, 1, 1])
    nothing = np.full(4, np.datetime64("NaT", "D")), np.full(4, np.nan)
    found = crossing.reached_at_d(
        meters, which, limits - meters.state.last_km[which], limits, *nothing
    )
    np.testing.assert_allclose(found[:2], alone[3:5])
    # by hand: from 5,000 km 500 km each four days, 14,000 km is the 19th reading of 120
    last_d = (NOW - timedelta(days=(120 - 19) * EVERY_D)).timestamp() / 86_400
    assert found[2] == pytest.approx(last_d, abs=1)


FIRST = NOW - timedelta(days=20)
FIRST_D = FIRST.timestamp() / 86_400


@pytest.fixture
def steady() -> Vehicle:
    """Three readings ten days apart from 10,000 km on, 1,000 km each; the last one now."""
    found = scene.van("V-3")
    scene.readings(found, scene.steady(10_000, 1_000, 3), every_d=10)
    chain.refresh([found.pk], NOW)
    return found


def anchored(
    van: Vehicle, limit_km: float, days_before: int | None, km: float, left: float = -1.0
) -> float:
    """Days after the first reading; the service was done so many days before that day."""
    meters, _ = meters_of(np.array([van.pk]))[0]
    on = np.datetime64("NaT") if days_before is None else np.datetime64(FIRST.date()) - days_before
    found = crossing.reached_at_d(
        meters, np.array([0]), np.array([left]), np.array([limit_km]), np.array([on], "M8[D]"),
        np.array([km]),
    )  # fmt: skip
    return float(found[0]) - FIRST_D


def test_before_the_first_reading_a_limit_lies_on_the_line_from_the_service(
    steady: Vehicle,
) -> None:
    # done at midnight 30 days before the day of the first reading, at 7,000 km; read at 9 o'clock
    begin_d = FIRST_D % 1 + 30
    assert anchored(steady, 8_500, 30, 7_000) == pytest.approx(-begin_d / 2, abs=1e-6)
    assert anchored(steady, 10_500, 30, 7_000) == pytest.approx(5, abs=1e-6)
    # without a day, or a total, there is no line: the first reading is what tells of it
    for days_before, km in ((None, 7_000), (30, np.nan), (None, np.nan)):
        assert anchored(steady, 8_500, days_before, km) == pytest.approx(0, abs=1e-6)


def test_a_limit_is_reached_where_nothing_is_left_and_not_before(steady: Vehicle) -> None:
    assert anchored(steady, 12_000, 30, 7_000, left=0.0) == pytest.approx(20, abs=1e-6)
    assert np.isnan(anchored(steady, 12_001, 30, 7_000, left=1.0))


@pytest.mark.parametrize(
    ("days", "expected"),
    [
        # days from that of the first reading, at midnight: 9 hours before the time of readings
        (-30, 7_000),  # the day of the service
        (-15, 7_000 + 3_000 * 15 / 30.375),
        (0, 7_000 + 3_000 * 30 / 30.375),
        (1, 10_062.5),  # 15 hours at 100 km a day
        (15, 11_462.5),
        (20, 11_962.5),
        (21, 12_000),  # nothing is extrapolated
        (900, 12_000),
    ],
)
@pytest.mark.parametrize("kept", [True, False])
def test_a_total_at_the_start_of_a_day_lies_on_the_line_between_what_is_known(
    steady: Vehicle, days: int, expected: float, kept: bool
) -> None:
    if not kept:
        steady.meters.get().km_at.all().delete()
    meters, _ = meters_of(np.array([steady.pk]))[0]
    first_on = np.datetime64(FIRST.date())
    asked = (first_on + days).astype(np.int64)
    found = crossing.totals_at(
        meters,
        np.array([-1, 0]),
        np.array([asked, asked]),
        np.array([first_on - 30] * 2),
        np.array([7_000.0] * 2),
    )
    assert np.isnan(found[0])  # no meter
    assert found[1] == pytest.approx(expected, abs=0.01)
