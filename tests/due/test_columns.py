"""What is written of each due date, beside its days: rules that hold for every row."""

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from django.conf import settings
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import chain
from fleet.due import forecast
from fleet.due.models import BindingLimit, DueDate, Service
from fleet.readings.models import Reading
from fleet.usage.models import UsageState
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.kept import kept
from tests.scene import NOW

pytestmark = pytest.mark.django_db
TODAY = NOW.date()


@kept
def oil() -> Service:
    return scene.service(km=20_000, months=None)


@kept
def vans(oil: Service) -> list[Vehicle]:
    """Twelve vans, about 100 km a day, more or less steady, with 500 to 19,750 km left."""
    found = []
    for at in range(12):
        van = scene.van(f"V-{at}")
        km = scene.jittered(at, 10_000, 20)
        scene.readings(van, km)
        scene.done(van, oil, TODAY, km[-1] - 19_500 + at * 1_750)
        found.append(van)
    chain.refresh([van.pk for van in found], NOW)
    return found


def test_a_reading_is_asked_for_where_the_band_is_wider_than_sixty_days(
    vans: list[Vehicle],
) -> None:
    width_d = {row.pk: (row.p90 - row.p10).days for row in DueDate.objects.all()}  # type: ignore[operator]
    asked = {row.pk for row in DueDate.objects.filter(take_a_reading_first=True)}
    assert asked == {pk for pk, days in width_d.items() if days > 60}
    assert any(40 < days <= 60 for days in width_d.values())  # both sides are there
    assert any(60 < days < 90 for days in width_d.values())


def test_what_is_left_is_the_limit_less_the_last_reading(vans: list[Vehicle]) -> None:
    for at, row in enumerate(DueDate.objects.order_by("vehicle__pk")):
        assert row.remaining_km == pytest.approx(500 + at * 1_750)
        assert row.meter_life == pytest.approx(1 - (500 + at * 1_750) / 20_000)
        assert (row.calendar_life, row.calendar_life_on, row.calendar_life_per_d) == (None,) * 3
        assert (row.sort_on, row.binding_limit) == (row.p50, BindingLimit.KM)
        assert row.km_p10 <= row.km_p50 <= row.km_p90
        assert (row.provisional, row.beyond_by_reading) == (False, False)


def test_bring_in_by_is_the_last_working_day_up_to_the_earliest_likely_one(
    vans: list[Vehicle],
) -> None:
    # the depot works from Monday to Friday
    for row in DueDate.objects.all():
        assert row.p10 is not None
        weekend_d = max(row.p10.weekday() - 4, 0)
        assert row.bring_in_by_on == row.p10 - timedelta(days=weekend_d)


def test_depots_bring_in_by_their_own_week(oil: Service) -> None:
    months = scene.service("engine", km=None, months=6)
    always = scene.depot("always")
    always.working_days = "1111111"
    always.save()
    for number, at in (("V-1", None), ("V-2", always)):
        van = scene.van(number, at=at)
        scene.done(van, months, date(2026, 2, 15), 10_000)  # due Saturday 15 August 2026
        chain.refresh([van.pk], NOW)
    found = DueDate.objects.filter(service=months).order_by("vehicle__fleet_number")
    assert [row.bring_in_by_on for row in found] == [date(2026, 8, 14), date(2026, 8, 15)]
    unknown = DueDate.objects.filter(service=oil).first()
    assert unknown is not None
    assert (unknown.bring_in_by_on, unknown.p10, unknown.take_a_reading_first) == (
        *(None, None, False),
    )
    assert (unknown.binding_limit, unknown.binding_probability) == ("none", None)


def test_what_rests_on_a_guess_or_on_what_is_not_settled_is_provisional(
    vans: list[Vehicle], oil: Service
) -> None:
    UsageState.objects.filter(vehicle=vans[0]).update(provisional=True)
    vans[1].services_done.update(provisional=True)
    chain.refresh([van.pk for van in vans[1:3]], NOW)
    everyone = np.array([van.pk for van in vans])
    forecast.forecast(everyone, TODAY, only_changed=False)
    found = DueDate.objects.filter(provisional=True).values_list("vehicle", flat=True)
    assert {*found} == {vans[0].pk, vans[1].pk}


def test_only_what_changed_is_written_and_everything_where_that_is_asked(
    vans: list[Vehicle], monkeypatch: pytest.MonkeyPatch
) -> None:
    everyone = np.array([van.pk for van in vans])
    monkeypatch.setattr(forecast, "VEHICLES_AT_ONCE", 5)  # three chunks: 5, 5 and 2
    assert forecast.forecast(everyone, TODAY) == 0
    DueDate.objects.filter(vehicle=vans[0]).update(inputs_hash=1)
    DueDate.objects.filter(vehicle=vans[11]).delete()
    assert forecast.forecast(everyone, TODAY) == 2
    assert DueDate.objects.count() == 12
    DueDate.objects.update(p50=None)
    assert forecast.forecast(everyone, TODAY) == 0
    forecast.forecast(everyone, TODAY, only_changed=False)
    assert not DueDate.objects.filter(p50=None).exists()


def test_a_row_that_is_gone_before_it_is_written_comes_again(
    vans: list[Vehicle], monkeypatch: pytest.MonkeyPatch
) -> None:
    here = np.array([van.pk for van in vans[:3]])
    DueDate.objects.filter(vehicle__in=here).update(inputs_hash=1, p50=None)
    compute = forecast.compute

    def meanwhile(*given: Any) -> Any:
        DueDate.objects.filter(vehicle=vans[1]).delete()
        return compute(*given)

    monkeypatch.setattr(forecast, "compute", meanwhile)
    assert forecast.forecast(here, TODAY) == 3
    assert DueDate.objects.filter(vehicle__in=here, p50__isnull=False).count() == 3


@pytest.mark.skipif(settings.SERVED, reason="PostgreSQL writes them by their key")
def test_rows_that_were_there_are_written_by_their_ids(vans: list[Vehicle]) -> None:
    DueDate.objects.update(inputs_hash=1)
    with CaptureQueriesContext(connection) as asked:
        assert forecast.forecast(np.array([van.pk for van in vans]), TODAY) == 12
    said = [query["sql"] for query in asked.captured_queries]
    assert not any('INSERT INTO "due_duedate"' in sql for sql in said)


OTHERWISE = {
    "history_known": False,
    "calendar_on": date(2026, 1, 1),
    "beyond_by_reading": True,
    "anchor_id": None,
    "limit_id": None,
}


@pytest.mark.parametrize("name", [*OTHERWISE, "depot_id"])
def test_what_is_hardly_ever_another_is_written_where_it_is(vans: list[Vehicle], name: str) -> None:
    kept = {row.pk: row for row in DueDate.objects.all()}
    other = OTHERWISE[name] if name in OTHERWISE else scene.depot("elsewhere").pk
    DueDate.objects.update(inputs_hash=1)
    DueDate.objects.filter(vehicle__in=vans[:3]).update(**{name: other})
    with CaptureQueriesContext(connection) as asked:
        assert forecast.forecast(np.array([van.pk for van in vans]), TODAY) == 12
    for row in DueDate.objects.all():
        assert vars(row) | {"_state": 0} == vars(kept[row.pk]) | {"_state": 0}
    said = [query["sql"] for query in asked.captured_queries]
    wrote = [sql for sql in said if 'UPDATE "due_duedate"' in sql]
    if not settings.SERVED:
        assert not any('INSERT INTO "due_duedate"' in sql for sql in said)
        column = name.join('""')
        assert [f"{column} = " in sql.partition(" WHERE ")[0] for sql in wrote] == [False, True]


@pytest.mark.parametrize("name", [*OTHERWISE, "depot_id"])
def test_a_row_that_another_changes_before_it_is_written_is_written_whole(
    vans: list[Vehicle], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    other = OTHERWISE[name] if name in OTHERWISE else scene.depot("elsewhere").pk
    here = np.array([van.pk for van in vans[:3]])
    kept = getattr(DueDate.objects.get(vehicle=vans[1]), name)
    DueDate.objects.filter(vehicle__in=here).update(inputs_hash=1)
    compute = forecast.compute

    def meanwhile(*given: Any) -> Any:
        DueDate.objects.filter(vehicle=vans[1]).update(**{name: other})
        return compute(*given)

    monkeypatch.setattr(forecast, "compute", meanwhile)
    assert forecast.forecast(here, TODAY) == 3
    assert getattr(DueDate.objects.get(vehicle=vans[1]), name) == kept != other


def test_new_rows_are_written_beside_those_that_were_there(vans: list[Vehicle]) -> None:
    kept = DueDate.objects.get(vehicle=vans[0])
    DueDate.objects.filter(pk=kept.pk).update(inputs_hash=1, p50=None)
    DueDate.objects.filter(vehicle=vans[1]).delete()
    assert forecast.forecast(np.array([vans[0].pk, vans[1].pk]), TODAY) == 2
    assert DueDate.objects.get(vehicle=vans[0]) == kept
    assert DueDate.objects.filter(vehicle__in=vans[:2], p50__isnull=False).count() == 2


def test_a_service_that_is_no_more_takes_its_due_dates_with_it_and_no_others(
    vans: list[Vehicle], oil: Service
) -> None:
    called = Service.objects.create(
        vehicle_type=oil.vehicle_type, compartment=oil.compartment, slug="seep", name="Seep",
        kind="check", source=scene.INVENTED,
    )  # fmt: skip
    old = DueDate.objects.get(vehicle=vans[3])
    old.pk, old.service = None, called  # nobody calls for it
    old.save()
    everyone = np.array([van.pk for van in vans])
    assert forecast.forecast(everyone, TODAY) == 1
    assert not DueDate.objects.filter(service=called).exists()
    assert DueDate.objects.count() == 12


# by hand: 22 weekly readings from 19 January 2026 on, at 9 o'clock, 200 km apart from 9,000 km on;
# that day ends 15 hours or 17.9 km later, and what was reached in it counts as reached before
@pytest.mark.parametrize(
    ("limit_km", "known"),
    [(8_000, False), (9_000, False), (9_017, False), (9_019, True), (14_000, True)],
)
def test_a_limit_that_the_first_reading_had_reached_was_passed_unwatched(
    limit_km: float, known: bool
) -> None:
    limited = scene.service("engine", km=limit_km, months=None)
    van = scene.van("V-1", joined_as="new", in_service_on=date(2025, 1, 15), in_service_km=0)
    scene.readings(van, scene.steady(9_000, 200, 22))
    chain.refresh([van.pk], NOW)
    row = DueDate.objects.get(vehicle=van, service=limited)
    assert row.history_known is known
    scene.done(van, limited, date(2025, 1, 15), 0)  # recorded, it is known in any case
    chain.refresh([van.pk], NOW)
    assert DueDate.objects.get(vehicle=van, service=limited).history_known


def test_a_new_vehicle_that_nobody_read_is_watched_by_the_calendar_alone(oil: Service) -> None:
    months = scene.service("engine", km=None, months=6)
    van = scene.van("V-1", joined_as="new", in_service_on=date(2025, 1, 15), in_service_km=0)
    chain.refresh([van.pk], NOW)
    row = DueDate.objects.get(service=months)
    assert (row.history_known, row.calendar_on) == (True, date(2025, 7, 15))


def test_of_distance_and_hours_the_one_used_most_is_the_life_of_the_meters() -> None:
    both = scene.service("engine", km=90_000, months=None, limit_h=300, tolerance_h=10)
    van = scene.van()
    done = scene.done(van, both, date(2026, 2, 2), 10_000)
    type(done).objects.update(total_h=100)
    hours = van.meters.create(kind="hours", unit="h")
    for reading, value in zip(
        scene.readings(van, scene.steady(1, 1, 20)), scene.steady(100, 14, 20), strict=True
    ):
        Reading.objects.filter(pk=reading.pk).update(
            meter=hours, value=value, meter_value=value, unit="h"
        )
    scene.readings(van, scene.steady(10_000, 350, 20))
    chain.refresh([van.pk], NOW)
    row = DueDate.objects.get()
    # 266 of 300 h; 6,650 of 90,000 km
    assert row.meter_life == pytest.approx(266 / 300)
    assert (row.remaining_km, row.remaining_h) == (pytest.approx(83_350), pytest.approx(34))
    assert row.hours_p10 <= row.hours_p50 <= row.hours_p90
    assert row.hours_p50 == row.p50
    assert row.km_p50 > row.hours_p90
