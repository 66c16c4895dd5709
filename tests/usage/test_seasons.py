"""Seasons found at month ends from the readings that were there by then."""

from datetime import UTC, datetime

import pytest

from fleet import chain
from fleet.usage.models import SeasonIndex, UsageState
from tests import cast
from tests.due.july import busy_julys
from tests.due.loaded import bus_type, store, vehicles

pytestmark = pytest.mark.django_db


def test_a_busy_july_is_found_in_july_and_put_in_force() -> None:
    meters = vehicles(22, bus_type(), cast.depot("yard"))
    store(meters, busy_julys(), later_d=-0.5)  # at midnight
    chain.catch_up(datetime(2022, 3, 10, tzinfo=UTC))
    season = SeasonIndex.objects.get()
    assert season.in_force
    assert season.factors.index(max(season.factors)) == 6
    # the mean month is 13/12 of an ordinary one: July 2 ÷ 13/12, drawn a little to 1
    assert max(season.factors) == pytest.approx(24 / 13, abs=0.25)
    assert set(UsageState.objects.values_list("season", flat=True)) == {season.pk}
