"""A vehicle that stands says so, on its page, in the reasons and by the API; old states follow."""

from datetime import UTC, datetime, timedelta
from importlib import import_module

import numpy as np
import pytest
from django.apps import apps
from django.db.models import F
from django.test import Client
from django.urls import reverse

from fleet import chain
from fleet.calc.usage import Events
from fleet.due.running import known_of, usage_words
from fleet.people.models import Role
from fleet.usage.measure import fan, lagging_meters, running_again_since, standing_since
from fleet.usage.models import SeasonIndex, UsageState
from fleet.vehicles.models import Meter, Vehicle
from tests import cast
from tests.due.loaded import bus_type, store, vehicles

pytestmark = pytest.mark.django_db

START_D = 20_454.0  # 2026-01-01
WEEKS, STOOD = 30, 6


def loaded() -> list[Meter]:
    """Two buses read weekly at noon; the first stands for the last six weeks."""
    meters = vehicles(2, bus_type(100.0), cast.depot("yard"))
    km = 1_000 + 700.0 * np.arange(WEEKS)
    stands = np.minimum(km, km[WEEKS - 1 - STOOD])
    at_d = START_D + 7.0 * np.arange(WEEKS)
    store(meters, Events.of([0, WEEKS, 2 * WEEKS], np.tile(at_d, 2), np.append(stands, km)))
    chain.refresh([meter.vehicle_id for meter in meters], now())
    return meters


def now() -> datetime:
    return datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=7 * WEEKS)


def test_standing_is_told_from_the_reading_it_began_with() -> None:
    stands, runs = loaded()
    since = standing_since(stands.pk)
    began_d = START_D + 7 * (WEEKS - 1 - STOOD)
    assert since is not None
    assert abs(since.timestamp() / 86_400 - began_d) < 1
    assert standing_since(runs.pk) is None
    assert standing_since(0) is None


def test_with_a_season_standing_is_still_told_by_the_calendar() -> None:
    stands, _ = loaded()
    before = standing_since(stands.pk)
    season = SeasonIndex.objects.create(
        type_pk=stands.vehicle.vehicle_type_id,
        depot_pk=stands.vehicle.depot_id,
        month_end_on="2026-06-30",
        in_force=True,
        factors=[0.9] * 6 + [1.1] * 6,
        vehicles=20,
    )
    chain.refresh([stands.vehicle_id], now())
    assert UsageState.objects.get(meter=stands).season_id == season.pk
    assert UsageState.objects.get(meter=stands).idle_d > 7 * STOOD
    assert standing_since(stands.pk) == before


def test_the_fan_of_a_standing_vehicle_stays_flat_at_first() -> None:
    stands, runs = loaded()
    until = (now() + timedelta(days=40)).date()
    flat, rising = fan(stands.pk, until), fan(runs.pk, until)
    assert flat is not None
    assert rising is not None
    assert flat.p10[-1] == flat.p10[0]
    assert flat.p50[20] == flat.p50[0]
    assert rising.p10[20] > rising.p10[0]
    assert flat.p90[20] > flat.p90[0]


def running(vehicle: Vehicle) -> str:
    return usage_words(vehicle, known_of(vehicle), now().date())


def test_the_reasons_of_a_date_say_that_the_vehicle_stands() -> None:
    stands, runs = loaded()
    since = standing_since(stands.pk)
    assert since is not None
    told = f"standing since {since.day} {since:%b %Y}; dates assume it may stand on."
    assert told in running(stands.vehicle)
    assert "standing" not in running(runs.vehicle)


@pytest.mark.parametrize(("driven_km", "runs_again"), [(240, True), (5, False)])
def test_a_vehicle_that_ran_on_after_it_stood_is_said_to_run_again(
    driven_km: float, runs_again: bool, client: Client
) -> None:
    """A reading three days on, which the filter takes up later. At 100 km a day 240 km are no
    standing; 5 km are."""
    stands, _ = loaded()
    UsageState.objects.filter(meter=stands).update(
        last_at_d=F("filtered_at_d") + 3, last_km=F("filtered_km") + driven_km
    )
    since, again = standing_since(stands.pk), running_again_since(stands.pk)
    assert since is not None
    assert (again is not None) == runs_again
    client.force_login(cast.person("Cleo", Role.CLERK, stands.vehicle.depot))
    page, told = page_of(client, stands), running(stands.vehicle)
    assert ("running again since 23 Jul 2026" in page) == runs_again  # the 30th weekly reading
    assert ("is running again since 23 Jul 2026." in told) == runs_again
    assert ("stand on" in page, "stand on" in told) == (not runs_again, not runs_again)
    (row,) = client.get("/api/v1/usage?vehicle=" + stands.vehicle.fleet_number).json()["rows"]
    assert (row["standing_since"] is None) == runs_again
    assert (row["running_again_since"] or "")[:10] == ("2026-07-23" if runs_again else "")


def page_of(client: Client, meter: Meter) -> str:
    answer = client.get(reverse("vehicle", args=[meter.vehicle.fleet_number]))
    assert answer.status_code == 200
    return answer.content.decode()


def test_the_page_of_a_standing_vehicle_says_so(client: Client) -> None:
    stands, runs = loaded()
    client.force_login(cast.person("Cleo", Role.CLERK, stands.vehicle.depot))
    page = page_of(client, stands)
    assert "standing since 1" in page  # 11 or 12 June, as the page writes days
    assert "dates assume it may stand on" in page
    assert "stand on" not in page_of(client, runs)


# --- states of before --------------------------------------------------------------------
def made_old() -> None:
    """States as an installation has them that knew nothing of standing."""
    UsageState.objects.update(idle_d=0.0, mu=0.5, u=-0.4, stamp=1)
    import_module("fleet.usage.migrations.0002_standing").mark_for_replay(apps, None)


def test_states_of_before_are_replayed_by_the_next_night() -> None:
    meters = loaded()
    columns = ("meter_id", "idle_d", "mu", "u", "p11", "sw", "version", "stamp")
    right = list(UsageState.objects.order_by("meter").values(*columns))
    made_old()
    assert list(lagging_meters()[0]) == [meter.pk for meter in meters]
    run = chain.nightly(now().date())
    assert run.counts["usage states"] == 2
    assert list(UsageState.objects.order_by("meter").values(*columns)) == right
    assert len(lagging_meters()[0]) == 0


def test_a_second_night_after_that_rewrites_nothing() -> None:
    loaded()
    made_old()
    chain.nightly(now().date())
    again = chain.nightly(now().date(), again=True)
    assert (again.counts["usage states"], again.counts["due dates"]) == (0, 0)
