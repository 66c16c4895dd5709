"""What was said anew of a vehicle's use has its duty class decided again."""

from datetime import date

import pytest

from fleet.duty.models import DutyAssessment
from fleet.vehicles.models import Vehicle
from fleet.workbook.use import decide_again
from tests.workbook.small import NOW, Sheets, load_small, small_workbook

pytestmark = pytest.mark.django_db


def test_a_new_vehicle_is_left_to_the_night() -> None:
    assert load_small(small_workbook()).use_changed == {}


@pytest.mark.parametrize(
    ("sheet", "change", "since"),
    [
        ("Usage sheets", {"Trips": 41}, date(2026, 2, 1)),  # January rules from February on
        ("Vehicles", {"Declared use": "hot"}, date(2026, 3, 1)),
        ("Vehicles", {"Note": "clean"}, None),
    ],
)
def test_changed_use_counts_from_its_month(
    sheet: str, change: dict[str, object], since: date | None
) -> None:
    load_small(small_workbook())
    sheets = small_workbook()
    sheets[sheet][0] |= change
    expected = {Vehicle.objects.get().id: since} if since else {}
    assert load_small(sheets).use_changed == expected


def test_a_changed_sheet_changes_the_class_from_the_next_month() -> None:
    load_small(_loaded_van(share=0.0))
    van = Vehicle.objects.get()
    decide_again({van.id: date(2026, 2, 1)}, NOW)
    assert set(van.duty.values_list("duty_class", flat=True)) == {"normal"}
    loaded = load_small(_loaded_van(share=0.9))
    decide_again(loaded.use_changed, NOW)
    newest = DutyAssessment.objects.filter(compartment__slug="gearbox").latest("from_on")

    assert newest.duty_class == "severe"


def _loaded_van(share: float) -> Sheets:
    """A criterion by the share of engine hours under load, and a sheet for each month of a year."""
    sheets = small_workbook()
    sheets["Duty criteria"][0] |= {
        "Monthly conditions": "loaded_share >= 0.3",
        "Weight": "engine_h",
    }
    row = sheets["Usage sheets"][0] | {"Engine hours [h]": 50, "Loaded share": share}
    months = [(2025, month) for month in range(3, 13)] + [(2026, 1), (2026, 2)]
    sheets["Usage sheets"] = [row | {"Month": f"{year}-{month:02}"} for year, month in months]
    return sheets
