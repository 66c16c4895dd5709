"""Workshop data by the API: what is entered, what is over, one's own depots only."""

from datetime import date

import pytest
import time_machine
from rest_framework.test import APIClient

from fleet.due.models import Service
from fleet.vehicles.models import Closure
from fleet.visits.models import (
    Absence,
    Bay,
    BlockedDays,
    Mechanic,
    ServiceNeed,
    SparedType,
    Workshop,
)
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, oil_change

NOW = "2026-06-15T09:00:00Z"
PAST, TODAY, LATER = date(2026, 6, 14), date(2026, 6, 15), date(2026, 6, 20)


@pytest.fixture
def entered(people: Cast) -> Service:
    """Something of each kind at the clerk's depot and at another."""
    for depot, van in ((people.plain, people.van), (people.hill, people.hill_van)):
        Workshop.objects.create(depot=depot, opening_min=500, vehicles_a_day=3, source="said")
        Bay.objects.create(depot=depot, name=f"Bay of {depot.slug}", rated_kg=3500, height_m=3.5)
        mia = Mechanic.objects.create(depot=depot, name="Mia", skills=["gas"], works_on="1010000")
        for from_on, until_on in ((PAST, PAST), (PAST, TODAY)):
            Absence.objects.create(mechanic=mia, from_on=from_on, until_on=until_on)
            BlockedDays.objects.create(
                depot=depot, from_on=from_on if until_on == PAST else TODAY, until_on=until_on,
                reason="harvest",
            )  # fmt: skip
            Closure.objects.create(depot=depot, on=until_on, note="stocktaking")
        Absence.objects.create(vehicle=van, from_on=LATER, until_on=LATER, reason="hired out")
        SparedType.objects.create(depot=depot, vehicle_type=van.vehicle_type, vehicles_a_day=2)
    return oil_change(people)


@pytest.fixture
def clerk(people: Cast, entered: Service, call: Caller) -> APIClient:
    return call(people.clerk)


@time_machine.travel(NOW)
def test_all_of_ones_own_depot_is_told_and_days_that_are_over_are_not(
    people: Cast, clerk: APIClient
) -> None:
    (row,) = clerk.get(address("workshops")).json()["rows"]
    ids = {
        name: [one.pop("id") for one in row[name]]
        for name in ("bays", "mechanics", "away", "blocked_days", "spared_types", "closures")
    }
    assert Bay.objects.get(pk=ids["bays"][0]).depot == people.plain
    assert row == {
        "depot": "plain", "entered": True, "working_days": people.plain.working_days,
        "holidays_in": "", "opening_min": 500, "kept_share": 0.3, "set_up_min": 20,
        "vehicles_a_day": 3, "visit_minor": 5_000, "late_change_minor": 4_000,
        "late_check_minor": 2_000, "growing_minor": 0, "change_minor": 9_000,
        "check_minor": 2_500, "moved_minor": 4_000, "source": "said",
        "bays": [{"name": "Bay of plain", "rated_kg": 3500, "length_m": None, "height_m": 3.5,
                  "opening_min": None, "source": ""}],
        "mechanics": [{"name": "Mia", "minutes": 480, "works_on": "1010000", "skills": ["gas"],
                       "person": None, "source": ""}],
        "away": [
            {"mechanic": "Mia", "vehicle": None, "from_on": "2026-06-14",
             "until_on": "2026-06-15", "reason": ""},
            {"mechanic": None, "vehicle": people.van.fleet_number, "from_on": "2026-06-20",
             "until_on": "2026-06-20", "reason": "hired out"},
        ],
        "blocked_days": [{"from_on": "2026-06-15", "until_on": "2026-06-15",
                          "reason": "harvest"}],
        "spared_types": [{"vehicle_type": people.van.vehicle_type.slug, "vehicles_a_day": 2}],
        "closures": [{"on": "2026-06-15", "open": False, "note": "stocktaking"}],
    }  # fmt: skip


def test_another_depot_is_not_seen(clerk: APIClient) -> None:
    assert clerk.get(address("workshops"), {"depot": "hill"}).json() == {"rows": []}


def test_nothing_entered_is_said_with_the_usual_figures(people: Cast, call: Caller) -> None:
    (row,) = call(people.clerk).get(address("workshops")).json()["rows"]
    assert (row["entered"], row["opening_min"], row["bays"], row["source"]) == (False, 480, [], "")


def test_what_services_ask_for_is_told(clerk: APIClient, entered: Service) -> None:
    need = ServiceNeed.objects.create(
        service=entered, skills=["lift"], second_min=15, source="said"
    )
    assert clerk.get(address("service-needs")).json() == {
        "rows": [
            {
                "id": need.pk, "vehicle_type": entered.vehicle_type.slug, "service": entered.slug,
                "book_min": 30,  # taken for want of a procedure
                "skills": ["lift"], "second_min": 15, "source": "said",
            }
        ]
    }  # fmt: skip


# --- written -------------------------------------------------------------------------------
DAYS = {"from_on": "2026-07-01", "until_on": "2026-07-03"}


@pytest.fixture
def chief(people: Cast, entered: Service, call: Caller) -> APIClient:
    return call(people.supervisor)


def test_a_mechanic_or_a_vehicle_is_away_and_back_again(people: Cast, chief: APIClient) -> None:
    mia = Mechanic.objects.get(depot=people.plain)
    for who, shown in (
        ({"mechanic": mia.pk}, ("Mia", None)),
        ({"vehicle": people.van.fleet_number}, (None, people.van.fleet_number)),
    ):
        answer = chief.post(address("absences"), who | DAYS | {"reason": "leave"}, format="json")
        assert answer.status_code == 201
        row = answer.json()
        assert (row["mechanic"], row["vehicle"], row["until_on"]) == (*shown, "2026-07-03")
        kept = Absence.history.get(id=row["id"])
        assert (kept.history_user, kept.history_change_reason) == (people.supervisor, "api")
        taken = chief.post(address(f"absences/{row['id']}/remove"), {}, format="json")
        assert taken.json() == row
        assert not Absence.objects.filter(pk=row["id"]).exists()
        assert Absence.history.filter(id=row["id"], history_type="-").count() == 1


def test_blocked_days_are_entered_once_and_taken_away(people: Cast, chief: APIClient) -> None:
    given = {"depot": "plain", "reason": "fair", **DAYS}
    row = chief.post(address("blocked-days"), given, format="json").json()
    assert BlockedDays.objects.get(pk=row["id"]).depot == people.plain
    again = chief.post(address("blocked-days"), given, format="json")
    assert again.status_code == 422
    assert "already exists" in again.json()["detail"]
    taken = chief.post(address(f"blocked-days/{row['id']}/remove"), {}, format="json")
    assert taken.json() == row
    assert not BlockedDays.objects.filter(pk=row["id"]).exists()


def test_what_cannot_be_is_refused_in_words(people: Cast, chief: APIClient) -> None:
    before = Absence.objects.count()
    van = {"vehicle": people.van.fleet_number}
    for given, status, said in (
        (DAYS, 400, "Name a mechanic or a vehicle"),
        (DAYS | van | {"mechanic": 1}, 400, "Name a mechanic or a vehicle"),
        (van | {"from_on": "2026-07-03", "until_on": "2026-07-02"}, 422, "end before they begin"),
        (DAYS | {"mechanic": Mechanic.objects.get(depot=people.hill).pk}, 404, "no mechanic"),
    ):
        answer = chief.post(address("absences"), given, format="json")
        assert answer.status_code == status, answer.json()
        assert said in answer.content.decode()
    assert Absence.objects.count() == before
