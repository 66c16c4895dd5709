"""Workshop data by workbook: every sheet lands in its rows, and what cannot be is named."""

from datetime import date

import pytest

from fleet.vehicles.closures import closed_days
from fleet.vehicles.models import Depot, VehicleType
from fleet.visits import models as visits
from tests.workbook.small import NOW, Sheets, faults_of, load_small, small_workbook

pytestmark = pytest.mark.django_db


def changed(sheet: str, **cells: object) -> Sheets:
    book = small_workbook()
    book[sheet][0] |= cells
    return book


def test_every_sheet_of_a_workshop_lands_in_its_rows() -> None:
    load_small(small_workbook())
    shop = visits.Workshop.objects.get()
    # 62.50 typed; the rest is what a new workshop has
    assert (shop.opening_min, shop.visit_minor, shop.kept_share) == (510, 6_250, 0.3)
    assert (shop.late_change_minor, shop.vehicles_a_day) == (4_000, None)
    bay = visits.Bay.objects.get()
    assert (bay.name, bay.rated_kg, bay.height_m, bay.length_m) == ("Lift 1", 5_500, 3.4, None)
    ada = visits.Mechanic.objects.get()
    assert (ada.minutes, ada.works_on, ada.skills) == (480, "1100000", ["gas", "lift"])
    of_ada = visits.Absence.objects.get(mechanic=ada)
    assert (of_ada.from_on, of_ada.until_on) == (date(2026, 8, 3), date(2026, 8, 7))
    assert visits.Absence.objects.get(vehicle__fleet_number="V-1").reason == "hired out"
    assert visits.BlockedDays.objects.get().reason == "harvest"
    assert visits.SparedType.objects.get().vehicles_a_day == 2
    need = visits.ServiceNeed.objects.get()
    assert (need.service.slug, need.skills, need.second_min) == ("gearbox-oil", ["lift"], 15)
    work = visits.OtherWork.objects.get()
    assert (str(work), work.minutes, work.latest_on, work.skills, work.entered_at) == (
        "Belt tensioner (R-77)", 90, date(2026, 8, 31), ["gas"], NOW,
    )  # fmt: skip
    assert work.history.count() == 1


def test_loading_it_twice_changes_nothing_and_a_change_is_one() -> None:
    load_small(small_workbook())
    assert load_small(small_workbook()).changes == 0
    assert load_small(changed("Other work", Minutes=45)).changes == 1
    assert visits.OtherWork.objects.get().minutes == 45


@pytest.mark.parametrize(
    ("sheet", "cells", "said"),
    [
        ("Mechanics away", {"Until": date(2026, 8, 2)}, "before its first day"),
        ("Mechanics away", {"Mechanic": "Nobody"}, "has no mechanic 'nobody'"),
        ("Blocked days", {"Until": date(2026, 9, 6)}, "before its first day"),
        ("Vehicles away", {"Fleet number": "V-9"}, "is not in sheet Vehicles"),
        ("Other work", {"Number": ""}, "a recall has a number"),
        ("Other work", {"Fixed day": date(2026, 7, 31)}, "a fixed day already"),
        ("Other work", {"Kind": "finding"}, "finding"),
        ("Bays", {"Length [m]": 0.1}, "at least 0.5"),
        ("Depots", {"Public holidays of": "XX"}, "no country"),
        ("Depots", {"Public holidays of": "PT-ZZ"}, "no region of PT"),
    ],
)
def test_what_cannot_be_is_named(sheet: str, cells: dict[str, object], said: str) -> None:
    (fault,) = faults_of(changed(sheet, **cells))
    assert fault.startswith(f"{sheet}, row 2")
    assert said in fault


def fixed(on: date, **cells: object) -> Sheets:
    """The other work of the book, fixed to a day."""
    return changed("Other work", **{"Latest day": None, "Fixed day": on, **cells})


@pytest.mark.parametrize(
    ("on", "said"),
    [
        # by the book's own rows: closed, blocked, away; and a Saturday
        (date(2026, 5, 1), "Plain is closed on 1 May 2026 (holiday)"),
        (date(2026, 9, 8), "Plain takes no visits on 8 Sep 2026 (harvest)"),
        (date(2026, 7, 2), "V-1 is away on 2 Jul 2026 (hired out)"),
        (date(2026, 7, 18), "Plain is closed on 18 Jul 2026, as on every Saturday"),
    ],
)
def test_a_fixed_day_on_which_it_cannot_come_is_named(on: date, said: str) -> None:
    (fault,) = faults_of(fixed(on))
    assert fault.startswith("Other work, row 2, column 'Fixed day'")
    assert said in fault
    load_small(fixed(on, **{"Why the day stands": "the inspector comes"}))
    assert visits.OtherWork.objects.get().why_it_stands == "the inspector comes"


def test_a_day_that_was_closed_since_does_not_keep_the_book_out() -> None:
    load_small(fixed(date(2026, 7, 10)))
    book = fixed(date(2026, 7, 10), **{"Why the day stands": None})
    book["Closures"].append({"Depot": "plain", "Closed on": date(2026, 7, 10)})
    loaded = load_small(book)
    assert loaded.changes == 1
    assert ["Fixed day" in str(one) for one in loaded.warnings] == [True]


def test_sizes_and_public_holidays_come_with_types_and_depots() -> None:
    book = changed("Depots", **{"Public holidays of": "ES"})
    book["Vehicle types"][0] |= {"Length [m]": 6.9, "Height [m]": 2.8}
    load_small(book)
    van = VehicleType.objects.get()
    assert (van.length_m, van.height_m) == (6.9, 2.8)
    depot = Depot.objects.get()
    # 12 October is Spain's national day; 1 May is closed by the book's own row
    days = closed_days([depot], date(2026, 5, 1), date(2026, 10, 12))[depot.pk]
    assert date(2026, 10, 12) in days
    assert days[date(2026, 5, 1)] == "holiday"
