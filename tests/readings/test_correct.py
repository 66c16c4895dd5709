"""Rows of an upload corrected by hand: judged anew, with the sheet and what it brought kept."""

import json
from datetime import UTC, date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from fleet import chain
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.models import Person
from fleet.readings import intake
from fleet.readings.correct import Given, correct, moment_of
from fleet.readings.models import Reading, RowCorrection, Upload, UploadRow, Verdict
from fleet.readings.totals import wrong
from fleet.readings.withdraw import withdraw
from tests.cast import Cast

pytestmark = pytest.mark.django_db
Outcome = UploadRow.Outcome
NOW = datetime(2026, 4, 1, 9, tzinfo=UTC)
WEEKS = [f"V-101,2026-02-{day:02},{5_000 + 100 * day}" for day in (1, 8, 15)]


def taken_in(*rows: str, head: str = "Vehicle,Date,Odometer") -> Upload:
    data = "\n".join([head, *WEEKS, *rows]).encode()
    return chain.complete_upload(intake.receive(data, "a.csv").pk)


def mended(upload: Upload, number: int, who: Person, **given: Any) -> UploadRow:
    """The row after it was corrected, and the upload brought to its end."""
    row = upload.rows.get(number=number)
    correct(row.pk, Given(**given), person=who, channel="test", now=NOW)
    done = chain.complete_upload(upload.pk)
    assert (done.state, list(wrong())) == (Upload.State.DONE, [])
    row.refresh_from_db()
    return row


def refused(upload: Upload, number: int, who: Person, **given: Any) -> str:
    with pytest.raises(Fault) as fault:
        mended(upload, number, who, **given)
    upload.refresh_from_db()
    assert (upload.state, RowCorrection.objects.count()) == (Upload.State.DONE, 0)
    return str(fault.value)


def test_a_row_without_a_number_takes_the_right_one_and_keeps_what_was_sent(people: Cast) -> None:
    upload = taken_in("V-101,2026-02-22,lots")
    assert upload.counts[Outcome.UNREADABLE] == 1
    row = mended(upload, 4, people.clerk, on=date(2026, 2, 22), value=7_200.0)
    assert (row.outcome, row.message, row.raw) == (
        Outcome.ACCEPTED,
        "",
        '["V-101", "2026-02-22", "lots"]',
    )
    assert row.reading is not None
    told = (row.reading.value, row.reading.unit, row.reading.taken_at, row.reading.time_known)
    assert told == (7_200.0, "km", datetime(2026, 2, 22, 11, tzinfo=UTC), False)
    assert row.reading.source == "sheet"
    kept_row = row.corrections.get()
    assert (kept_row.outcome, kept_row.reading, kept_row.person) == (
        Outcome.UNREADABLE,
        None,
        people.clerk,
    )
    assert "is no number" in kept_row.message
    upload.refresh_from_db()
    assert upload.counts == {Outcome.ACCEPTED: 4}


def test_a_wrong_day_is_put_right_and_the_reading_as_it_came_is_rejected(people: Cast) -> None:
    upload = taken_in("V-101,2025-02-22,7200")  # the year before: more than the readings after it
    old = upload.rows.get(number=4).reading
    assert old is not None
    row = mended(upload, 4, people.clerk, on=date(2026, 2, 22), reason="wrong year")
    assert row.outcome == Outcome.ACCEPTED
    assert row.reading is not None
    assert (row.reading.value, row.reading.taken_at.date()) == (7_200.0, date(2026, 2, 22))
    old.refresh_from_db()
    assert (old.verdict, old.fixed) == (Verdict.REJECTED, Verdict.REJECTED)
    said = old.decisions.get()
    assert (said.person, said.reason) == (people.clerk, "Corrected at its row: wrong year")
    assert row.corrections.get().reading == old


def test_what_is_given_is_judged_like_any_reading(people: Cast) -> None:
    upload = taken_in("V-101,2026-02-22,lots")
    row = mended(upload, 4, people.clerk, on=date(2026, 2, 22), value=720_000.0)
    assert row.outcome == Outcome.HELD
    again = mended(upload, 4, people.clerk, value=7_200.0, reason="two noughts too many")
    assert again.outcome == Outcome.ACCEPTED
    assert [one.outcome for one in again.corrections.order_by("pk")] == ["unreadable", "held"]


def test_a_correction_that_was_wrong_itself_goes_back(people: Cast) -> None:
    upload = taken_in("V-101,2026-02-22,7200")
    first = upload.rows.get(number=4).reading_id
    mended(upload, 4, people.clerk, value=7_300.0, reason="misread")
    row = mended(upload, 4, people.clerk, value=7_200.0, reason="it was right")
    assert (row.reading_id, row.outcome) == (first, Outcome.ACCEPTED)
    accepted = Reading.objects.filter(verdict=Verdict.ACCEPTED).values_list("value", flat=True)
    assert sorted(accepted) == [5_100, 5_800, 6_500, 7_200]


def test_a_day_moves_odometer_and_hours_and_a_clock_time_stays(people: Cast) -> None:
    head = "Vehicle,Date,Odometer,Engine hours"
    upload = taken_in("V-101,2025-02-22 07:45,7200,310", head=head)
    row = mended(upload, 4, people.clerk, on=date(2026, 2, 22), reason="wrong year")
    assert row.reading is not None
    assert row.hours_reading is not None
    at = datetime(2026, 2, 22, 6, 45, tzinfo=UTC)  # by the depot's clock an hour later
    for one, value in ((row.reading, 7_200), (row.hours_reading, 310)):
        assert (one.taken_at, one.time_known, one.value) == (at, True, value)
    kept_row = row.corrections.get()
    assert None not in (kept_row.reading, kept_row.hours_reading)


def test_hours_alone_are_put_right_beside_an_odometer_that_stays(people: Cast) -> None:
    head = "Vehicle,Date,Odometer,Engine hours"
    upload = taken_in("V-101,2026-02-22,7200,lots", head=head)
    before = upload.rows.get(number=4)
    assert before.reading is not None
    row = mended(upload, 4, people.clerk, value=310.0, unit="h")
    assert (row.reading_id, row.outcome) == (before.reading_id, Outcome.ACCEPTED)
    assert row.hours_reading is not None
    assert (row.hours_reading.value, row.hours_reading.unit) == (310, "h")
    assert row.hours_reading.taken_at == before.reading.taken_at


def test_a_row_that_names_no_vehicle_takes_one(people: Cast) -> None:
    upload = taken_in(",2026-02-22,7200")
    given = {"on": date(2026, 2, 22), "value": 4_480.0, "unit": "mi"}
    assert "names no vehicle" in refused(upload, 4, people.clerk, **given)
    row = mended(upload, 4, people.clerk, **given, vehicle=people.second_van)
    assert (row.vehicle, row.outcome) == (people.second_van, Outcome.ACCEPTED)
    assert row.reading is not None
    assert round(row.reading.meter_value) == 7_210  # 4,480 miles of 1.609344 km


def test_what_was_read_before_is_repeated(people: Cast) -> None:
    upload = taken_in("V-101,2026-02-22,lots")
    row = mended(upload, 4, people.clerk, on=date(2026, 2, 15), value=6_500.0)
    assert (row.outcome, row.message) == (Outcome.REPEATED, "This reading was there already.")


def test_the_unit_alone_may_be_wrong(people: Cast) -> None:
    upload = taken_in("V-101,2026-02-22,4480")  # below the reading before
    row = mended(upload, 4, people.clerk, unit="mi", reason="it shows miles")
    assert row.reading is not None
    assert (row.outcome, row.reading.value, row.reading.unit) == (Outcome.ACCEPTED, 4_480, "mi")


def test_a_time_of_day_may_be_given(people: Cast) -> None:
    upload = taken_in("V-101,2026-02-22,7200")
    given = {"at": time(7, 45), "reason": "as the driver wrote"}
    row = mended(upload, 4, people.clerk, **given)
    assert row.reading is not None
    assert (row.reading.taken_at.hour, row.reading.time_known) == (6, True)


@pytest.mark.parametrize(
    ("row", "head"),
    [
        ("V-101,2026-02-22 08:11:00,lots", "Vehicle,Date,Odometer"),
        ("V-101,2026-02-22,lots,08:11", "Vehicle,Date,Odometer,Time"),
    ],
)
def test_the_time_in_the_cells_of_a_row_that_brought_nothing_is_kept(
    people: Cast, row: str, head: str
) -> None:
    more = "," * (head.count(",") - 2)
    upload = taken_in(*(f"V-101,2026-02-{day},{7_000 + day}{more}" for day in (16, 17)), row,
                      head=head)  # fmt: skip
    bad = upload.rows.get(outcome=Outcome.UNREADABLE)
    on = date(2026, 2, 23)
    given = mended(upload, bad.number, people.clerk, on=on, value=7_200.0)
    assert given.reading is not None
    at = given.reading.taken_at.astimezone(ZoneInfo(people.van.depot.zone))
    assert (at.date(), at.time(), given.reading.time_known) == (on, time(8, 11), True)


def test_a_time_that_nobody_knows_is_taken_off(people: Cast) -> None:
    upload = taken_in("V-101,2026-02-22 08:11,7200")
    row = mended(upload, 4, people.clerk, without_time=True, reason="a guess")
    assert row.reading is not None
    assert (row.reading.taken_at.hour, row.reading.time_known) == (11, False)  # noon there


@pytest.mark.parametrize(
    ("raw", "on", "at"),
    [
        (["V-1", "2026-03-04 08:11:00", "lots"], date(2026, 3, 4), time(8, 11)),
        (["V-1", "2026-03-04T08:11:30.000", "lots"], date(2026, 3, 4), time(8, 11, 30)),
        (["V-1", "2026-03-04 00:00:00", "lots"], date(2026, 3, 4), None),  # a day alone
        (["V-1", "2026-03-04 08:11+02:00", "lots"], date(2026, 3, 4), None),
        (["V-1", "2026-03-04 25:11", "lots"], date(2026, 3, 4), None),
        (["V-1", "2026-03-04", "08:11", "lots"], date(2026, 3, 4), time(8, 11)),
        (["V-1", "2026-03-04", "08:11", "09:12"], date(2026, 3, 4), None),
        (["V-1", "2026-03-04 07:30", "08:11"], date(2026, 3, 4), time(7, 30)),
        (["V-1", "2026-03-04 07:30", "2026-03-04 08:11"], date(2026, 3, 4), None),
        (["V-1", "2026-03-04", "2026-03-04"], date(2026, 3, 4), None),
        (["V-1", "2026-03-04", "2026-03-05"], None, None),
        (["V-1", "2026-02-30", "08:11"], None, None),
        (["V-1", "04/03/2026", 5.0], None, None),
        (["V-1", "20260304", "lots"], None, None),
        ("2026-03-04", date(2026, 3, 4), None),
    ],
)
def test_only_a_moment_without_doubt_is_taken_from_the_cells(
    raw: object, on: date | None, at: time | None
) -> None:
    assert moment_of(UploadRow(raw=json.dumps(raw)), None, "UTC") == (on, at)


def test_what_cannot_be_is_refused_with_what_to_do(people: Cast) -> None:
    upload, on = taken_in("V-101,2026-02-22,lots", "V-101,2026-03-01,7900"), date(2026, 2, 22)
    clerk = people.clerk
    assert "give the day" in refused(upload, 4, clerk, value=7_200.0)
    assert "give the value" in refused(upload, 4, clerk, on=on)
    assert "-1 is no meter value" in refused(upload, 4, clerk, on=on, value=-1.0)
    assert "1e+08 is no meter" in refused(upload, 4, clerk, on=on, value=1e8)
    assert "still to come" in refused(upload, 4, clerk, on=date(2026, 4, 2), value=7_200.0)
    assert "give the value" in refused(upload, 4, clerk, on=on, unit="h")
    assert "“ft” is no unit" in refused(upload, 4, clerk, on=on, value=7_200.0, unit="ft")
    assert "says already" in refused(upload, 5, clerk, value=7_900.0, reason="so")
    assert "Say why" in refused(upload, 5, clerk, value=7_901.0, reason=" ")
    other = {"on": on, "value": 7_200.0, "vehicle": people.second_van}
    assert "The row is of V-101" in refused(upload, 4, clerk, **other)


def test_who_may_not_and_what_is_not_to_be_corrected_here_is_refused(people: Cast) -> None:
    rows = ("V-101,2026-02-22,lots", "V-101,2026-02-15,6500", "V101,2026-02-23,7300")
    upload, given = taken_in(*rows), {"on": date(2026, 2, 22), "value": 7_200.0}
    for who, number in ((people.viewer, 4), (people.outsider, 4), (people.mechanic, 3)):
        with pytest.raises(Forbidden, match="may not"):
            mended(upload, number, who, **given, reason="so")
    with pytest.raises(Refused, match="another sheet"):
        mended(upload, 5, people.clerk, **given)
    with pytest.raises(Refused, match="which vehicle"):
        mended(upload, 6, people.clerk, **given)
    Upload.objects.update(state=Upload.State.JUDGED)
    with pytest.raises(Refused, match="not come to its end"):
        mended(upload, 4, people.clerk, **given)
    Upload.objects.update(state=Upload.State.DONE)
    assert mended(upload, 4, people.mechanic, **given).outcome == Outcome.ACCEPTED


def test_withdrawn_with_its_upload_is_what_was_corrected_and_what_it_was(people: Cast) -> None:
    upload = taken_in("V-101,2025-02-22,7200")
    mended(upload, 4, people.clerk, on=date(2026, 2, 22), reason="wrong year")
    upload.refresh_from_db()
    withdraw(upload, person=people.clerk, reason="wrong file", channel="test", now=NOW)
    chain.complete_upload(upload.pk)
    assert set(Reading.objects.values_list("verdict", flat=True)) == {Verdict.REJECTED}
    with pytest.raises(Refused, match="withdrawn"):
        mended(upload, 4, people.clerk, value=1.0, reason="so")
    again = taken_in("V-101,2025-02-22,7200")  # the same file is judged like a new one
    assert again.counts.get(Outcome.REPEATED, 0) == 0
    assert list(wrong()) == []


def test_a_note_of_the_row_goes_with_what_is_right(people: Cast) -> None:
    head = "Vehicle,Date,Odometer,Note"
    upload = taken_in("V-101,2026-02-22,7200,ink ran", head=head)
    row = mended(upload, 4, people.clerk, value=7_300.0, reason="misread")
    assert row.reading is not None
    assert row.reading.note == "ink ran"
