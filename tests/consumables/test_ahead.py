"""What lies ahead of a depot, from vehicles that drive and records of what breaks."""

from datetime import date

import numpy as np
import pytest
from scipy import stats

from fleet import chain
from fleet.consumables.ahead import Calendar, Ways, rho_of
from fleet.consumables.demand import forecast_demand
from fleet.consumables.gather import gather
from fleet.consumables.listing import month_after
from fleet.consumables.models import ClassMonth, FirstForecast, PerKmUse
from fleet.consumables.recipes import rounded
from fleet.due.rules import gather_rules
from tests import scene
from tests.consumables.test_demand import TODAY, demand, driven, months_ahead, taking
from tests.scene import INVENTED, NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db


def test_clips_that_may_break_are_foreseen_by_their_law() -> None:
    brake = scene.service("engine", km=None, months=24)
    clip = shelf.item("clip", kind="one-time fixing", unit="pieces")
    taking(brake, clip, 10, "one-time fixing")
    rare = shelf.item("rare", kind="one-time fixing", unit="pieces")
    taking(brake, rare, 1, "one-time fixing")
    on = months_ahead(2).replace(day=9)
    van = scene.van()
    scene.done(van, brake, on.replace(year=on.year - 2), None)
    chain.refresh([van.pk], NOW)
    rows = demand(clip)
    # our choice: one in five breaks, as much as five pieces weigh; quantiles by scipy
    law = stats.betabinom(10, 1, 4)
    found = rows[months_ahead(2)]
    assert (found.p50, found.p80, found.p95) == tuple(law.ppf([0.5, 0.8, 0.95]).astype(int))
    assert found.mean == pytest.approx(2.0)
    assert {row.mean for month, row in rows.items() if month != months_ahead(2)} <= {0.0}
    # of what breaks once in five jobs too
    assert demand(rare)[months_ahead(2)].mean == pytest.approx(0.2)
    assert FirstForecast.objects.get(item=rare).mean == pytest.approx(0.2)


def test_what_a_class_is_expected_to_drive_in_the_next_month_is_kept() -> None:
    driven()
    for _ in range(2):  # the second night of a month keeps what the first one said
        forecast_demand(TODAY, [scene.depot().pk])
    found = ClassMonth.objects.get(month_on=months_ahead(1))
    # by hand: one van, about 700 km a week, in the 31 days of July
    assert (found.vehicles, found.mean_km) == (1, pytest.approx(3_100, rel=0.1))
    # its distance of a month is known to a few per cent up to a half of it, and not exactly
    assert 0.03 < np.sqrt(found.var_km2) / found.mean_km < 0.5


def test_what_is_used_up_by_driving_follows_the_km_of_each_month() -> None:
    van, _ = driven()
    fluid = shelf.item("exhaust-fluid")
    PerKmUse.objects.create(
        vehicle_type=van.vehicle_type, item=fluid, ml_per_1000_km=1_500, source=INVENTED
    )
    found = [row.mean for _, row in sorted(demand(fluid).items())]
    # by hand: 100 km a day at 1.5 mL in the 16 days of June that are left, and in July's 31
    assert found[:2] == pytest.approx([2_400, 4_650], rel=0.1)


def test_vehicles_that_share_what_their_class_does_move_together() -> None:
    van, _ = driven()
    (group,) = list(gather(van.depot_id, gather_rules()))
    calendar = Calendar.of(TODAY, [])
    paths = Ways.of(group, calendar, 0.0, 1.0)
    alone, little, more = (
        rho_of(group, paths, calendar.months[1], sigma)[0] for sigma in (0.0, 0.02, 0.04)
    )
    # by definition: what is shared over all of the spread, so twice the share is twice as much
    assert alone == 0.0 < little
    assert more == pytest.approx(2 * little)


@pytest.mark.parametrize(
    ("ml", "counted"), [(1, 50), (74, 50), (75, 100), (124, 100), (1_500, 1_500)]
)
def test_what_a_job_takes_is_counted_in_steps_of_fifty(ml: int, counted: int) -> None:
    assert rounded(ml) == counted


@pytest.mark.parametrize(
    ("months", "first"),
    [(0, date(2026, 11, 1)), (1, date(2026, 12, 1)), (2, date(2027, 1, 1)), (14, date(2028, 1, 1))],
)
def test_months_are_counted_across_the_year(months: int, first: date) -> None:
    assert month_after(date(2026, 11, 30), months) == first
