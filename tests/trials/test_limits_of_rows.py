"""Limits at which a rating, a sample or a sheet is refused, on both sides; by hand."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from fleet.due.models import ChosenFluid
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.readings.spreadsheet import SpreadsheetFault
from fleet.trials import take_in
from fleet.trials.evaluate import end_early, evaluate_running
from fleet.trials.models import LabProperty, LabSample, Rating, TrialGroup
from fleet.trials.rate import (
    Felt,
    LabLimits,
    Measured,
    add_samples,
    check_rating,
    check_sample,
    most_of,
    name_property,
    places_of,
    rate,
)
from fleet.trials.set_up import SetUp
from fleet.trials.take_in import RowTold, take_in_ratings, take_in_samples
from fleet.vehicles.models import Alias, Depot
from tests import scene
from tests.kept import kept
from tests.scene import NOW, depot, service
from tests.trials.field import PROGRAM, Field, begun, given, noon, person, products

pytestmark = pytest.mark.django_db
IN_IT = date(2026, 3, 2)
FEW = "a small scene"


@kept
def asked() -> SetUp:
    return given(service(km=60_000), *products())


@kept
def field(four: Field) -> Field:
    return four


# --- rated -------------------------------------------------------------------------------------
def felt(field: Field, **changes: Any) -> Felt:
    return replace(Felt(field.places[0], 3, noon(IN_IT), "one"), **changes)


@pytest.mark.parametrize(("days", "taken"), [(0, True), (1, True), (2, False)])
def test_a_rating_may_be_of_the_day_after_the_end(field: Field, days: int, taken: bool) -> None:
    field.trial.ends_on = IN_IT
    field.trial.save()
    one = felt(field, rated_at=noon(IN_IT + timedelta(days=days)))
    if taken:
        check_rating(one, NOW)
        return
    with pytest.raises(Fault, match="from 1 Dec 2025 to 2 Mar 2026: a rating of 4 Mar 2026"):
        check_rating(one, NOW)


def test_a_rating_keeps_what_was_said_of_the_weather(field: Field) -> None:
    said = felt(field, temperature_c=20.0, warmth="cool")
    (row,) = rate(PROGRAM, [said])
    assert (row.warmth, row.temperature_c) == ("cool", 20.0)
    with pytest.raises(Refused, match="Another record came"):
        rate(PROGRAM, [replace(said, value=4)])
    with pytest.raises(Refused, match="Another record came"):
        rate(PROGRAM, [replace(said, trial_vehicle=field.places[1])])
    assert rate(PROGRAM, []) == []


def test_whoever_knows_the_product_rates_for_a_driver_only(field: Field) -> None:
    engineer = Actor(person("Noor", Role.ENGINEER, depot()), "page", NOW)
    with pytest.raises(Forbidden, match="would not be blind"):
        rate(engineer, [felt(field)])
    assert rate(engineer, [felt(field, by="Ada")])[0].by == "Ada"
    viewer = Actor(person("Vito", Role.VIEWER, depot()), "page", NOW)
    with pytest.raises(Forbidden):
        rate(viewer, [felt(field, client_key="two", by="Bo")])


def test_vehicles_are_found_by_numbers_of_today_and_of_before(field: Field) -> None:
    first = field.places[0]
    Alias.objects.create(vehicle=first.vehicle, fleet_number="old-7")
    found = places_of(field.trial, None)
    assert {number: place.pk for number, place in found.items()} == {
        "OLD-7": first.pk,
        **{place.vehicle.fleet_number: place.pk for place in field.places},
    }
    assert places_of(field.trial, Depot.objects.none()) == {}
    assert set(places_of(field.trial, Depot.objects.filter(pk=first.vehicle.depot_id))) == set(
        found
    )


# --- sampled -----------------------------------------------------------------------------------
def iron(field: Field, **changes: Any) -> LabProperty:
    plain: dict[str, Any] = {"name": "Iron", "slug": "iron", "unit": "mg/kg", "high": 120.0}
    return name_property(PROGRAM, field.trial, LabLimits(**(plain | {"source": "s"} | changes)))


@pytest.mark.parametrize(
    ("changes", "taken"),
    [
        ({}, True),
        ({"high": None, "low": 3.0}, True),
        ({"high": None}, False),
        ({"source": " "}, False),
    ],
)
def test_a_property_has_a_limit_and_its_source(
    field: Field, changes: dict[str, Any], taken: bool
) -> None:
    if taken:
        named = iron(field, **changes)
        assert named == iron(field, **changes)  # named once
        assert (named.gathers, named.source) == (False, "s")  # unless somebody says that it does
        assert field.trial.events.filter(what="lab property named").count() == 1
        return
    with pytest.raises(Fault, match="a lower or an upper limit, and the source"):
        iron(field, **changes)


@pytest.mark.parametrize(
    ("changes", "value", "on", "report", "said"),
    [
        ({}, 0.0, IN_IT, "R-1", ""),
        ({}, -0.1, IN_IT, "R-1", "cannot be below 0 mg/kg"),
        ({"low": -40.0, "high": -20.0, "unit": "°C"}, -30.0, IN_IT, "R-1", ""),
        ({"low": -40.0, "high": None, "unit": "°C"}, -30.0, IN_IT, "R-1", ""),
        ({"low": -40.0, "high": None, "unit": "°C"}, -90.0, IN_IT, "R-1", ""),
        ({"high": -20.0, "unit": "°C"}, -5.0, IN_IT, "R-1", ""),
        ({}, float("inf"), IN_IT, "R-1", "a finite value"),
        ({}, 50.0, NOW.date(), "R-1", ""),
        ({}, 50.0, NOW.date() + timedelta(days=1), "R-1", "a day that has come"),
        ({}, 50.0, IN_IT, " ", "Name the laboratory's report"),
        # our choice: a tenth of a limit that stands alone
        ({"low": 10.0, "high": None}, 1.0, IN_IT, "R-1", ""),
        ({"low": 10.0, "high": None}, 0.99, IN_IT, "R-1", "less than a tenth of its limit, 10"),
        ({"unit": "%", "high": 90.0}, 100.0, IN_IT, "R-1", ""),
    ],
)
def test_a_sample_can_be_so(
    field: Field, changes: dict[str, Any], value: float, on: date, report: str, said: str
) -> None:
    one = Measured(field.places[0], iron(field, **changes), on, value, report, "one")
    if not said:
        check_sample(one, NOW)
        return
    with pytest.raises(Fault, match=said):
        check_sample(one, NOW)
    if "its limit" in said:
        check_sample(replace(one, why_it_stands="measured twice"), NOW)


@pytest.mark.parametrize(
    ("unit", "most"),
    [("µg/g", 1e6), ("mg/g", 1e3), ("PPM", 1e6), ("g/kg", 1e3), ("% m/m", 1e2), ("mg KOH/g", None)],
)
def test_a_share_of_the_fluid_has_all_of_it_as_its_most(unit: str, most: float | None) -> None:
    assert most_of(unit) == most


def test_a_sample_comes_once_under_its_key_and_is_kept_with_its_report(field: Field) -> None:
    place, wear = field.places[0], iron(field)
    one = Measured(place, wear, IN_IT, 50.0, f" {'r' * 130}", "one", f" {'w' * 310}")
    (row,) = add_samples(PROGRAM, [one])
    assert (row.report, row.why_it_stands) == ("r" * 120, "w" * 300)
    assert add_samples(PROGRAM, [one]) == [row]
    others: tuple[dict[str, Any], ...] = (
        {"value": 51.0},
        {"drawn_on": IN_IT + timedelta(days=1)},
        {"trial_vehicle": field.places[1]},
        {"property": iron(field, slug="b")},
    )
    for changes in others:
        with pytest.raises(Refused, match="Another record came"):
            add_samples(PROGRAM, [replace(one, **changes)])
    mechanic = Actor(person("Mika", Role.MECHANIC, depot()), "page", NOW)
    with pytest.raises(Forbidden):
        add_samples(mechanic, [replace(one, client_key="two")])
    assert LabSample.objects.count() == 1


# --- ended -------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("starts", "ends", "reason", "said"),
    [
        (0, 9, "bad", ""),
        (-9, 0, "bad", ""),
        (1, 9, "bad", "nothing to end"),
        (-9, -1, "bad", "nothing to end"),
        (-9, 9, "no", "say who decides and why"),
        (-9, 9, " no ", "say who decides and why"),
    ],
)
def test_a_trial_is_ended_from_its_first_day_to_its_last(
    field: Field, starts: int, ends: int, reason: str, said: str
) -> None:
    today, trial = NOW.date(), field.trial
    trial.starts_on, trial.ends_on = today + timedelta(days=starts), today + timedelta(days=ends)
    trial.save()
    by = Actor(person("Sade", Role.SUPERVISOR, depot()), "page", NOW)
    if said:
        with pytest.raises(Fault, match=said):
            end_early(by, trial, reason=reason)
        return
    result = end_early(by, trial, reason=reason)
    assert (result.state, result.ended_reason, result.frozen_at) == ("ended early", "bad", NOW)


def test_an_early_end_lets_vehicles_get_what_they_had_from_the_next_day_on(field: Field) -> None:
    by = Actor(person("Sade", Role.SUPERVISOR, depot()), "page", NOW)
    end_early(by, field.trial, reason="shavings")
    assert {row.until_on for row in ChosenFluid.objects.all()} == {NOW.date()}


@pytest.mark.parametrize(("days", "looked_at"), [(1, 1), (2, 0)])
def test_the_night_looks_at_a_trial_from_the_day_before_it_begins(
    field: Field, days: int, looked_at: int
) -> None:
    trial = field.trial
    trial.starts_on = NOW.date() + timedelta(days=days)
    trial.save()
    assert evaluate_running(NOW, [depot().pk]) == looked_at


# --- by sheet ----------------------------------------------------------------------------------
def sheet(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "rows.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(("above", "found"), [(19, True), (20, False)])
def test_headings_are_looked_for_among_the_first_twenty_rows(
    field: Field, tmp_path: Path, above: int, found: bool
) -> None:
    text = "note,,\n" * above + "Vehicle,Date,Rating\nV-1,2026-01-10,4\n"
    if found:
        assert take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, text)).rows == (
            RowTold(above + 2, "taken"),
        )
        return
    with pytest.raises(SpreadsheetFault, match="no row of headings"):
        take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, text))


@pytest.mark.parametrize(("most", "taken"), [(2, True), (1, False)])
def test_a_sheet_has_no_more_rows_than_can_be_meant(
    field: Field, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int, taken: bool
) -> None:
    assert take_in.MOST_ROWS == 20_000
    monkeypatch.setattr(take_in, "MOST_ROWS", most)
    path = sheet(tmp_path, "Vehicle,Date,Rating\nV-1,2026-01-10,4\nV-2,2026-01-10,4\n")
    if taken:
        assert take_in_ratings(PROGRAM, field.trial, path).counts["taken"] == 2
        return
    with pytest.raises(SpreadsheetFault, match="more than 1 rows"):
        take_in_ratings(PROGRAM, field.trial, path)


def test_a_sheet_without_rows_is_refused_and_empty_ones_are_passed_over(
    field: Field, tmp_path: Path
) -> None:
    with pytest.raises(SpreadsheetFault, match="nothing below the headings"):
        take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, "Vehicle,Date,Rating\n,,\n"))
    text = "Vehicle,Date,Rating\n,,\nV-1,2026-01-10,4\n,,\n"
    told = take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, text))
    assert told.rows == (RowTold(3, "taken"),)


def test_the_first_of_two_columns_of_a_name_is_read(field: Field, tmp_path: Path) -> None:
    text = "Vehicle,Date,Rating,Rating,By\nV-1,2026-01-10,4,2, Ada \n"
    take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, text))
    row = Rating.objects.get()
    assert (row.value, row.by, row.temperature_c) == (4, "Ada", None)


def test_the_same_row_twice_in_a_sheet_is_two_rows(field: Field, tmp_path: Path) -> None:
    text = "Vehicle,Date,Rating,By\nV-1,2026-01-10,4,Ada\nV-1,2026-01-10,4,Ada\n"
    told = take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, text))
    assert [row.outcome for row in told.rows] == ["taken", "refused"]


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ("V-1,2026-01-10,4 km,,", "The rating has a unit of distance or time"),
        ("V-1,2026-01-10,four,,", "The rating"),
        ("V-1,2026-01-10,4,warm,", "The temperature"),
        ("V-1,2026-01-10,4.5,,", "whole number"),
    ],
)
def test_what_is_no_figure_is_told(field: Field, tmp_path: Path, cells: str, said: str) -> None:
    head = "Vehicle,Date,Rating,Temperature,By\n"
    (row,) = take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, f"{head}{cells}\n")).rows
    assert row.outcome == "refused"
    assert row.message.startswith(said) or said in row.message


def test_a_time_is_by_the_clock_of_the_depot_unless_it_says_its_own(tmp_path: Path) -> None:
    scene.depot(zone="Asia/Tokyo")  # nine hours ahead of UTC
    field = begun(2)
    text = (
        "Vehicle,Date,Rating\nV-1,2026-01-10,4\nV-1,2026-01-12 08:30,4\n"
        "V-2,2026-01-12T08:30:00+02:00,4\n"
    )
    assert take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, text)).counts["taken"] == 3
    at = [f"{row.rated_at:%d %H:%M}" for row in Rating.objects.order_by("rated_at")]
    assert at == ["10 03:00", "11 23:30", "12 06:30"]  # a day alone is noon there


def test_samples_are_known_by_slug_or_name_and_lacking_ones_listed(
    field: Field, tmp_path: Path
) -> None:
    head = "Vehicle,Date,Property,Value,Report\n"
    row = "V-1,2026-03-01,Fe,21,L-7\n"
    (told,) = take_in_samples(PROGRAM, field.trial, sheet(tmp_path, head + row)).rows
    assert told.message.endswith("Named: none yet.")
    iron(field, slug="fe")
    iron(field, slug="cu", name="Copper")
    assert take_in_samples(PROGRAM, field.trial, sheet(tmp_path, head + row)).counts["taken"] == 1
    other = "V-1,2026-03-01,zinc,21,L-7\n"
    (told,) = take_in_samples(PROGRAM, field.trial, sheet(tmp_path, head + other)).rows
    assert told.message.endswith("Named: Copper, Iron.")
    assert TrialGroup.objects.count() == 2
