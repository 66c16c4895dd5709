"""What lies ahead of a depot, from vehicles that drive and records of what breaks."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from fleet import chain
from fleet.calc.level_paths import moments_ahead
from fleet.consumables.ahead import Calendar, Ways, look_ahead, rho_of
from fleet.consumables.demand import forecast_demand
from fleet.consumables.gather import gather
from fleet.consumables.learn import Learnt
from fleet.consumables.listing import month_after
from fleet.consumables.models import ClassMonth, FirstForecast, PerKmUse
from fleet.consumables.recipes import gather_recipes, rounded
from fleet.due.rules import gather_rules
from fleet.workorders.models import Material
from tests import scene
from tests.consumables.test_demand import TODAY, demand, driven, months_ahead, taking
from tests.consumables.test_learn import faded, kept_since, topped_up
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


def test_what_is_poured_in_between_services_is_foreseen_by_its_law() -> None:
    oil = shelf.item("top-oil", product=shelf.product("top-oil"))
    van, _ = scene.van("V-1"), scene.van("V-2")
    kept_since(100)
    topped_up(van, oil, 12)
    rows = demand(oil)
    # our choice: half an event beside the records, each halved after 180 days; two vehicles were
    # watched for 100 days, and 16 days of June and 31 of July lie ahead of both
    shape, watched = 0.5 + 0.5 ** (12 / 180), 2 * faded(100)
    for months, days in ((0, 16), (1, 31)):
        exposure = 2 * days / 30
        law = stats.nbinom(shape, watched / (watched + exposure))
        found = rows[months_ahead(months)]
        assert found.mean == pytest.approx(500 * shape * exposure / watched, rel=1e-4)
        quantiles = 500 * law.ppf([0.5, 0.8, 0.95]).astype(int)
        assert (found.p50, found.p80, found.p95) == tuple(quantiles)


def test_the_distance_of_the_next_month_is_that_between_its_two_ends() -> None:
    """On the last day of a month, when it was read half a day before the next one begins."""
    at = datetime(2026, 6, 30, 12, tzinfo=UTC)
    van = scene.van()
    scene.readings(van, scene.jittered(3, 11_000, 16), until=at)
    scene.van("V-2").meters.all().delete()
    chain.refresh([van.pk], at)
    (group,) = list(gather(van.depot_id, gather_rules()))
    calendar = Calendar.of(at.date(), [])
    alone = Learnt({}, {}, {}, {}, {})
    found = look_ahead(van.depot_id, [group], calendar, gather_recipes(), alone, 0.0, 1.0)
    (row,) = found.classes
    law = Ways.of(group, calendar, 0.0, 1.0).law
    means, spreads = zip(*(moments_ahead(law, days) for days in (0.5, 31.5)), strict=True)
    assert row.vehicles == 1  # the other one has no odometer
    assert row.mean_km == pytest.approx(float(means[1][0] - means[0][0]))
    assert row.var_km2 == pytest.approx(float(spreads[1][0] - spreads[0][0]))


def test_what_is_shared_counts_over_the_spread_until_the_middle_of_the_month() -> None:
    van, _ = driven()
    bare = scene.van("V-0")
    bare.meters.all().delete()
    (group,) = list(gather(van.depot_id, gather_rules()))
    calendar = Calendar.of(TODAY, [])
    paths = Ways.of(group, calendar, 0.0, 1.0)
    read_d = calendar.today_d + 9 / 24  # at nine in the morning
    for stretch, middle_d in zip(calendar.months, (8, 31.5, 62.5), strict=False):
        mean, var = moments_ahead(paths.law, calendar.today_d + middle_d - read_d)
        # by definition of a correlation; our choice: on steps of .02, and at most .9
        steps = round(min(0.05 * float(mean[0]) / float(var[0]) ** 0.5, 0.9) / 0.02)
        found = dict(
            zip(group.vehicle_id.tolist(), rho_of(group, paths, stretch, 0.05), strict=True)
        )
        assert found == {van.pk: pytest.approx(steps * 0.02), bare.pk: 0.0}
        assert 0 < steps < 45


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


def test_levels_reach_the_end_of_the_forecast_however_long_ago_a_meter_was_read() -> None:
    van = scene.van()
    for days in (4, 100):
        scene.readings(van, scene.jittered(3, 11_000, 16), until=NOW - timedelta(days=days))
        chain.refresh([van.pk], NOW)
        (group,) = list(gather(van.depot_id, gather_rules()))
        calendar = Calendar.of(TODAY, [])
        km = Ways.of(group, calendar, 0.0, 1.0).km
        assert km.start_d[0] + km.knots_d[-1] >= calendar.edges_d[-1]
        van.readings.all().delete()


def test_fluids_are_counted_in_steps_and_pieces_one_by_one() -> None:
    oil, seal = shelf.item("oil"), shelf.item("seal", kind="seal", unit="pieces")
    clip = shelf.item("clip", kind="one-time fixing", unit="pieces")
    service = scene.service()
    for item, quantity in ((oil, 1_430), (seal, 3), (clip, 7)):
        taking(service, item, quantity, item.kind)
    rag = shelf.item("rag", unit="pieces", kind="seal")
    taking(service, rag, 5, "seal")
    Material.objects.filter(item=rag).update(only_when_recorded=True)
    found = gather_recipes()
    # by hand: to the nearest 50 mL
    assert found.taken == {service.pk: {oil.pk: 1_450, seal.pk: 3}}
    assert found.disturbed == {service.pk: {clip.pk: 7}}


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
