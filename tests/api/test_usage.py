from datetime import date

import pytest
from rest_framework.test import APIClient

from fleet.usage.models import SeasonIndex, UsageState
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast


@pytest.fixture
def clerk(running: Cast, call: Caller) -> APIClient:
    return call(running.clerk)


def test_usage_shows_the_total_and_what_is_expected(clerk: APIClient) -> None:
    row = clerk.get(address("usage"), {"vehicle": "v-101"}).json()["rows"][0]
    assert (row["vehicle"], row["meter"], row["total_km"]) == ("V-101", "km", 10_670)
    # nine steady weeks of 630 km are 90 km a day, and so is the class: the cast
    assert row["expected_km_per_day"] == pytest.approx(90, rel=0.02)
    assert row["expected_h_per_day"] is None


def test_usage_can_be_narrowed(clerk: APIClient) -> None:
    assert len(clerk.get(address("usage")).json()["rows"]) == 2
    assert clerk.get(address("usage"), {"vehicle": "V-201"}).json()["rows"] == []
    assert clerk.get(address("usage"), {"depot": "hill"}).json()["rows"] == []


def test_what_is_expected_a_day_counts_the_season(clerk: APIClient) -> None:
    """Thirty days of which each counts for 1.2 of the year's mean: the last reading is of the cast,
    and so in the same months whatever today is."""
    season = SeasonIndex.objects.create(
        **{"type_pk": 1, "depot_pk": 1, "month_end_on": date(2020, 1, 31), "in_force": True},
        **{"factors": [1.2] * 12, "weight": 1.0, "vehicles": 30},
    )
    asked = address("usage"), {"vehicle": "V-101"}
    before = clerk.get(*asked).json()["rows"][0]["expected_km_per_day"]
    UsageState.objects.update(season=season)
    after = clerk.get(*asked).json()["rows"][0]["expected_km_per_day"]
    assert after == pytest.approx(1.2 * before, rel=0.002)  # a swing dies away sooner
