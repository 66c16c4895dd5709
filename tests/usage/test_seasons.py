"""Seasons found at month ends from the readings that were there by then."""

from datetime import UTC, date, datetime
from importlib import import_module

import numpy as np
import pytest
from django.apps import apps

from fleet import chain
from fleet.calc.class_rates import Season
from fleet.usage import seasons
from fleet.usage.models import SeasonIndex, UsageState
from tests import cast
from tests.due.july import busy_julys
from tests.due.loaded import bus_type, store, vehicles

pytestmark = pytest.mark.django_db

FLAT = np.ones(12)


def shown(july: float, years: int = 2) -> Season:
    """A season with a busy or quiet July, as the arithmetic gives it."""
    factors = FLAT.copy()
    factors[6] = july
    weight = 0.0 if july == 1 else 0.9
    return Season(factors[None], np.array([weight]), np.array([years]), np.array([9]))


def record(month: int, july: float, years: int = 2) -> SeasonIndex | None:
    """See a season at the first of a month of 2025; give the one in force then."""
    seasons._record(1, 1, date(2025, month, 1), shown(july, years))
    return SeasonIndex.objects.filter(in_force=True).first()


def test_a_busy_july_is_found_in_july_and_put_in_force() -> None:
    meters = vehicles(22, bus_type(), cast.depot("yard"))
    store(meters, busy_julys(), later_d=-0.5)  # at midnight
    chain.catch_up(datetime(2022, 3, 10, tzinfo=UTC))
    season = SeasonIndex.objects.get()
    assert season.in_force
    assert season.took_force
    assert season.factors.index(max(season.factors)) == 6
    # the mean month is 13/12 of an ordinary one: July 2 ÷ 13/12, and the years agree
    assert max(season.factors) == pytest.approx(24 / 13, abs=0.02)
    assert season.weight == pytest.approx(1.0, abs=1e-3)
    assert set(UsageState.objects.values_list("season", flat=True)) == {season.pk}


def test_a_season_in_force_stays_until_one_differs() -> None:
    first = record(1, 1.2)
    assert first is not None
    assert record(2, 1.215) == first  # a difference of .015
    second = record(3, 1.225)
    assert second is not None
    assert second.month_end_on == date(2025, 3, 1)
    assert SeasonIndex.objects.filter(in_force=True).count() == 1
    assert list(SeasonIndex.objects.order_by("month_end_on").values_list("took_force")) == [
        (True,), (False,), (True,),
    ]  # fmt: skip


def test_a_season_no_longer_believed_goes_out_of_force() -> None:
    record(1, 1.2)
    assert record(2, 1.0, years=1) is None
    assert seasons.season_at(1, 1, date(2025, 3, 1)) is None


def test_a_faint_season_never_takes_force() -> None:
    assert record(1, 1.015) is None
    assert record(2, 1.0) is None


def test_without_two_years_nothing_is_noted() -> None:
    assert record(1, 1.0, years=1) is None
    assert not SeasonIndex.objects.exists()


def test_looking_twice_at_a_month_ends_the_same() -> None:
    first = record(1, 1.2)
    record(2, 1.3)
    assert record(2, 1.21) == first
    again = record(2, 1.3)
    assert again is not None
    assert again.month_end_on == date(2025, 2, 1)


def test_older_history_that_comes_later_leaves_what_was_seen_since() -> None:
    newer = record(5, 1.2)
    assert record(3, 1.4) == newer


def test_the_season_of_a_past_day_is_the_one_then_in_force() -> None:
    first = record(1, 1.2)
    record(2, 1.21)
    third = record(3, 1.4)
    assert seasons.season_at(1, 1, date(2025, 1, 1)) is None
    assert seasons.season_at(1, 1, date(2025, 1, 2)) == first
    assert seasons.season_at(1, 1, date(2025, 3, 1)) == first
    assert seasons.season_at(1, 1, date(2025, 3, 2)) == third


def test_seasons_of_before_keep_what_was_in_force_then() -> None:
    SeasonIndex.objects.create(
        type_pk=1,
        depot_pk=1,
        month_end_on=date(2024, 12, 31),
        in_force=True,
        factors=[1.1, *[1.0] * 10, 0.9],
        vehicles=30,
    )
    assert seasons.season_at(1, 1, date(2025, 1, 1)) is None
    import_module("fleet.usage.migrations.0003_shrunk_seasons").keep_what_was_in_force(apps, None)
    assert seasons.season_at(1, 1, date(2025, 1, 1)) is not None
