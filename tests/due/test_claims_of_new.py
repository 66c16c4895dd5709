"""Totals claimed of vehicles that nobody has read yet: what is unlikely, and what cannot be."""

from datetime import date, timedelta

import numpy as np
import pytest

from fleet.due.doubt import Claims, Doubt, doubts
from fleet.vehicles.models import Meter

pytestmark = pytest.mark.django_db

JOINED = date(2026, 5, 1)


def claims(*said: tuple[int, int, float], **facts: object) -> Claims:
    """Of vehicles by number: days after 1 May 2026, and totals; at most 900 km a day."""
    vehicle, after, total = (np.array(column) for column in zip(*said, strict=True))
    n = len(vehicle)
    given = {
        "began_on": None, "began_km": np.nan, "joined_on": None, "joined_km": np.nan,
        "most_per_day": 900.0, "usual_per_day": 100.0, "off_road": False, "utc_offset_d": 0.0,
    } | facts  # fmt: skip
    kinds = {"began_on": "M8[D]", "joined_on": "M8[D]", "off_road": bool}
    columns = {name: np.array([one] * n, kinds.get(name, float)) for name, one in given.items()}
    on = np.datetime64(JOINED, "D") + after
    return Claims(np.full(n, -1), vehicle, on, total.astype(np.float64), **columns)


def one(after: int, total: float, kind: str = Meter.Kind.KM, **facts: object) -> Doubt | None:
    found = doubts(claims((0, after, total), **facts), kind)
    return found[0] if found else None


READ = {"joined_on": JOINED, "joined_km": 40_000.0}
BEGAN = {"began_on": JOINED, "began_km": 40_000.0}


# by hand: 10 days later, with both days counted 12 of at most 900 km each: 10,800 km; a meter
# never falls, but for its rounding of 2 km; on the day itself it may have been a day's run less
@pytest.mark.parametrize(
    ("after", "total", "sure"),
    [
        (10, 50_800, False),
        (10, 50_801, True),
        (10, 39_998, False),
        (10, 39_997, True),
        (0, 41_800, False),
        (0, 41_801, True),
        (0, 39_098, None),  # 900 km, and the rounding
        (0, 39_097, True),
    ],
)
@pytest.mark.parametrize("facts", [READ, BEGAN])
def test_more_than_it_can_run_or_less_than_it_stood_cannot_be(
    after: int, total: float, sure: bool | None, facts: dict[str, object]
) -> None:
    found = one(after, total, **facts)
    assert (found.sure if found else None) is sure
    # what joining says was read; a start of use was not
    assert (found.by_reading if found else False) == (bool(sure) and facts is READ)


def test_what_such_a_vehicle_usually_runs_is_believed() -> None:
    assert one(10, 41_000, **READ) is None
    assert one(10, 41_000, **BEGAN) is None
    assert one(10, 990_000) is None  # where nothing is known


def test_before_joining_it_stood_no_higher() -> None:
    assert one(-1, 40_002, **READ) is None
    found = one(-1, 40_003, **READ)
    assert found is not None
    assert (found.sure, found.by_reading) == (True, True)
    assert found.text == (
        "40,003 km on 2026-04-30 does not go with 40,000 km on 2026-05-01: that day it stood "
        "between 0 and 40,002 km"
    )
    assert one(-1, 90_000, **BEGAN) is None  # before its start of use nothing is known


def test_of_two_facts_the_newer_counts() -> None:
    # by hand: begun at 10 km in March, joined at 40,000 km on 1 May
    began = {"began_on": date(2026, 3, 1), "began_km": 10.0}
    assert one(5, 40_500, **READ, **began) is None
    found = one(5, 30_000, **READ, **began)
    assert found is not None
    assert "does not go with 40,000 km on 2026-05-01: that day it likely" in found.text
    # by hand: between the two 3 % of the 39,990 km between them are allowed for
    assert one(-10, 41_199, **READ, **began) is None
    found = one(-10, 41_200, **READ, **began)
    assert found is not None
    assert "10 km on 2026-03-01 and 40,000 km on 2026-05-01" in found.text


def test_a_day_begins_when_it_does_at_the_depot() -> None:
    east = READ | {"utc_offset_d": 10 / 24}
    found = one(10, 90_000, **east)
    assert found is not None
    assert "on 2026-05-11 does not go with 40,000 km on 2026-05-01" in found.text


def test_an_hour_meter_gains_at_most_24_hours_a_day() -> None:
    given = {"began_on": JOINED, "began_km": 0.0, "most_per_day": 24.0, "usual_per_day": 3.0}
    found = one(10, 289, Meter.Kind.HOURS, **given)  # 12 days of 24 h are 288 h
    assert found is not None
    assert found.sure
    assert "289 h on 2026-05-11" in found.text


def test_what_may_have_been_meant_is_offered() -> None:
    # by hand: 411,000 / 10; 41,100 km are 25,539 miles, noted as if they were km
    found = one(10, 411_000, **READ)
    assert found is not None
    assert found.meant == ("41,100 km: one digit too many",)
    found = one(10, 25_539, **READ)
    assert found is not None
    assert found.meant == ("41,101 km: noted in miles",)


# --- claims held against each other: none of these has a reading or a start of use ------------
def said(*given: tuple[int, int, float]) -> list[tuple[int, str]]:
    found = doubts(claims(*given), Meter.Kind.KM)
    assert all(one.sure and not one.by_reading and not one.meant for one in found)
    return [(one.at, one.text) for one in found]


def test_the_one_that_most_of_the_others_contradict_is_named_with_the_nearest_of_them() -> None:
    found = said((0, 0, 10_000), (0, 30, 90_000), (0, 60, 16_000), (0, 90, 19_000))
    assert found == [
        (1, "90,000 km on 2026-05-31 does not go with 10,000 km on 2026-05-01"),
    ]
    # told in any order: the place of each is that among those given
    again = said((0, 90, 19_000), (0, 60, 16_000), (0, 30, 90_000), (0, 0, 10_000))
    assert [at for at, _ in again] == [2]


def test_vehicles_are_not_held_against_each_other() -> None:
    low = [(0, day, 10_000 + 100.0 * day) for day in (0, 30, 60)]
    high = [(1, day, 90_000 + 100.0 * day) for day in (1, 31, 61)]
    assert said(*low, *high) == []
    assert said(*high, *low) == []
    assert [at for at, _ in said(*low, *high, (0, 90, 9_000))] == [6]


@pytest.mark.parametrize(
    ("gained", "after", "fits"),
    [
        (-2, 10, True),  # as each may be rounded
        (-3, 10, False),
        (9_900, 10, True),  # 11 days of 900 km
        (9_901, 10, False),
        (900, 0, True),  # two of one day come in any order
        (-900, 0, True),
        (901, 0, False),
    ],
)
def test_two_totals_go_together_where_it_can_have_run_from_one_to_the_other(
    gained: float, after: int, fits: bool
) -> None:
    assert (said((0, 0, 50_000), (0, after, 50_000 + gained)) == []) is fits


def test_one_that_cannot_be_is_named_once_and_held_against_no_other() -> None:
    found = doubts(claims((0, 10, 990_000), (0, 20, 42_000), **READ), Meter.Kind.KM)
    assert [one.at for one in found] == [0]
    assert JOINED + timedelta(days=10) == date(2026, 5, 11)
