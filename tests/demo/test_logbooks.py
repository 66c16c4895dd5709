"""How the demo's vans were driven, and what was noted of it."""

from datetime import date

import numpy as np
import pytest

from fleet.demo.as_workbook import drives
from fleet.demo.drive import NEW_METER_D, Drive
from fleet.demo.files import files, first_day
from fleet.demo.logbooks import SLIPS, Entry, noted

TODAY = date(2026, 3, 4)


@pytest.fixture(scope="module")
def vans() -> dict[str, Drive]:
    return {van.number: van for van in drives(TODAY)}


@pytest.fixture(scope="module")
def notes(vans: dict[str, Drive]) -> list[Entry]:
    return [entry for van in vans.values() for entry in noted(van, first_day(TODAY))]


def test_the_same_day_gives_the_same_files(notes: list[Entry]) -> None:
    again = [entry for van in drives(TODAY) for entry in noted(van, first_day(TODAY))]
    assert again == notes


def test_a_true_total_never_falls(vans: dict[str, Drive]) -> None:
    assert all((np.diff(van.km) >= 0).all() for van in vans.values())


def test_nobody_drives_on_sundays(vans: dict[str, Drive]) -> None:
    van = vans["101"]
    sundays = (6 - van.first.weekday()) + 7 * np.arange(20)
    assert np.diff(van.km)[sundays].max() == 0


def test_the_van_off_road_stands(vans: dict[str, Drive]) -> None:
    assert vans["303"].km[-1] == vans["303"].km[-60]
    assert vans["301"].km[-1] > vans["301"].km[-60]


def test_a_replaced_meter_begins_anew(vans: dict[str, Drive]) -> None:
    change = date.fromordinal(TODAY.toordinal() - NEW_METER_D)
    before = date.fromordinal(change.toordinal() - 1)
    assert vans["204"].shown(change, 0.0) == 0
    assert vans["204"].shown(before, 0.5) > 1000


@pytest.mark.parametrize(("known_d", "story"), [(171, "new meter"), (170, ""), (100, "")])
def test_a_meter_replaced_before_its_van_is_well_known_is_no_story(
    vans: dict[str, Drive], known_d: int, story: str
) -> None:
    """Replaced 110 days ago; 60 days before that readings tell what falls back."""
    assert vans["204"].since(date.fromordinal(TODAY.toordinal() - known_d)).story == story


def test_a_van_with_miles_shows_miles(vans: dict[str, Drive]) -> None:
    # 1 mile = 1.609344 km exactly (NIST SP 811, B.8)
    van = vans["206"]
    assert van.shown(TODAY, 0.5) * 1.609344 == pytest.approx(van.at(TODAY))


def test_the_moved_van_was_noted_at_both_depots(notes: list[Entry]) -> None:
    assert {note.depot for note in notes if note.number == "311"} == {
        "ulmesqua-coast",
        "brethkamm-hill",
    }


def test_some_notes_have_slips_and_most_have_none(
    notes: list[Entry], vans: dict[str, Drive]
) -> None:
    wrong = [note for note in notes if not _right(note, vans[note.number])]
    assert 0.005 < len(wrong) / len(notes) < 0.03  # five of six kinds of slip, 2 % in all
    assert len(SLIPS) == 6


def test_engine_hours_are_those_of_their_day() -> None:
    since = date(2023, 3, 1)
    heavy = [van for van in drives(TODAY, 200) if van.hours_at(TODAY) is not None]
    timed = [(van, note) for van in heavy for note in noted(van, since) if note.hours is not None]
    assert len(timed) > 1_000
    assert all(note.hours == van.hours_at(note.day, _share(note)) for van, note in timed)


def _right(note: Entry, van: Drive) -> bool:
    return note.shown == f"{van.shown(note.day, _share(note)):.0f}"


def _share(note: Entry) -> float:
    """Of its day, when it was written."""
    return (note.clock.hour * 60 + note.clock.minute) / (24 * 60)


def test_every_depot_sends_its_own_kind_of_file(notes: list[Entry]) -> None:
    sent = files(notes, TODAY)
    assert {file.name.rsplit(".", 1)[1] for file in sent} == {"xlsx", "csv"}
    assert [file.until for file in sent] == sorted(file.until for file in sent)
    assert len(sent) == 5 + 5 + 8 + 3  # by depot, and each depot's sheet of today
