from datetime import UTC, date, datetime

import numpy as np
import pytest
from django.conf import settings
from django.db import transaction

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.usage.models import ClassRate, KmAt
from fleet.vehicles.models import Closure
from tests import scene

pytestmark = pytest.mark.django_db


def totals(meter_id: int, *values: float) -> dict[str, Array]:
    count = len(values)
    return {
        "meter_id": np.full(count, meter_id),
        "on": np.datetime64("2026-01-01", "D") + np.arange(count),
        "total": np.array(values),
    }


def test_upsert_inserts_and_counts_what_it_wrote() -> None:
    meter = scene.van().meters.get()
    assert bulk.upsert(KmAt, totals(meter.pk, 1, 2, 3), key=["meter_id", "on"]) == 3
    assert list(KmAt.objects.order_by("on").values_list("total", flat=True)) == [1, 2, 3]


def test_upsert_writes_only_rows_that_differ() -> None:
    meter = scene.van().meters.get()
    bulk.upsert(KmAt, totals(meter.pk, 1, 2, 3), key=["meter_id", "on"])
    assert bulk.upsert(KmAt, totals(meter.pk, 1, 2, 3), key=["meter_id", "on"]) == 0
    assert bulk.upsert(KmAt, totals(meter.pk, 1, 5, 3), key=["meter_id", "on"]) == 1
    assert KmAt.objects.get(on=date(2026, 1, 2)).total == 5


def test_upsert_can_leave_existing_rows_alone() -> None:
    meter = scene.van().meters.get()
    bulk.upsert(KmAt, totals(meter.pk, 1), key=["meter_id", "on"])
    assert bulk.upsert(KmAt, totals(meter.pk, 9), key=["meter_id", "on"], update=[]) == 0
    assert KmAt.objects.get().total == 1


def test_update_brings_only_differing_rows_up_to_date() -> None:
    meter = scene.van().meters.get()
    bulk.upsert(KmAt, totals(meter.pk, 1, 2), key=["meter_id", "on"])
    ids = np.array(KmAt.objects.order_by("on").values_list("pk", flat=True))
    assert bulk.update(KmAt, {"id": ids, "total": np.array([1.0, 7.0])}) == 1
    assert KmAt.objects.get(on=date(2026, 1, 2)).total == 7


def test_empty_values_go_in_as_null_and_come_back_as_nan() -> None:
    vehicle = scene.van()
    bulk.update(type(vehicle), {"id": np.array([vehicle.pk]), "in_service_km": np.array([np.nan])})
    found = bulk.read("SELECT in_service_km FROM vehicles_vehicle", [], {"km": "f8"})
    assert np.isnan(found["km"]).tolist() == [True]


def test_a_date_without_value_goes_in_as_null() -> None:
    vehicle = scene.van(in_service_on=date(2025, 2, 3))
    never = np.array(["NaT"], dtype="M8[D]")
    bulk.update(type(vehicle), {"id": np.array([vehicle.pk]), "in_service_on": never})
    vehicle.refresh_from_db()
    assert vehicle.in_service_on is None


def test_instants_are_read_as_days_since_1970_in_utc() -> None:
    # 2026-06-15 09:00 UTC is day 20,619 (date(2026, 6, 15) - date(1970, 1, 1)) and 9/24
    scene.readings(scene.van(), [1000])
    found = bulk.read(
        f"SELECT {bulk.instant_d('taken_at')} FROM readings_reading", [], {"at": "f8"}
    )
    assert found["at"][0] == pytest.approx(20_619 + 9 / 24, abs=1e-9)


def test_dates_are_read_as_whole_days_since_1970() -> None:
    Closure.objects.create(depot=scene.depot(), on=date(2000, 1, 1))
    Closure.objects.create(depot=scene.depot(), on=date(1970, 1, 2))
    day = bulk.day_number('"on"')
    sql = f"SELECT {day} FROM vehicles_closure ORDER BY 1"
    # 30 years of 365 days and 7 leap days to 2000-01-01
    assert bulk.read(sql, [], {"day": "i8"})["day"].tolist() == [1, 10_957]


def test_among_keeps_rows_of_many_ids() -> None:
    vans = [scene.van(f"V-{at}") for at in range(5)]
    ids = np.array([vans[1].pk, vans[3].pk])
    where, params = bulk.among("id", ids)
    sql = f"SELECT id FROM vehicles_vehicle WHERE {where} ORDER BY id"
    assert bulk.read(sql, params, {"id": "i8"})["id"].tolist() == ids.tolist()


def test_pairs_join_a_figure_to_each_id() -> None:
    vans = [scene.van(f"V-{at}", in_service_km=100 * at) for at in range(3)]
    table, params = bulk.pairs(np.array([van.pk for van in vans]), np.array([-1.0, 150, 150]))
    alias = "w(id, figure)" if bulk.on_postgres() else "w"
    sql = f"SELECT v.id FROM {table} AS {alias} JOIN vehicles_vehicle v ON v.id = w.id"
    found = bulk.read(f"{sql} AND v.in_service_km >= w.figure ORDER BY v.id", params, {"id": "i8"})
    assert found["id"].tolist() == [vans[0].pk, vans[2].pk]


def test_postgres_compiles_no_statement_unless_an_address_asks_for_it() -> None:
    if not bulk.on_postgres():
        pytest.skip("no setting of SQLite")
    assert bulk.read("SHOW jit", [], {"jit": "O"})["jit"].tolist() == ["off"]
    assert settings.DATABASES["default"]["OPTIONS"]["options"].startswith("-c jit=off ")


def test_postgres_counts_rows_by_their_ids_as_in_memory_unless_an_address_says_otherwise() -> None:
    if not bulk.on_postgres():
        pytest.skip("no setting of SQLite")
    found = bulk.read("SHOW random_page_cost", [], {"cost": "f8"})["cost"]
    assert found.tolist() == [1.1]
    told = settings.DATABASES["default"]["OPTIONS"]["options"]
    assert told.startswith("-c jit=off -c random_page_cost=1.1 ")


def test_a_row_that_has_another_value_in_what_is_held_is_left_alone() -> None:
    vans = [scene.van(f"V-{at}", in_service_km=at, note="") for at in range(3)]
    vans.append(scene.van("V-3", in_service_km=None, note=""))
    columns = {
        "id": np.array([van.pk for van in vans]),
        "note": np.array(["seen"] * 4, dtype=object),
        "in_service_km": np.array([0, 7, 2, np.nan]),
    }
    assert bulk.update(type(vans[0]), columns, held=["in_service_km"]) == 3
    rows = type(vans[0]).objects.order_by("pk").values_list("note", "in_service_km")
    assert list(rows) == [("seen", 0), ("", 1), ("seen", 2), ("seen", None)]


def test_instants_are_written_as_the_models_read_them() -> None:
    reading = scene.readings(scene.van(), [1000])[0]
    moment = np.array(["2026-03-01T12:30:15"], dtype="M8[s]")
    bulk.update(type(reading), {"id": np.array([reading.pk]), "taken_at": moment})
    reading.refresh_from_db()
    assert reading.taken_at == datetime(2026, 3, 1, 12, 30, 15, tzinfo=UTC)


def test_an_unknown_column_is_refused_by_name() -> None:
    with pytest.raises(LookupError, match="colour"):
        bulk.insert(ClassRate, {"colour": np.array([1])})


def test_new_ids_are_nobody_elses() -> None:
    before = Closure.objects.create(depot=scene.depot(), on=date(2026, 1, 1))
    with transaction.atomic():
        ids = bulk.new_ids(Closure, 2)
        on = np.array(["2026-01-02", "2026-01-03"], dtype="M8[D]")
        closed = bulk.like(Closure(depot_id=before.depot_id, open=True), {"on": on})
        bulk.insert(Closure, {**closed, "id": ids})
    after = Closure.objects.create(depot=before.depot, on=date(2026, 1, 4))
    assert before.pk < ids[0] < ids[1] < after.pk
    told = Closure.objects.filter(pk__in=ids.tolist()).order_by("on").values_list("on", "open")
    assert list(told) == [(date(2026, 1, at), True) for at in (2, 3)]


def test_rows_that_any_constraint_forbids_are_left_out() -> None:
    meter = scene.van().meters.get()
    bulk.upsert(KmAt, totals(meter.pk, 1), key=["meter_id", "on"])
    assert bulk.upsert(KmAt, totals(meter.pk, 9, 2), key=[]) == 1
    assert list(KmAt.objects.order_by("on").values_list("total", flat=True)) == [1, 2]


def test_a_table_has_a_row_or_none_under_a_condition() -> None:
    assert not bulk.has(KmAt)
    bulk.upsert(KmAt, totals(scene.van().meters.get().pk, 4), key=["meter_id", "on"])
    assert bulk.has(KmAt)
    assert bulk.has(KmAt, "total > %s", [3.9])
    assert not bulk.has(KmAt, "total > %s", [4.0])
