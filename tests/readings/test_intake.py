"""An upload from bytes to outcomes; sheets and the outcomes expected of them are made by hand."""

import io
import json
from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from fleet import chain
from fleet.faults import Fault
from fleet.people.models import Person
from fleet.readings import intake
from fleet.readings.listing import uploads_seen_by
from fleet.readings.models import Reading, Source, Upload, UploadRow, Verdict
from fleet.readings.report import report_of
from fleet.vehicles.models import Depot
from tests.cast import Cast, vehicle
from tests.readings.spreadsheets import write_xlsx

LONG = ["Vehicle", "Date", "Odometer"]
DAY = date(2026, 3, 2)
NOON = datetime(2026, 3, 2, 11, tzinfo=UTC)  # 12:00 in Berlin, in winter

Outcome = UploadRow.Outcome


def sheet(tmp_path: Path, *rows: Sequence[Any]) -> bytes:
    return write_xlsx(tmp_path / "made.xlsx", March=rows).read_bytes()


def staged(data: bytes, **options: Any) -> Upload:
    upload = intake.receive(data, "a.xlsx", options=intake.Options(**options))
    intake.stage(upload)
    upload.refresh_from_db()
    return upload


def outcomes(upload: Upload) -> list[str]:
    return list(upload.rows.values_list("outcome", flat=True))


def test_a_row_becomes_a_reading_that_waits_for_its_verdict(people: Cast, tmp_path: Path) -> None:
    upload = staged(sheet(tmp_path, LONG, ["v-101", DAY, 5000]))
    reading = Reading.objects.get()
    assert (upload.state, upload.rows_read, outcomes(upload)) == ("read", 1, ["waiting"])
    assert (reading.vehicle, reading.taken_at, reading.time_known) == (people.van, NOON, False)
    assert (reading.value, reading.unit, reading.source) == (5000, "km", Source.SHEET)
    assert (reading.verdict, upload.rows.get().reading) == (Verdict.NOT_JUDGED, reading)


def test_a_file_that_is_gone_before_it_is_read_is_asked_for_again(
    people: Cast, tmp_path: Path
) -> None:
    data = sheet(tmp_path, LONG, ["v-101", DAY, 5000])
    upload = intake.receive(data, "a.xlsx", options=intake.Options())
    intake.path_of(upload.hash).unlink()
    intake.stage(upload)
    assert upload.state == "refused"
    assert upload.message == "The file is no longer in the data folder: send it again."
    assert staged(data).state == "read"


def test_what_was_read_is_not_read_again(people: Cast, tmp_path: Path) -> None:
    upload = staged(sheet(tmp_path, LONG, ["v-101", DAY, 5000]))
    intake.kept_file(upload).unlink()  # which a second look would miss
    intake.stage(upload)
    assert (upload.state, upload.message, outcomes(upload)) == ("read", "", ["waiting"])


def test_whoever_may_everything_sees_uploads_of_vehicles_that_nobody_knows(
    people: Cast, tmp_path: Path
) -> None:
    upload = staged(sheet(tmp_path, LONG, ["V-999", DAY, 5000]))
    depots, chief = Depot.objects.all(), Person.objects.create_superuser("chief")
    assert list(uploads_seen_by(chief, depots)) == [upload]
    assert not uploads_seen_by(people.supervisor, depots)  # who sent none of it


def test_a_row_keeps_what_stood_in_the_file(people: Cast, tmp_path: Path) -> None:
    upload = staged(sheet(tmp_path, LONG, [], ["V-999", DAY, "=1+1"]))
    row = upload.rows.get()
    assert (row.sheet, row.row, row.column) == ("March", 3, "")
    assert json.loads(row.raw) == ["V-999", "2026-03-02", "=1+1"]


def test_miles_are_kept_as_given_beside_km(people: Cast, tmp_path: Path) -> None:
    staged(sheet(tmp_path, LONG, ["V-101", DAY, 1000]), unit="mi")
    reading = Reading.objects.get()
    assert (reading.value, reading.unit, reading.meter_value) == (1000, "mi", 1609.344)


@pytest.mark.parametrize(
    ("head", "cells", "unit", "expected"),
    [
        ([*LONG[:2], "Odometer [km]"], [5], "mi", "km"),
        ([*LONG[:2], "Odometer [km]", "Unit"], [5, "mi"], None, "mi"),
        (LONG, ["5 mi"], "mi", "mi"),
        (LONG, [5], None, "km"),
    ],
)
def test_the_nearest_unit_counts(
    people: Cast, tmp_path: Path, head: list[str], cells: list[Any], unit: Any, expected: str
) -> None:
    staged(sheet(tmp_path, head, ["V-101", DAY, *cells]), unit=unit)
    assert Reading.objects.get().unit == expected


def test_without_any_unit_the_vehicles_meter_decides(people: Cast, tmp_path: Path) -> None:
    people.van.meters.update(unit="mi")
    staged(sheet(tmp_path, LONG, ["V-101", DAY, 5]))
    assert Reading.objects.get().unit == "mi"


@pytest.mark.parametrize(
    ("row", "outcome", "words"),
    [
        (["V-999", DAY, 5], Outcome.UNKNOWN_VEHICLE, "“V-999” is no known fleet number"),
        (["V-101", "soon", 5], Outcome.UNREADABLE, "B2 holds “soon”"),
        (["V-101", DAY, "abc"], Outcome.UNREADABLE, "C2 is no number"),
        (["V-101", DAY, "5 h"], Outcome.UNREADABLE, "odometer in hours"),
        (["V-101", DAY, 1e16], Outcome.UNREADABLE, "too large for any meter"),
        (["Total", "", 5], Outcome.UNREADABLE, "totals row"),
    ],
)
def test_rows_that_cannot_be_taken_say_why(
    people: Cast, tmp_path: Path, row: list[Any], outcome: Outcome, words: str
) -> None:
    upload = staged(sheet(tmp_path, LONG, row))
    assert outcomes(upload) == [outcome]
    assert words in upload.rows.get().message
    assert not Reading.objects.exists()


def test_two_units_for_one_reading_are_refused(people: Cast, tmp_path: Path) -> None:
    upload = staged(sheet(tmp_path, [*LONG, "Unit"], ["V-101", DAY, "5 km", "mi"]))
    assert "in km, but its column says mi" in upload.rows.get().message


@pytest.mark.parametrize("value", [0, -5, 1e12])
def test_impossible_numbers_are_left_to_the_judge(
    people: Cast, tmp_path: Path, value: float
) -> None:
    assert outcomes(staged(sheet(tmp_path, LONG, ["V-101", DAY, value]))) == ["waiting"]
    assert Reading.objects.get().value == value


def test_a_zone_behind_the_time_wins_over_the_depots(people: Cast, tmp_path: Path) -> None:
    staged(sheet(tmp_path, LONG, ["V-101", "2026-03-02 14:05+05:00", 5]))
    assert Reading.objects.get().taken_at == datetime(2026, 3, 2, 9, 5, tzinfo=UTC)


def test_an_hour_that_did_not_exist_is_moved_and_told(people: Cast, tmp_path: Path) -> None:
    upload = staged(sheet(tmp_path, LONG, ["V-101", "2026-03-29 02:30", 5]))
    assert Reading.objects.get().taken_at == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)
    assert "02:30 did not exist on 29 March 2026" in upload.rows.get().message
    assert "taken as 03:30" in upload.rows.get().message


def test_the_month_still_running_means_the_day_of_receipt(people: Cast, tmp_path: Path) -> None:
    upload = intake.receive(sheet(tmp_path, ["Vehicle", "Mar 2026"], ["V-101", 5]), "a.xlsx")
    upload.received_at = datetime(2026, 3, 12, 23, 30, tzinfo=UTC)  # 13 March in Berlin
    intake.stage(upload)
    assert Reading.objects.get().taken_at == datetime(2026, 3, 13, 11, tzinfo=UTC)
    assert "taken as read on 13 March 2026" in upload.rows.get().message


def test_engine_hours_are_a_second_reading_of_the_same_row(people: Cast, tmp_path: Path) -> None:
    upload = staged(sheet(tmp_path, [*LONG, "Engine hours"], ["V-101", DAY, 5000, 120.5]))
    row = upload.rows.get()
    assert row.reading is not None
    assert row.hours_reading is not None
    assert (row.reading.unit, row.hours_reading.unit) == ("km", "h")
    assert (row.hours_reading.value, row.hours_reading.meter.kind) == (120.5, "hours")


def test_hours_that_cannot_be_read_leave_the_odometer(people: Cast, tmp_path: Path) -> None:
    upload = staged(sheet(tmp_path, [*LONG, "Engine hours"], ["V-101", DAY, 5000, "many"]))
    assert outcomes(upload) == [Outcome.UNREADABLE]
    assert upload.rows.get().message.startswith("The odometer was taken, but D2 is no number")
    assert Reading.objects.get().unit == "km"


def test_the_same_row_twice_in_a_file_is_repeated(people: Cast, tmp_path: Path) -> None:
    upload = staged(sheet(tmp_path, LONG, ["V-101", DAY, 5], ["V-101", DAY, 5]))
    assert outcomes(upload) == ["waiting", "repeated"]
    assert Reading.objects.count() == 1


def test_a_file_that_overlaps_brings_only_its_new_rows(people: Cast, tmp_path: Path) -> None:
    staged(sheet(tmp_path, LONG, ["V-101", DAY, 5]))
    upload = staged(sheet(tmp_path, LONG, ["V-101", DAY, 5], ["V-102", DAY, 6]))
    assert outcomes(upload) == ["repeated", "waiting"]
    assert intake.vehicles_of(upload).tolist() == [people.second_van.pk]


def test_the_same_bytes_again_change_nothing(people: Cast, tmp_path: Path) -> None:
    data = sheet(tmp_path, LONG, ["V-101", DAY, 5])
    first = staged(data)
    again = intake.receive(io.BytesIO(data), "renamed.xlsx")
    assert (again.pk, again.seen_before, again.state) == (first.pk, True, "read")
    assert not first.seen_before
    assert Upload.objects.count() == 1


def test_other_options_make_another_upload(people: Cast, tmp_path: Path) -> None:
    data = sheet(tmp_path, LONG, ["V-101", DAY, 5])
    assert staged(data).pk != staged(data, unit="mi").pk


def test_a_refused_file_says_why_and_may_come_again(people: Cast) -> None:
    upload = staged(b"")
    assert (upload.state, upload.rows_total) == ("refused", None)
    assert "empty" in upload.message
    assert intake.receive(b"", "a.xlsx").state == "received"


def test_a_file_comes_again_with_its_unknown_vehicle_added(people: Cast, tmp_path: Path) -> None:
    data = sheet(tmp_path, LONG, ["V-101", DAY, 5], ["V-900", DAY, 6])
    first = judged(staged(data))
    assert intake.receive(data, "a.xlsx").pk == first.pk
    vehicle("V-900", people.plain, people.van_type)
    assert outcomes(staged(data)) == ["repeated", "waiting"]


def test_a_person_reaches_only_vehicles_of_own_depots(people: Cast, tmp_path: Path) -> None:
    data = sheet(tmp_path, LONG, ["V-101", DAY, 5], ["V-201", DAY, 6])
    upload = intake.receive(data, "a.xlsx", people.outsider)
    intake.stage(upload)
    assert outcomes(upload) == [Outcome.UNKNOWN_VEHICLE, Outcome.WAITING]


def test_a_file_larger_than_allowed_is_refused_at_once(
    people: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(intake, "MOST_BYTES", 10)
    with pytest.raises(Fault, match="split it"):
        intake.receive(b"x" * 11, "a.csv")
    assert not list(intake.path_of("x").parent.iterdir())


def judged(upload: Upload, **verdicts: Verdict) -> Upload:
    """Give the readings of an upload their verdicts by hand: accepted, or as said per vehicle."""
    for reading in Reading.objects.filter(verdict=Verdict.NOT_JUDGED):
        key = f"{reading.vehicle.fleet_number.replace('-', '')}_{reading.unit}"
        reading.verdict = verdicts.get(key, Verdict.ACCEPTED)
        reading.reason = "" if reading.verdict == Verdict.ACCEPTED else "jump"
        reading.save()
    intake.finish(upload)
    return upload


def hours_only(tmp_path: Path) -> bytes:
    head = ["Vehicle", "Date", "Engine hours"]
    return sheet(tmp_path, head, ["V-101", DAY, 120], ["V-102", DAY, 80])


def test_rows_with_engine_hours_only_come_to_an_end(people: Cast, tmp_path: Path) -> None:
    upload = intake.receive(hours_only(tmp_path), "a.xlsx")
    done = chain.complete_upload(upload.pk)
    assert (done.state, done.counts) == ("done", {"accepted": 2})
    assert set(Reading.objects.values_list("unit", "value")) == {("h", 120), ("h", 80)}


def test_a_held_reading_of_engine_hours_can_be_settled_from_its_row(
    people: Cast, tmp_path: Path
) -> None:
    data = sheet(tmp_path, [*LONG, "Engine hours"], ["V-101", DAY, 5, 6], ["V-102", DAY, "", 6])
    upload = judged(staged(data), V101_h=Verdict.HELD, V102_h=Verdict.HELD)
    listed = {row["vehicle"]: row["reading"] for row in report_of(upload).as_json()["not_accepted"]}
    hours = Reading.objects.filter(unit="h").values_list("vehicle__fleet_number", "pk")
    assert listed == dict(hours)


def test_nothing_of_a_sheet_is_read_in_this_process(
    people: Cast, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*given: Any) -> None:
        raise AssertionError("a cell was looked at outside the process apart")

    for where in ("headings.find_shape", "sheets.survey_all", "entries.read_moment"):
        monkeypatch.setattr(f"fleet.readings.{where}", refuse)
    assert outcomes(staged(sheet(tmp_path, LONG, ["V-101", DAY, 5000]))) == ["waiting"]


def mixed(tmp_path: Path) -> bytes:
    """One row in each of the six outcomes, once judged as in ``test_every_row_has_an_outcome``."""
    return sheet(
        tmp_path,
        LONG,
        ["V-101", DAY, 5],
        ["V-102", DAY, 6],
        ["V-201", DAY, 7],
        ["V-999", DAY, 8],
        ["V-101", "soon", 9],
        ["V-101", DAY, 5],
    )


VERDICTS = {"V102_km": Verdict.HELD, "V201_km": Verdict.REJECTED}


def test_every_row_has_an_outcome(people: Cast, tmp_path: Path) -> None:
    upload = judged(staged(mixed(tmp_path)), **VERDICTS)
    assert outcomes(upload) == [
        *("accepted", "held", "rejected", "unknown vehicle", "unreadable", "repeated")
    ]
    assert upload.state == "done"
    assert report_of(upload).rows == 6


@pytest.mark.parametrize("outcome", [one for one in Outcome if one != Outcome.WAITING])
def test_losing_a_row_of_any_outcome_is_noticed(
    people: Cast, tmp_path: Path, outcome: Outcome, monkeypatch: pytest.MonkeyPatch
) -> None:
    count = intake.outcomes_of
    monkeypatch.setattr(
        intake,
        "outcomes_of",
        lambda upload: (upload.rows.filter(outcome=outcome).delete(), count(upload))[1],
    )
    with pytest.raises(intake.TotalsFault, match="6 rows in the file, 5 stored"):
        judged(staged(mixed(tmp_path)), **VERDICTS)
    assert Upload.objects.get().state == "read"


def test_a_row_without_a_verdict_is_noticed(people: Cast, tmp_path: Path) -> None:
    with pytest.raises(intake.TotalsFault, match="0 with an outcome"):
        intake.finish(staged(sheet(tmp_path, LONG, ["V-101", DAY, 5])))


def test_of_odometer_and_hours_the_worse_verdict_counts(people: Cast, tmp_path: Path) -> None:
    data = sheet(tmp_path, [*LONG, "Engine hours"], ["V-101", DAY, 5, 6], ["V-102", DAY, 5, 6])
    upload = judged(staged(data), V101_h=Verdict.HELD, V102_km=Verdict.REJECTED)
    assert outcomes(upload) == ["held", "rejected"]


def test_what_was_not_accepted_is_listed_with_its_reason(people: Cast, tmp_path: Path) -> None:
    rows = report_of(judged(staged(mixed(tmp_path)), **VERDICTS)).as_json()["not_accepted"]
    assert [row["outcome"] for row in rows] == [
        *("held", "rejected", "unknown vehicle", "unreadable", "repeated")
    ]
    assert (rows[0]["vehicle"], rows[0]["row"], rows[0]["reason"]) == ("V-102", 3, "jump")
    assert "far ahead" in rows[0]["message"]


def test_how_far_reading_has_come_is_told_up_to_the_last_row(people: Cast, tmp_path: Path) -> None:
    for rows in (1, 3):
        upload = intake.receive(sheet(tmp_path, LONG, *[["V-101", DAY, rows]] * rows), "a.xlsx")
        told: list[float] = []
        intake.stage(upload, told.append)
        assert told == [1.0]
