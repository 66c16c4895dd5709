"""Plans by the API: figures, services with their reasons, days; one's own depots only."""

from datetime import date

import pytest
import time_machine
from rest_framework.test import APIClient

from fleet.due.models import Service
from fleet.visits import plan as plans
from fleet.workorders.models import Job, WorkOrder
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, oil_change
from tests.visits.depot import TODAY, due

FIGURES = {"depot", "cost", "bound", "gap", "visits", "services", "left_out"}


@pytest.fixture
def clerk(people: Cast, call: Caller) -> APIClient:
    """A van at the clerk's depot and one at another, each with one service."""
    service = oil_change(people)
    for van in (people.van, people.hill_van):
        due(van, service, 10)
    plans.plan([people.plain.pk, people.hill.pk], TODAY)
    return call(people.clerk)


def test_the_plan_of_ones_own_depot_has_the_promised_keys(clerk: APIClient) -> None:
    (row,) = clerk.get(address("plan")).json()["rows"]
    assert set(row) == FIGURES | {
        "id",
        "version",
        "as_of",
        "days",
        "made_at",
        "prices",
        "lacking",
        "unplanned",
    }
    assert (row["depot"], row["visits"], row["left_out"]) == ("plain", 1, 0)
    assert (row["as_of"], row["days"]) == (TODAY.isoformat(), 56)


def test_each_service_says_its_day_and_why(people: Cast, clerk: APIClient) -> None:
    (row,) = clerk.get(address("visits")).json()["rows"]
    assert (row["depot"], row["vehicle"], row["held"]) == ("plain", people.van.fleet_number, False)
    assert date.fromisoformat(row["on"]).weekday() < 5
    assert row["reason"]


def test_a_day_says_how_many_come_and_for_how_long(clerk: APIClient) -> None:
    (row,) = clerk.get(address("workshop-days")).json()["rows"]
    # by hand: 30 minutes are taken for want of a procedure, 20 to set up
    assert (row["depot"], row["visits"], row["minutes"]) == ("plain", 1, 50)


@pytest.mark.parametrize("name", ["plan", "visits", "workshop-days"])
def test_another_depot_is_not_seen(clerk: APIClient, name: str) -> None:
    assert clerk.get(address(name), {"depot": "hill"}).json() == {"rows": []}


@pytest.mark.parametrize("name", ["plan", "visits", "workshop-days"])
def test_without_a_plan_there_are_no_rows(people: Cast, call: Caller, name: str) -> None:
    assert call(people.clerk).get(address(name)).json() == {"rows": []}


def test_what_would_make_it_fit_is_told_for_ones_own_depot(
    people: Cast, clerk: APIClient, call: Caller
) -> None:
    # by hand: one mechanic is taken where none is entered, with 480 minutes: all of it fits
    chief = call(people.supervisor)
    with time_machine.travel(TODAY):
        told = chief.get(address("depots/plain/fit")).json()
        assert chief.get(address("depots/hill/fit")).status_code == 404
    assert told == {
        **{"depot": "plain", "left_out": 0, "still_left_out": 0, "more": [], "saves_minor": 0}
    }
    assert clerk.get(address("depots/plain/fit")).status_code == 403


def test_a_plan_says_which_order_was_set_to_another_day_since(
    people: Cast, clerk: APIClient
) -> None:
    with time_machine.travel(f"{TODAY}T10:00:00+00:00"):
        (row,) = clerk.get(address("plan")).json()["rows"]
        assert "Out of date" not in " ".join(row["lacking"])
        order = WorkOrder.objects.create(
            number="W-1", vehicle=people.van, depot=people.plain, planned_on="2026-07-20"
        )
        Job.objects.create(order=order, vehicle=people.van, service=Service.objects.get(),
                           title="Oil", minutes=30)  # fmt: skip
        (row,) = clerk.get(address("plan")).json()["rows"]
    assert "W-1 was set to 20 Jul 2026 since" in row["lacking"][0]
