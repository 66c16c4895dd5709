"""What became of an upload, by kind, and many rows mended at once; sheets made by hand."""

from datetime import UTC, datetime, timedelta
from importlib import import_module
from io import BytesIO

import pytest
import xlsxwriter  # type: ignore[import-untyped]
from django.apps import apps

from fleet import chain
from fleet.faults import Fault, Stale
from fleet.readings import intake, mend
from fleet.readings.kinds import Kind, kinds_of
from fleet.readings.mend import By, accept_suggestions
from fleet.readings.models import Reading, Upload, UploadRow, Verdict
from fleet.readings.roll import Roll, name_of
from fleet.readings.totals import wrong
from fleet.vehicles.models import Vehicle
from tests.cast import Cast

Outcome = UploadRow.Outcome
HEAD = "Vehicle,Date,Odometer\n"


def taken_in(*rows: str) -> Upload:
    data = (HEAD + "\n".join(rows)).encode()
    return chain.complete_upload(intake.receive(data, "a.csv").pk)


def taken_in_sheets(*sheets: list[str]) -> Upload:
    data = BytesIO()
    with xlsxwriter.Workbook(data) as book:
        for rows in sheets:
            page = book.add_worksheet()
            for number, row in enumerate([HEAD.strip(), *rows]):
                page.write_row(number, 0, row.split(","))
    return chain.complete_upload(intake.receive(data.getvalue(), "a.xlsx").pk)


def treat_as(upload: Upload, named: str, vehicle: Vehicle) -> int:
    return mend.treat_as(upload, named, vehicle, By(None, "page", datetime(2026, 3, 1, tzinfo=UTC)))


def kinds(upload: Upload) -> list[Kind]:
    return kinds_of(upload.rows.all(), Roll(None, upload.options.get("treat_as")))


SIXTEEN = [f"V101,2026-02-{day:02},{5_000 + 100 * day}" for day in range(1, 17)]


def test_a_name_that_nobody_knows_is_one_line_with_its_count_and_what_it_may_be(
    people: Cast,
) -> None:
    (kind,) = kinds(taken_in(*SIXTEEN))
    assert kind.words == "“V101” was named 16 times; V-101 exists."
    assert (kind.count, kind.named, kind.meant, kind.first) == (16, "V101", ("V-101",), "row 2")


def test_rows_that_were_known_count_for_nothing_in_what_a_name_takes_up(people: Cast) -> None:
    """Whatever part of the file they come in: each sheet is one of its own."""
    upload = taken_in_sheets(["V-101,2026-02-01,5000"], ["V101,2026-02-08,5700"])
    assert treat_as(upload, "V101", people.van) == 1


def test_a_name_said_for_one_vehicle_is_no_candidate_for_another(people: Cast) -> None:
    upload = taken_in("V_102,2026-02-01,5000")
    upload.options = {"treat_as": {"V_101": "V-101"}}
    (kind,) = kinds(upload)
    assert kind.meant == ("V-102",)


def test_rows_that_cannot_be_read_are_told_by_kind_without_their_places(people: Cast) -> None:
    upload = taken_in(
        *("V-101,soon,5", "V-101,later,6", "V-101,2026-02-01,lots", "V-101,2026-02-02,many"),
        *("V-101,03/04/2026,5", "V-101,05/06/2026,6", "Total,,999", "Summe,,999"),
    )
    assert {kind.words for kind in kinds(upload)} == {
        "Holds “soon”, which is no date: write it as 2026-03-31 or 2026-03-31 14:05. So is 1 more.",
        "Is no number. “lots” is not a number: write digits, as in 12500. So is 1 more.",
        "Holds “03/04/2026”, which can be two days: write it as 2026-03-31. So is 1 more.",
        "Adds up others (“Total”): a totals row is not read. So is 1 more.",
    }
    assert {kind.count for kind in kinds(upload)} == {2}


def test_a_sentence_that_asks_ends_with_its_own_mark(people: Cast) -> None:
    upload = taken_in("V-101,2026-02-01,78O34")
    assert upload.rows.get().message.endswith("was “78034” meant?")
    wide = b"Vehicle,2026-02-01\nV-101,78O34\n"
    other = chain.complete_upload(intake.receive(wide, "b.csv").pk)
    assert other.rows.get().message.endswith("was “78034” meant?")


def test_the_most_frequent_kind_comes_first(people: Cast) -> None:
    found = kinds(taken_in("V-101,soon,5", *SIXTEEN))
    assert [kind.count for kind in found] == [16, 1]


def test_a_name_treated_as_a_vehicle_takes_up_all_its_rows(people: Cast) -> None:
    upload = taken_in(*SIXTEEN, "X-9,2026-02-20,5", "V-102,2026-02-20,7000")
    assert treat_as(upload, "V101", people.van) == 16
    done = chain.complete_upload(upload.pk)
    assert done.counts == {"accepted": 17, "unknown vehicle": 1}
    assert Reading.objects.filter(vehicle=people.van, verdict=Verdict.ACCEPTED).count() == 16
    assert (done.state, list(wrong())) == ("done", [])
    assert done.options["treat_as"] == {"V101": "V-101"}


def test_a_row_taken_up_says_nothing_of_before(people: Cast) -> None:
    upload = taken_in("V101,2026-02-20,5000")
    treat_as(upload, "v101", people.van)
    chain.complete_upload(upload.pk)
    row = upload.rows.get()
    assert (row.outcome, row.message, row.vehicle) == ("accepted", "", people.van)


def test_a_name_is_found_whatever_its_row_says_in_words(people: Cast) -> None:
    upload = taken_in("V101,2026-02-20,5000", "V1010,2026-02-20,5000")
    upload.rows.update(message="asked about")
    with pytest.raises(Fault, match="No row of this upload waits for “V10”"):
        treat_as(upload, "V10", people.van)
    assert treat_as(upload, " v101 ", people.van) == 1
    kept = upload.rows.order_by("number").values_list("named", "vehicle")
    assert list(kept) == [("", people.van.pk), ("V1010", None)]


def test_a_name_that_a_spreadsheet_made_a_number_is_mended_as_it_is_shown(people: Cast) -> None:
    assert name_of(4711.0) == "4711"  # as typed; a float of a spreadsheet
    upload = taken_in("ÄÖ 7,2026-02-20,5000", "äö  7,2026-02-21,5100")
    assert treat_as(upload, "äö 7", people.van) == 2


def test_rows_that_stand_get_the_name_from_the_beginning_of_their_message(people: Cast) -> None:
    upload = taken_in("V101,2026-02-20,5000", ",2026-02-20,5000", "V-102,2026-02-20,700")
    messages = upload.rows.order_by("number").values_list("message", flat=True)
    assert messages[0].startswith("“V101” is no known fleet number")
    before = list(upload.rows.order_by("number").values_list("named", flat=True))
    upload.rows.update(named="")
    import_module("fleet.readings.migrations.0004_rows_keep_the_unknown_name").fill(apps, None)
    after = list(upload.rows.order_by("number").values_list("named", flat=True))
    assert after == before == ["V101", "", ""]


def test_mending_twice_finds_nothing_left(people: Cast) -> None:
    upload = taken_in("V101,2026-02-20,5000")
    treat_as(upload, "V101", people.van)
    done = chain.complete_upload(upload.pk)
    with pytest.raises(Fault, match="No row of this upload waits for “V101”"):
        treat_as(done, "V101", people.van)


def test_an_upload_under_work_is_not_mended(people: Cast) -> None:
    upload = taken_in("V101,2026-02-20,5000")
    Upload.objects.filter(pk=upload.pk).update(state=Upload.State.READ)
    with pytest.raises(Stale, match="has not come to its end yet"):
        treat_as(upload, "V101", people.van)


def test_a_vehicle_beyond_the_reach_of_the_upload_is_refused(people: Cast) -> None:
    options = intake.Options(depots=("plain",))
    data = f"{HEAD}V201,2026-02-20,5000\n".encode()
    upload = chain.complete_upload(intake.receive(data, "a.csv", options=options).pk)
    with pytest.raises(Fault, match="does not reach"):
        treat_as(upload, "V201", people.hill_van)


def held_in_miles() -> Upload:
    """Two vans, steady at 1,000 km a week, then both noted in the other unit."""
    first = [
        f"{van},2026-{month:02}-{day:02},{start + 1_000 * week}"
        for van, start in (("V-101", 50_000), ("V-102", 80_000))
        for week, (month, day) in enumerate(
            [(1, 5), (1, 12), (1, 19), (1, 26), (2, 2), (2, 9), (2, 16), (2, 23), (3, 2), (3, 9)]
        )
    ]
    taken_in(*first)
    miles = [round(60_000 / 1.609344), round(90_000 / 1.609344)]
    return taken_in(f"V-101,2026-03-16,{miles[0]}", f"V-102,2026-03-16,{miles[1]}")


def test_what_was_likely_meant_is_accepted_for_all_of_a_kind(people: Cast) -> None:
    upload = held_in_miles()
    odd = Reading.objects.filter(reason="miles_for_km")
    assert odd.count() == 2
    odd.update(verdict=Verdict.HELD)
    upload.rows.update(outcome=Outcome.HELD)
    (kind,) = kinds(upload)
    assert (kind.reason, kind.count, kind.suggested) == ("miles_for_km", 2, 2)
    found = accept_suggestions(upload, "miles_for_km", people.supervisor, "sheet was in miles")
    assert [(row.vehicle, fault) for row, fault in found] == [
        (people.van, None),
        (people.second_van, None),
    ]
    now = Reading.objects.filter(taken_at__date="2026-03-16").values_list("verdict", flat=True)
    assert list(now) == ["accepted", "accepted"]


def test_who_does_not_settle_accepts_nothing_at_once(people: Cast) -> None:
    upload = held_in_miles()
    upload.rows.update(outcome=Outcome.HELD)
    Reading.objects.filter(reason="miles_for_km").update(verdict=Verdict.HELD)
    with pytest.raises(Fault, match="that you may accept"):
        accept_suggestions(upload, "miles_for_km", people.viewer, "why not")


def all_held_in_miles() -> Upload:
    upload = held_in_miles()
    upload.rows.update(outcome=Outcome.HELD)
    Reading.objects.filter(reason="miles_for_km").update(verdict=Verdict.HELD)
    return upload


def test_more_than_are_accepted_at_once_are_left_and_named(
    people: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    upload = all_held_in_miles()
    monkeypatch.setattr(mend, "MOST_AT_ONCE", 1)
    given = (upload, "miles_for_km", people.supervisor)
    with pytest.raises(Fault, match="few words why"):
        accept_suggestions(*given, " ")
    first, second = accept_suggestions(*given, "sheet was in miles")
    assert (first[0].vehicle, first[1]) == (people.van, None)
    assert (second[0].vehicle, str(second[1])) == (people.second_van, mend.NOT_YET)


def test_one_whose_suggestion_fits_no_more_is_left_and_named(people: Cast) -> None:
    upload = all_held_in_miles()
    # two weeks on the second van was accepted at 89,500 km: no room for 90,000 km before
    after = Reading.objects.filter(vehicle=people.second_van, verdict="accepted").latest("taken_at")
    after.pk, after.taken_at = None, after.taken_at + timedelta(days=14)
    after.value = after.meter_value = after.total = 89_500
    after.save()
    first, second = accept_suggestions(upload, "miles_for_km", people.supervisor, "in miles")
    assert (first[0].vehicle, first[1]) == (people.van, None)
    assert (second[0].vehicle, str(second[1])) == (people.second_van, mend.NOT_MEANT)
    assert Reading.objects.get(pk=second[0].pk).verdict == "held"


def test_a_name_that_no_row_waits_for_is_refused_with_its_first_forty_letters(
    people: Cast,
) -> None:
    with pytest.raises(Fault) as fault:
        treat_as(taken_in(*SIXTEEN), "x" * 41, people.van)
    assert str(fault.value) == f"No row of this upload waits for “{'x' * 40}”."
    assert fault.value.about == "named"
