from datetime import date, datetime

import pytest

from fleet.due.models import Fill, Limit, ServiceDone
from fleet.readings.models import UsageSheet
from fleet.stores.models import GradeLimit, Product
from fleet.vehicles.models import Compartment, Depot, Meter, MeterChange, Vehicle, VehicleType
from fleet.workbook.sheets import SHEETS
from tests.workbook.small import (
    NOW,
    Sheets,
    faults_of,
    grids,
    load_cells,
    load_small,
    small_workbook,
    vehicle,
    without,
)

pytestmark = pytest.mark.django_db
MORE = {"Limits": 2, "Tools": 4}  # rows of the small book; else one to a sheet


def test_every_sheet_of_a_book_arrives() -> None:
    loaded = load_small(small_workbook())
    added = {name: count.added for name, count in loaded.counts.items()}
    assert added == {sheet.name: MORE.get(sheet.name, 1) for sheet in SHEETS}
    limit = Limit.objects.get(duty_class="severe")
    assert (limit.limit_km, limit.limit_months, limit.product) == (60_000, 36, None)
    assert limit.service.compartment.slug == "gearbox"
    assert Fill.objects.get().quantity_ml == 1500
    assert UsageSheet.objects.get().month_on == date(2026, 1, 1)


def test_the_same_book_twice_changes_nothing() -> None:
    load_small(small_workbook())
    before = [sheet.model._default_manager.count() for sheet in SHEETS]
    loaded = load_small(small_workbook())
    assert loaded.changes == 0
    assert sum(count.unchanged for count in loaded.counts.values()) == len(SHEETS) + 3
    # a row of each sheet, one limit and three tools more, and no stay
    assert [sheet.model._default_manager.count() for sheet in SHEETS] == before


def test_an_optional_column_left_out_leaves_what_the_fleet_has() -> None:
    sheets = small_workbook()
    sheets["Compartments"][0]["Dry fill [L]"] = 1.7
    sheets["Vehicles"][0] |= {"Note": "has a tow bar", "Previous fleet numbers": "OLD-1"}
    load_small(sheets)
    sheets["Vehicles"].append(vehicle("V-2"))
    cells = grids(sheets)
    without(cells, "Compartments", "Dry fill [L]")
    without(cells, "Vehicles", "Note")
    without(cells, "Vehicles", "Previous fleet numbers")
    loaded = load_cells(cells, now=NOW)
    assert {name for name, count in loaded.counts.items() if count.added + count.changed} == {
        "Vehicles",
        "Depot stays",
    }
    assert list(Vehicle.objects.values_list("note", flat=True)) == ["has a tow bar", ""]
    assert Compartment.objects.get().dry_fill_l == 1.7


def test_a_new_vehicle_gets_a_meter_and_its_first_stay() -> None:
    load_small(small_workbook())
    van = Vehicle.objects.get()
    assert [(meter.kind, meter.unit) for meter in van.meters.all()] == [("km", "km")]
    assert [(stay.depot.slug, stay.from_on) for stay in van.stays.all()] == [
        ("plain", date(2023, 1, 9))
    ]


def test_a_type_that_counts_hours_gives_its_vehicles_an_hour_meter() -> None:
    sheets = small_workbook()
    sheets["Vehicle types"][0]["Expected engine hours [h/day]"] = "2,5"
    sheets["Vehicles"][0]["Odometer shows"] = "mi"
    load_small(sheets)
    assert set(Meter.objects.values_list("kind", "unit")) == {("km", "mi"), ("hours", "h")}
    assert VehicleType.objects.get().expected_h_per_day == 2.5


def test_each_change_leaves_one_history_row() -> None:
    load_small(small_workbook())
    sheets = small_workbook()
    sheets["Vehicles"][0]["Note"] = "has a tow bar"
    loaded = load_small(sheets)
    assert loaded.counts["Vehicles"].changed == loaded.changes == 1
    rows = Vehicle.history.order_by("history_id").values_list("history_type", "note", "depot_id")
    depot_id = Depot.objects.get().id
    assert list(rows) == [("+", "", depot_id), ("~", "has a tow bar", depot_id)]
    assert set(Vehicle.history.values_list("id", "history_date")) == {
        (Vehicle.objects.get().id, NOW)
    }


def test_rows_that_the_book_lacks_are_listed_and_kept() -> None:
    sheets = small_workbook()
    sheets["Vehicles"].append(vehicle("V-2"))
    load_small(sheets)
    loaded = load_small(small_workbook())
    assert loaded.counts["Vehicles"].lacking == ("V-2",)
    assert Vehicle.objects.count() == 2


def test_a_sheet_that_the_book_lacks_is_left_alone() -> None:
    load_small(small_workbook())
    loaded = load_small({"Closures": small_workbook()["Closures"]})
    assert list(loaded.counts) == ["Closures"]
    assert loaded.changes == 0


def test_other_km_for_a_known_service_supersede_the_row() -> None:
    load_small(small_workbook())
    sheets = small_workbook()
    sheets["Service history"][0]["Total distance"] = "32 500"
    assert load_small(sheets).counts["Service history"].changed == 1
    old, new = ServiceDone.objects.order_by("id")
    assert (old.total_km, new.total_km, new.supersedes) == (31_000, 32_500, old)
    assert load_small(sheets).changes == 0


def test_a_service_taken_back_is_no_longer_in_the_book() -> None:
    load_small(small_workbook())
    row = ServiceDone.objects.get()
    ServiceDone.objects.create(
        vehicle=row.vehicle,
        service=row.service,
        done_on=row.done_on,
        evidence=row.evidence,
        source="never done",
        void=True,
        supersedes=row,
    )
    loaded = load_small({"Service history": []})
    assert loaded.counts == {}  # no row here or there


def test_a_corrected_fill_is_a_newer_row() -> None:
    load_small(small_workbook())
    sheets = small_workbook()
    sheets["Fills"][0]["Flushed"] = "yes"
    load_small(sheets)
    assert list(Fill.objects.order_by("id").values_list("flushed", flat=True)) == [False, True]
    assert load_small(sheets).changes == 0


def test_nothing_is_loaded_when_one_cell_is_wrong() -> None:
    sheets = small_workbook()
    sheets["Usage sheets"][0]["Trips"] = "many"
    assert len(faults_of(sheets)) == 1
    assert not any(sheet.model._default_manager.exists() for sheet in SHEETS)


def test_miles_are_kept_as_km() -> None:
    sheets = small_workbook()
    sheets["Service history"][0] |= {"Total distance": 10_000, "Unit": "mi"}
    load_small(sheets)
    # 1 mile = 1.609344 km exactly (NIST SP 811, B.8)
    assert ServiceDone.objects.get().total_km == pytest.approx(16_093.44, abs=1e-6)
    assert load_small(sheets).changes == 0


def test_a_meter_change_counts_by_the_clock_of_the_depot() -> None:
    load_small(small_workbook())
    # 12:00 in Madrid in summer is 10:00 UTC (time zone database)
    assert MeterChange.objects.get().from_at.isoformat() == "2025-06-01T10:00:00+00:00"


def test_a_first_stay_that_came_of_the_vehicle_is_not_lacking() -> None:
    sheets = _two_depots()
    sheets["Vehicles"].append(vehicle("v-2", Depot="hill"))
    sheets["Depot stays"] = [{"Fleet number": "v-2", "From": date(2025, 1, 9), "Depot": "hill"}]
    load_small(sheets)
    assert load_small(sheets).counts["Depot stays"].lacking == ()
    alone = load_small({"Depot stays": []})
    assert len(alone.counts["Depot stays"].lacking) == 2


def test_an_unknown_depot_is_one_fault_at_the_vehicle() -> None:
    sheets = small_workbook()
    sheets["Vehicles"][0]["Depot"] = "coast"
    (fault,) = faults_of(sheets)
    assert fault.startswith("Vehicles, row 2, column 'Depot': 'coast' is not in sheet Depots")


def test_a_move_is_a_row_in_depot_stays() -> None:
    sheets = _two_depots()
    load_small(sheets)
    moved = {"Depot stays": [{"Fleet number": "v-1", "From": date(2026, 2, 1), "Depot": "Hill"}]}
    loaded = load_small(moved)
    assert loaded.counts["Depot stays"].added == 1
    assert Vehicle.objects.get().depot.slug == "hill"


def test_another_depot_without_a_move_is_refused_with_the_remedy() -> None:
    load_small(_two_depots())
    sheets = _two_depots()
    sheets["Vehicles"][0]["Depot"] = "hill"
    (fault,) = faults_of(sheets)
    assert fault.startswith("Vehicles, row 2, column 'Depot': 'hill' is not where")
    assert "add the move to sheet Depot stays" in fault


def _two_depots() -> Sheets:
    sheets = small_workbook()
    sheets["Depots"].append(sheets["Depots"][0] | {"Depot": "hill", "Name": "Hill"})
    return sheets


def test_dates_may_be_text_or_serial_numbers() -> None:
    sheets = small_workbook()
    sheets["Closures"] = [
        {"Depot": "plain", "Closed on": given}
        for given in (datetime(2026, 5, 1), "2026-05-02", "3.5.2026", "13/05/2026", 46157.0)  # noqa: DTZ001
    ]
    load_small(sheets)
    found = [str(closure.on) for closure in Depot.objects.get().closures.all()]
    # 46157: days since 1899-12-30, by hand: 45658 is 2025-01-01, and 499 days on 2026-05-15
    assert found == ["2026-05-01", "2026-05-02", "2026-05-03", "2026-05-13", "2026-05-15"]


def test_blank_rows_and_columns_do_no_harm() -> None:
    cells = grids(small_workbook())
    cells["Depots"] = [[], ["", *cells["Depots"][0]], [""] * 8, ["", *cells["Depots"][1]]]
    assert faults_of(cells) == []
    assert Depot.objects.count() == 1


def test_a_data_sheet_that_does_not_fit_its_grade_is_loaded_with_a_warning() -> None:
    GradeLimit.objects.get_or_create(  # SAE J306, February 2019, secondary copy
        **{"table": "SAE J306", "edition": "2019-02", "grade": "90", "property": "kv100"},
        defaults={"least": 13.5, "most": 18.5, "unit": "mm²/s", "at_c": 100, "source": "test"},
    )
    sheets = small_workbook()
    sheets["Products"][0] |= {"Grade": "90", "Viscosity at 100 °C [mm²/s]": 12.9}
    loaded = load_small(sheets)
    (warning,) = [str(one) for one in loaded.warnings if one.sheet == "Products"]
    assert "Viscosity at 100 °C" in warning
    assert "from 13.5 below 18.5 mm²/s" in warning
    assert Product.objects.get().kv100_mm2_s == 12.9
