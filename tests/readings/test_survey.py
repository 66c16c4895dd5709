"""What a look through whole sheets finds, chunk by chunk; and how rows are told by kind."""

import pickle
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from fleet.people.models import Person
from fleet.readings import sheets
from fleet.readings.kinds import kinds_of
from fleet.readings.listing import uploads_seen_by
from fleet.readings.models import Upload, UploadRow
from fleet.readings.report import not_accepted, refusal, report_of
from fleet.readings.roll import Roll
from fleet.readings.sheets import read_entries, survey, survey_all
from fleet.readings.spreadsheet import Sheet, Spreadsheet, SpreadsheetFault
from tests import scene

HEAD = ["Vehicle", "Date", "Odometer"]
DAY = date(2026, 3, 31)


def book(folder: Path, chunk: int = 100, **given: list[list[Any]]) -> Spreadsheet:
    """Sheets as the process apart leaves them, so many rows at a time."""
    path = folder / "rows"
    described = []
    with path.open("wb") as out:
        for number, (name, rows) in enumerate(given.items()):
            width = max(map(len, rows), default=0)
            whole = [row + [""] * (width - len(row)) for row in rows]
            for at in range(0, len(whole), chunk):
                pickle.dump((number, at + 1, whole[at : at + chunk]), out)
            described.append({"name": name, "height": len(whole), "width": width})
    return Spreadsheet.of(described, path)


def rows_of(spreadsheet: Spreadsheet, number: int = 0) -> tuple[int, list[int], list[float]]:
    found = survey(spreadsheet.sheets[number])
    parts = list(read_entries(found))
    numbers = [row for part in parts for row in part.rows]
    return found.count, numbers, [one for part in parts for one in part.odometers.values.tolist()]


@pytest.mark.parametrize("chunk", [1, 2, 3, 4, 100])
def test_rows_keep_their_numbers_however_they_are_cut_into_chunks(
    tmp_path: Path, chunk: int
) -> None:
    rows = [["Title"], HEAD, ["V-1", DAY, 1], ["", "", ""], HEAD, ["V-1", DAY, 2],
            ["V-2", DAY, 3]]  # fmt: skip
    # blank rows, and the headings once more, are no entries
    assert rows_of(book(tmp_path, chunk, S=rows)) == (3, [3, 6, 7], [1, 2, 3])
    wide = [["Title"], ["Vehicle", "2026-01-31", "2026-02-28"], ["V-1", 1, 2], ["V-2", "", 3],
            ["V-3", "", ""]]  # fmt: skip
    assert rows_of(book(tmp_path, chunk, S=wide)) == (3, [3, 3, 4], [1, 2, 3])


@pytest.mark.parametrize(("per_chunk", "sizes"), [(1, [1] * 4), (2, [2, 2]), (3, [3, 1])])
def test_entries_come_so_many_at_a_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, per_chunk: int, sizes: list[int]
) -> None:
    monkeypatch.setattr(sheets, "ENTRIES_PER_CHUNK", per_chunk)
    rows = [HEAD, *([f"V-{at}", DAY, at] for at in range(4))]
    found = survey(book(tmp_path, S=rows).sheets[0])
    assert [len(part) for part in read_entries(found)] == sizes
    wide = [["Vehicle", "2026-01-31", "2026-02-28"], *([f"V-{at}", at, at] for at in range(4))]
    found = survey(book(tmp_path, S=wide).sheets[0])
    # of a wide row all cells together, one row at least
    assert [len(part) for part in read_entries(found)] == [2] * 4
    monkeypatch.setattr(sheets, "ENTRIES_PER_CHUNK", 4)
    assert [len(part) for part in read_entries(found)] == [4, 4]


def test_a_clear_cell_anywhere_in_a_column_settles_the_others(tmp_path: Path) -> None:
    rows = [HEAD, ["V-1", "03/04/2026", "12,345"], ["V-1", "31/03/2026", "98,765.5"]]
    found = survey(book(tmp_path, 1, S=rows).sheets[0])
    assert (found.hints.day_first, found.hints.decimal_mark) == (True, ".")
    (first, _) = read_entries(found)
    assert first.odometers.values.tolist() == [12_345]
    hours = [[*HEAD, "Engine hours"], ["V-1", DAY, "12,345", "1,234.5"]]
    assert survey(book(tmp_path, S=hours).sheets[0]).hints.decimal_mark == "."
    wide = [["Vehicle", "2026-01-31", "2026-02-28"], ["V-1", "12,345", "98,765.5"]]
    assert survey(book(tmp_path, S=wide).sheets[0]).hints.decimal_mark == "."
    notes = [[*HEAD, "Note"], ["V-1", DAY, "12,345", "98,765.5"]]  # notes say nothing of numbers
    assert survey(book(tmp_path, S=notes).sheets[0]).hints.decimal_mark is None


def test_headings_are_looked_for_in_fifty_rows_of_several_chunks(tmp_path: Path) -> None:
    above = [["x", "", ""]] * 49
    assert rows_of(book(tmp_path, 7, S=[*above, HEAD, ["V-1", DAY, 1]]))[1] == [51]
    late = survey(book(tmp_path, 7, S=[*above, ["x"], HEAD, ["V-1", DAY, 1]]).sheets[0])
    assert late.count == 0


def test_a_table_that_cannot_be_used_keeps_its_rows_and_says_why(tmp_path: Path) -> None:
    doubled = [["Title", "", "", ""], [*HEAD, "Mileage"], ["V-1", DAY, 1, 2], ["", "", "", ""],
               ["V-1", DAY, 3, 4]]  # fmt: skip
    found = survey(book(tmp_path, 2, S=doubled).sheets[0])
    assert found.count == 2
    parts = list(read_entries(found))
    assert [row for part in parts for row in part.rows] == [3, 5]
    assert all("more than one heading" in part.faults[0] for part in parts if len(part))
    nothing = survey(book(tmp_path, 2, S=[["Hello", "there"], ["a", "b"]]).sheets[0])
    assert (nothing.count, list(read_entries(nothing))) == (0, [])


def fault(folder: Path, **given: list[list[Any]]) -> str:
    with pytest.raises(SpreadsheetFault) as found:
        survey_all(book(folder, **given))
    return str(found.value)


def test_a_book_without_readings_says_what_is_missing(tmp_path: Path) -> None:
    fleet = dict.fromkeys(("Vehicle types", "Vehicles", "Service history"), [["x"]])
    assert fault(tmp_path, **fleet).startswith("This is a fleet workbook")  # type: ignore[arg-type]
    del fleet["Vehicles"]
    assert "has no heading row" in fault(tmp_path, **fleet)  # type: ignore[arg-type]
    assert fault(tmp_path, S=[]).startswith("The file has no rows")
    assert fault(tmp_path, S=[HEAD]).startswith("There is nothing below the headings")
    three = fault(tmp_path, **dict.fromkeys("ABC", [["x"]]))  # type: ignore[arg-type]
    assert (three.count("no heading row"), "Nor has" in three) == (3, False)
    four = fault(tmp_path, **dict.fromkeys("ABCD", [["x"]]))  # type: ignore[arg-type]
    assert four.endswith("Nor has any of the 1 other sheets.")
    both = survey_all(book(tmp_path, Info=[["x"]], Blank=[], March=[HEAD, ["V-1", DAY, 1]]))
    assert [one.count for one in both] == [0, 1]  # one without any row is none
    assert isinstance(both[0].sheet, Sheet)


# --- told by kind ----------------------------------------------------------------------------
def upload(*rows: tuple[str, str, str], sheet: str = "", column: str = "") -> Upload:
    made = Upload.objects.create(name="a.csv", hash="x", size_bytes=1, state="done",
                                 rows_total=len(rows), counts={"held": 2})  # fmt: skip
    UploadRow.objects.bulk_create(
        UploadRow(upload=made, number=at, sheet=sheet, row=at + 1, column=column, raw='["V-1"]',
                  outcome=outcome, message=message, named=named)
        for at, (outcome, message, named) in enumerate(rows, 1)
    )  # fmt: skip
    return made


@pytest.mark.django_db
def test_rows_alike_but_for_their_place_and_figures_are_one_kind() -> None:
    made = upload(
        ("unreadable", "C2 holds “n/a”, which is no date: write it", ""),
        ("unreadable", "AB17 holds “soon”, which is no date: write it", ""),
        ("unreadable", "The odometer was taken, but D3 holds “x”, which is no date: write it", ""),
        ("unreadable", "Row 9 holds 1.5e+16, too large for any meter: correct it.", ""),
        ("unreadable", "Row 10 holds 2e+15, too large for any meter: correct it.", ""),
        ("unreadable", "B2 holds “3/4/2026”, which can be 3 April 2026 or 4 March 2026: w", ""),
        ("accepted", "fine", ""),
        ("waiting", "", ""),
        sheet="March", column="C",
    )  # fmt: skip
    found = [(one.words, one.count, one.first) for one in kinds_of(made.rows.all(), Roll())]
    assert found == [
        ("Holds “n/a”, which is no date: write it. So are 2 more.", 3, "sheet March, C2"),
        (
            "Holds 1.5e+16, too large for any meter: correct it. So is 1 more.",
            2,
            "sheet March, C5",
        ),
        ("Holds “3/4/2026”, which can be two days: write it as 2026-03-31", 1, "sheet March, C7"),
    ]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("verdict", "suggestion", "count"),
    [("held", 10_000.0, 1), ("held", None, 0), ("accepted", 10_000.0, 0)],
)
def test_values_likely_meant_are_counted_of_what_still_waits(
    verdict: str, suggestion: float | None, count: int
) -> None:
    (reading,) = scene.readings(scene.van(), [100_000])
    reading.verdict, reading.suggestion, reading.reason = verdict, suggestion, "typing_error"
    reading.save()
    made = upload(("held", "why", ""))
    made.rows.update(reading=reading)
    (kind,) = kinds_of(made.rows.all(), Roll())
    assert (kind.reason, kind.count, kind.suggested) == ("typing_error", 1, count)


@pytest.mark.django_db
def test_names_that_nobody_knows_are_told_with_what_they_may_be() -> None:
    for number in ("V-1", "V-2", "W-1"):
        scene.van(number)
    made = upload(
        *[("unknown vehicle", "x", "W_1")] * 2,
        *[("unknown vehicle", "x", "Zebra")] * 1_234,
        ("unknown vehicle", "x", "V-3"),
    )
    found = kinds_of(made.rows.all(), Roll())
    assert [(one.words, one.first, one.meant) for one in found[:2]] == [
        ("“Zebra” was named 1,234 times, and is no known fleet number.", "row 4", ()),
        ("“W_1” was named 2 times; W-1 exists.", "row 2", ("W-1",)),
    ]
    assert (found[2].first, sorted(found[2].meant)) == ("row 1238", ["V-1", "V-2"])
    assert found[2].words == f"“V-3” was named once; {' and '.join(found[2].meant)} exist."


@pytest.mark.django_db
def test_at_most_forty_kinds_are_told_and_twenty_five_names_looked_up() -> None:
    scene.van("V-1")
    names = [f"V{'_' * (at % 21 + 1)}{'.' * (at // 21)}1" for at in range(41)]
    made = upload(*[("unknown vehicle", "x", name) for name in names])
    found = kinds_of(made.rows.all(), Roll())
    assert [bool(one.meant) for one in found] == [True] * 25 + [False] * 15


@pytest.mark.django_db
def test_an_upload_of_no_known_vehicle_is_its_senders_and_theirs_who_see_all() -> None:
    made, here = upload(("unreadable", "C2 is no number", "")), [scene.depot()]
    sender, other = (Person.objects.create_user(name, role="clerk") for name in ("cleo", "carl"))
    root = Person.objects.create_superuser("root")
    Upload.objects.update(person=sender)
    assert list(uploads_seen_by(sender, here)) == [made]
    assert list(uploads_seen_by(other, here)) == []
    assert list(uploads_seen_by(root, here)) == [made]


@pytest.mark.django_db
def test_a_report_counts_every_outcome_and_lists_what_was_not_accepted() -> None:
    made = upload(("accepted", "", ""), ("held", "why", ""), ("unreadable", "C3 is no number", ""))
    report = report_of(made)
    assert (report.upload, report.rows, report.refused, report.counts["held"]) == (
        *(made.pk, 2, False, 2),
    )
    assert [(one.row, one.outcome, one.place) for one in report.not_accepted] == [
        (3, "held", "row 3"),
        (4, "unreadable", "row 4"),
    ]
    assert report.not_accepted[0].as_given == ["V-1"]
    assert report_of(made, tried=True).upload is None
    told = report.as_json()
    assert (told["held"], told["unknown_vehicle"], told["rows"]) == (2, 0, 2)
    UploadRow.objects.update(sheet="March", column="B")
    assert [one.place for one in not_accepted(made)] == ["March, B3", "March, B4"]
    refused = refusal("a.csv", "empty")
    assert (refused.refused, refused.rows, refused.seen_before, refused.not_accepted) == (
        *(True, 0, False, ()),
    )
