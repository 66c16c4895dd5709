import csv
from datetime import timedelta

import pytest
from rest_framework.test import APIClient

from fleet.due.models import DueDate, Service
from fleet.vehicles.models import Vehicle
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, depots_day

DUE = address("due-dates")
# the keys promised to programs, the same as those of the command line
PROMISED = {
    "vehicle", "depot", "compartment", "service", "state", "p10", "p50", "p90", "bring_in_by",
    "binding_limit", "binding_probability", "life_used", "remaining_km", "duty_class",
}  # fmt: skip


@pytest.fixture
def clerk(running: Cast, call: Caller) -> APIClient:
    return call(running.clerk)


def test_a_row_has_every_promised_key(clerk: APIClient) -> None:
    row = clerk.get(DUE).json()["rows"][0]
    assert set(row) >= PROMISED
    assert (row["service"], row["compartment"], row["depot"]) == ("engine-oil", "engine", "plain")


def test_an_engine_oil_change_counts_from_new(clerk: APIClient) -> None:
    row = clerk.get(DUE, {"vehicle": "v-101"}).json()["rows"][0]
    # joined new at 0 km; 10,670 km so far, limit 20,000 km: by hand
    assert row["remaining_km"] == pytest.approx(9_330)
    assert row["life_used"] >= 0.5335


def test_a_row_names_the_unit_of_the_vehicles_odometer(running: Cast, clerk: APIClient) -> None:
    running.van.meters.update(unit="mi")
    units = {row["vehicle"]: row["odometer_unit"] for row in clerk.get(DUE).json()["rows"]}
    assert units == {"V-101": "mi", "V-102": "km"}
    listed = clerk.get(address("vehicles")).json()["rows"]
    assert {row["fleet_number"]: row["odometer_unit"] for row in listed}["V-101"] == "mi"
    assert {row["unit"] for row in clerk.get(address("usage")).json()["rows"]} == {"mi", "km"}


def overdue(running: Cast) -> None:
    yesterday = depots_day() - timedelta(days=2)
    DueDate.objects.filter(vehicle=running.second_van).update(
        history_known=True, calendar_on=yesterday, p50=yesterday, sort_on=yesterday
    )
    DueDate.objects.filter(vehicle=running.van).update(
        history_known=True, calendar_on="2199-01-01", p50="2198-01-01", sort_on="2198-01-01",
        beyond_by_reading=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("asked", "shown"),
    [
        ({}, ["V-102", "V-101"]),
        ({"state": "overdue"}, ["V-102"]),
        ({"state": ["overdue", "later"]}, ["V-102", "V-101"]),
        ({"state": "history_unknown"}, []),
        ({"until": "2197-01-01"}, ["V-102"]),
        ({"vehicle": "V-101"}, ["V-101"]),
        ({"service": "engine-oil"}, ["V-102", "V-101"]),
        ({"service": "coolant"}, []),
        ({"depot": "plain"}, ["V-102", "V-101"]),
    ],
)
def test_the_list_can_be_narrowed(
    running: Cast, clerk: APIClient, asked: dict[str, object], shown: list[str]
) -> None:
    overdue(running)
    assert [row["vehicle"] for row in clerk.get(DUE, asked).json()["rows"]] == shown


@pytest.mark.parametrize(
    ("query", "accept"), [("?format=csv", "*/*"), ("", "text/csv"), ("", "text/csv, */*;q=.1")]
)
def test_the_list_comes_as_csv_too(clerk: APIClient, query: str, accept: str) -> None:
    answer = clerk.get(DUE + query, headers={"Accept": accept})
    rows = list(csv.DictReader(answer.getvalue().decode().splitlines()))
    assert answer["Content-Type"].startswith("text/csv")
    assert [row["vehicle"] for row in rows] == ["V-101", "V-102"]
    assert set(rows[0]) >= PROMISED


def test_no_cell_of_the_csv_is_a_formula(running: Cast, clerk: APIClient) -> None:
    Vehicle.objects.filter(pk=running.van.pk).update(registration="=HYPERLINK(1)")
    text = clerk.get(DUE, {"format": "csv"}).getvalue().decode()
    assert "'=HYPERLINK(1)" in text
    assert ",=HYPERLINK" not in text


def test_a_negative_number_stays_a_number_in_the_csv(running: Cast, clerk: APIClient) -> None:
    DueDate.objects.filter(vehicle=running.van).update(remaining_km=-12.5)
    assert ",-12.5," in clerk.get(DUE, {"format": "csv"}).getvalue().decode()


def test_the_csv_holds_more_than_one_page(
    clerk: APIClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fleet.api.due_dates.CSV_ROWS_AT_ONCE", 1)
    lines = clerk.get(DUE, {"format": "csv", "limit": 1}).getvalue().decode().splitlines()
    assert len(lines) == 3


def test_a_due_date_is_explained(clerk: APIClient) -> None:
    told = clerk.get(address("vehicles/v-101/due-dates/engine-oil/explanation")).json()
    assert (told["vehicle"], told["service"], told["duty_class"]) == (
        "V-101",
        "engine-oil",
        "normal",
    )
    assert len(told["lines"]) >= 3


def test_what_is_not_there_is_not_explained(running: Cast, clerk: APIClient) -> None:
    assert clerk.get(address("vehicles/V-101/due-dates/coolant/explanation")).status_code == 404
    Service.objects.create(
        vehicle_type=running.van_type, compartment=running.engine, slug="coolant", source="test"
    )
    told = clerk.get(address("vehicles/V-101/due-dates/coolant/explanation"))
    assert told.status_code == 404
    assert "no due date" in told.json()["detail"]
