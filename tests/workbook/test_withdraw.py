"""A load withdrawn: what nobody touched since is as before, and the rest is named."""

import json
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.test import Client

from config import cli
from fleet.due.models import Limit, ServiceDone
from fleet.faults import Fault, Refused
from fleet.people.models import Person, Role
from fleet.readings.models import Reading
from fleet.today import day, today_at
from fleet.vehicles.models import Depot, Vehicle, VehicleType
from fleet.workbook.columns import Sheet
from fleet.workbook.load import Loaded
from fleet.workbook.models import Load
from fleet.workbook.sheets import SHEETS
from fleet.workbook.withdraw import Withdrawn, as_json, foreseen, from_json, withdraw
from fleet.workbook.world import fleet_rows
from fleet.workbook.write import write_cells
from tests.cast import person
from tests.dashboard.forms import forms_of
from tests.workbook.small import NOW, grids, load_small, small_workbook, vehicle

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(days=2)
WHY = "it was the book of another fleet"


def everything() -> dict[str, list[Any]]:
    """All rows of the fleet as a book holds them, with their ids."""
    return {
        sheet.name: sorted((one.id, one.row) for one in fleet_rows(sheet).values())
        for sheet in SHEETS
    }


def withdrawn(loaded: Loaded, **given: Any) -> Withdrawn:
    words = {"person": None, "reason": WHY, "now": LATER + timedelta(hours=1)}
    return withdraw(Load.objects.get(pk=loaded.number), **words | given)


def changed_book() -> dict[str, list[dict[str, Any]]]:
    """The small book with a new depot, van and stay, and other figures for what is there."""
    sheets = small_workbook()
    sheets["Depots"].append({**sheets["Depots"][0], "Depot": "hill", "Name": "Hill"})
    sheets["Vehicles"].append(vehicle("V-2"))
    sheets["Vehicles"][0]["Note"] = "with a tow bar"
    sheets["Limits"][0]["Interval [months]"] = 11
    return sheets


def test_the_fleet_is_as_it_was() -> None:
    load_small(small_workbook())
    before = everything()
    loaded = load_small(changed_book(), LATER)
    assert everything() != before
    found = withdrawn(loaded)
    assert everything() == before
    assert (found.restored, found.removed, list(found.stays)) == (2, 3, [])
    # the depot, the van and its first stay are gone; that they were there is told
    assert [one.history_type for one in Vehicle.history.filter(fleet_number="V-2")] == ["-", "+"]
    newest = Vehicle.history.filter(fleet_number="V-1").latest("history_date")
    assert newest.history_change_reason == f"load {loaded.number} withdrawn: {WHY}"


def test_the_first_book_of_all_goes_but_for_records_of_work() -> None:
    loaded = load_small(small_workbook())
    found = withdrawn(loaded)
    by_sheet = {sheet: why for sheet, _, _, why in found.stays}
    assert by_sheet["Service history"] == "it is a record of work: correct it at its vehicle"
    # what the records rest on stays with them, and nothing else does
    assert "rests on it" in by_sheet["Vehicles"]
    assert ServiceDone.objects.count() == 1
    assert found.removed == sum(one.added for one in loaded.counts.values()) - len(found.stays)


def test_a_first_book_without_work_leaves_nothing() -> None:
    sheets = small_workbook()
    del sheets["Service history"], sheets["Fills"]
    before = everything()
    found = withdrawn(load_small(sheets))
    assert list(found.stays) == []
    assert everything() == before
    assert not Vehicle.objects.exists()


def test_what_was_changed_since_stays_and_says_by_whom() -> None:
    load_small(small_workbook())
    loaded = load_small(changed_book(), LATER)
    sura = Person.objects.create_user("sura", first_name="Sura", role=Role.SUPERVISOR)
    van = Vehicle.objects.get(fleet_number="V-1")
    van.note, van._history_user = "without one", sura
    van._history_date = LATER + timedelta(minutes=5)
    van.save()
    found = withdrawn(loaded)
    on = LATER + timedelta(minutes=5)
    said = f"it was changed on {day(today_at(Depot.objects.earliest('pk').zone, on))} by Sura"
    assert list(found.stays) == [("Vehicles", 2, "V-1", said)]
    van.refresh_from_db()
    assert van.note == "without one"
    assert Limit.objects.filter(limit_months=11).count() == 0
    assert Load.objects.get(pk=loaded.number).stays == [list(one) for one in found.stays]


def test_what_readings_rest_on_stays_with_what_it_needs() -> None:
    load_small(small_workbook())
    loaded = load_small(changed_book(), LATER)
    van = Vehicle.objects.get(fleet_number="V-2")
    Reading.objects.create(
        vehicle=van, meter=van.meters.get(), taken_at=LATER, value=10, meter_value=10, unit="km",
        source="page",
    )  # fmt: skip
    found = withdrawn(loaded)
    assert [(sheet, key, why) for sheet, _, key, why in found.stays] == [
        ("Vehicles", "V-2", "a reading rests on it"),
    ]
    assert Vehicle.objects.filter(pk=van.pk).exists()
    assert not Depot.objects.filter(slug="hill").exists()


def test_what_was_removed_since_is_said() -> None:
    load_small(small_workbook())
    loaded = load_small(changed_book(), LATER)
    Depot.objects.get(slug="hill").delete()
    found = withdrawn(loaded)
    assert [(sheet, number, key) for sheet, number, key, _ in found.stays] == [
        ("Depots", 3, "hill")
    ]


def test_the_same_book_may_be_loaded_again() -> None:
    load_small(small_workbook())
    loaded = load_small(changed_book(), LATER)
    after = {name: [row for _, row in rows] for name, rows in everything().items()}
    withdrawn(loaded)
    again = load_small(changed_book(), LATER + timedelta(hours=2))
    assert {name: [row for _, row in rows] for name, rows in everything().items()} == after
    assert again.number != loaded.number


def test_a_load_without_changes_is_none() -> None:
    load_small(small_workbook())
    assert load_small(small_workbook(), LATER).number is None
    assert Load.objects.count() == 1


def test_what_it_would_do_is_seen_before_and_nothing_is_done() -> None:
    load_small(small_workbook())
    loaded = load_small(changed_book(), LATER)
    before, load = everything(), Load.objects.get(pk=loaded.number)
    found = foreseen(load, now=LATER)
    assert (found.restored, found.removed, list(found.stays)) == (2, 3, [])
    assert [(sheet, key, what) for sheet, _, key, what in found.goes if what == "removed"] == [
        ("Depots", "hill", "removed"),
        ("Vehicles", "V-2", "removed"),
        ("Depot stays", "V-2, 2023-01-09", "removed"),
    ]
    assert everything() == before
    load.refresh_from_db()
    assert load.withdrawn_at is None


def test_what_has_changed_since_somebody_looked_is_not_done() -> None:
    load_small(small_workbook())
    loaded = load_small(changed_book(), LATER)
    seen = foreseen(Load.objects.get(pk=loaded.number), now=LATER).mark
    Depot.objects.get(slug="hill").delete()
    before = everything()
    with pytest.raises(Refused, match="look at it once more"):
        withdrawn(loaded, seen=seen)
    assert everything() == before
    assert withdrawn(loaded).removed == 2


def test_a_load_of_which_every_row_stays_is_not_withdrawn(client: Client) -> None:
    """Records of work stay, so a book that added nothing else cannot be taken back."""
    sheets = small_workbook()
    history = {name: sheets.pop(name) for name in ("Service history", "Fills") if name in sheets}
    load_small(sheets)
    loaded = load_small({**sheets, **history}, LATER)
    before = everything()
    with pytest.raises(Refused, match=r"each of its rows stays \(\d+\)"):
        withdrawn(loaded)
    load = Load.objects.get(pk=loaded.number)
    assert (load.withdrawn_at, load.stays, everything()) == (None, [], before)
    client.force_login(person("Sura", Role.SUPERVISOR, *Depot.objects.all()))
    page = client.get(f"/workbook/loads/{load.pk}").content.decode()
    assert "Nothing of this load can be withdrawn" in page
    assert "Withdraw load" not in page.split("<main", 1)[1].split("</h1>", 1)[1]


def test_it_is_refused_without_reason_and_twice() -> None:
    loaded = load_small(small_workbook())
    with pytest.raises(Fault, match="Say why"):
        withdrawn(loaded, reason=" ")
    withdrawn(loaded)
    with pytest.raises(Refused, match="withdrawn already"):
        withdrawn(loaded)


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: sheet.name)
def test_rows_come_back_from_json_alike(sheet: Sheet) -> None:
    if not VehicleType.objects.exists():
        load_small(small_workbook())
    for one in fleet_rows(sheet).values():
        assert from_json(as_json(one.row)) == one.row


def test_days_and_instants_are_told_apart() -> None:
    row = ("V-1", date(2026, 3, 1), NOW, ("a", "b"), None, 1.5, True)
    assert from_json(as_json(row)) == row


def test_by_command(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    write_cells(path, {name: rows[1:] for name, rows in grids(small_workbook()).items()})
    assert cli.main(["fleet", "load", str(path), "--json"]) == 0
    number = json.loads(capsys.readouterr().out)["load"]
    assert Load.objects.get(pk=number).name == "book.xlsx"
    assert cli.main(["fleet", "load", "--withdraw", str(number), "--reason", WHY]) == 0
    told = capsys.readouterr().out
    assert "  Service history, row 3 (V-1, " in told
    assert "it is a record of work" in told
    assert cli.main(["fleet", "load", "--withdraw", "99999", "--reason", WHY]) == 1
    assert "There is no load 99999" in capsys.readouterr().err


def test_by_page(client: Client) -> None:
    load_small(small_workbook())
    loaded = load_small(changed_book(), LATER)
    chief = person("Sura", Role.SUPERVISOR, *Depot.objects.all())
    client.force_login(chief)
    where = f"/workbook/loads/{loaded.number}/withdraw"
    before = everything()
    look = where.removesuffix("/withdraw")
    assert f'href="{look}"' in client.get("/workbook").content.decode()
    told = client.get(look).content.decode()
    assert "2 rows would be as before the load" in told
    assert "(V-2): removed" in told
    assert everything() == before
    (form,) = [one for one in forms_of(told) if one.action == where]
    client.post(where, {**form.sent, "reason": WHY})
    assert Load.objects.get(pk=loaded.number).withdrawn_by == chief
    assert not Vehicle.objects.filter(fleet_number="V-2").exists()
    shown = client.get("/workbook").content.decode()
    assert f"{WHY}." in shown
    assert where not in shown
    client.force_login(person("Cleo", Role.CLERK, *Depot.objects.all()))
    assert client.post(where, {"reason": WHY}).status_code == 403
