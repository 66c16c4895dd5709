"""Bays, mechanics and needs by the API: entered, corrected, taken away as on set-up pages."""

from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.due.models import Service
from fleet.visits.models import Absence, Bay, Mechanic, ServiceNeed
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, oil_change

SAID = {"source": "said"}


@pytest.fixture
def oil(people: Cast) -> Service:
    return oil_change(people)


@pytest.fixture
def chief(people: Cast, oil: Service, call: Caller) -> APIClient:
    return call(people.supervisor)


def post(client: APIClient, where: str, status: int = 200, **given: object) -> Any:
    answer = client.post(address(where), given, format="json")
    assert answer.status_code == status, answer.content
    return answer.json()


def test_a_bay_is_entered_corrected_and_taken_away(people: Cast, chief: APIClient) -> None:
    given = {"name": "Lift 1", "rated_kg": 5_500, "height_m": 3.4, **SAID}
    row = post(chief, "bays", 201, depot="plain", **given)
    assert row == {
        "id": row["id"], "name": "Lift 1", "rated_kg": 5_500, "length_m": None, "height_m": 3.4,
        "opening_min": None, "source": "said",
    }  # fmt: skip
    assert Bay.objects.get().depot == people.plain
    changed = post(chief, f"bays/{row['id']}/correct", name="Lift 1", opening_min=400, **SAID)
    # all of it is said anew: what is not said limits nothing
    assert (changed["rated_kg"], changed["opening_min"]) == (None, 400)
    assert post(chief, f"bays/{row['id']}/remove") == changed
    assert not Bay.objects.exists()
    kept = Bay.history.order_by("history_id")
    assert [one.history_type for one in kept] == ["+", "~", "-"]
    assert {(one.history_user, one.history_change_reason) for one in kept} == {
        (people.supervisor, "api")
    }


def test_a_mechanic_is_entered_with_days_skills_and_who_it_is(
    people: Cast, chief: APIClient
) -> None:
    row = post(
        chief, "mechanics", 201, depot="plain", name="Mika", minutes=420, works_on="1111000",
        skills=["gas"], person="mika", **SAID,
    )  # fmt: skip
    assert row == {
        "id": row["id"], "name": "Mika", "minutes": 420, "works_on": "1111000",
        "skills": ["gas"], "person": "mika", "source": "said",
    }  # fmt: skip
    assert Mechanic.objects.get().person == people.mechanic
    post(chief, f"mechanics/{row['id']}/correct", name="Mika", **SAID)
    found = Mechanic.objects.get()
    assert (found.minutes, found.works_on, found.skills, found.person) == (480, "1111100", [], None)
    Absence.objects.create(mechanic=found, from_on="2026-07-01", until_on="2026-07-02")
    post(chief, f"mechanics/{row['id']}/remove")
    assert not Mechanic.objects.exists()
    assert not Absence.objects.exists()


def test_what_a_service_asks_for_is_entered_corrected_and_taken_away(
    oil: Service, chief: APIClient
) -> None:
    named = {"vehicle_type": "van", "service": "engine-oil"}
    row = post(chief, "service-needs", 201, **named, skills=["lift"], second_min=15, **SAID)
    assert row == {
        "id": row["id"], **named, "book_min": 30, "skills": ["lift"], "second_min": 15, **SAID,
    }  # fmt: skip
    assert chief.get(address("service-needs")).json() == {"rows": [row]}
    assert post(chief, f"service-needs/{row['id']}/correct", **SAID)["second_min"] == 0
    post(chief, f"service-needs/{row['id']}/remove")
    assert not ServiceNeed.objects.exists()


@pytest.mark.parametrize(
    ("where", "given", "status", "said"),
    [
        ("bays", {"depot": "plain", "name": "Ramp"}, 422, "already exists"),
        ("bays", {"depot": "hill", "name": "Pit"}, 404, "no such depot among yours"),
        ("bays", {"depot": "plain", "name": "Pit", "height_m": 0.2}, 400, "0.5"),
        ("bays", {"depot": "plain", "name": " "}, 400, "name"),
        ("mechanics", {"depot": "plain", "name": "Mia", "works_on": "11111xx"}, 422, "seven"),
        ("mechanics", {"depot": "plain", "name": "Mia", "minutes": 1_441}, 400, "1440"),
        ("mechanics", {"depot": "plain", "name": "Mia", "person": "vito"}, 400, "vito is nobody"),
        ("mechanics", {"depot": "plain", "name": "Mia", "person": "nobody"}, 400, "is nobody"),
        ("service-needs", {"vehicle_type": "van", "service": "tea"}, 400, "van has no service tea"),
        ("service-needs", {"vehicle_type": "van", "service": "engine-oil"}, 422, "already exists"),
    ],
)
def test_what_cannot_be_is_refused_in_words(
    people: Cast,
    oil: Service,
    chief: APIClient,
    where: str,
    given: dict[str, object],
    status: int,
    said: str,
) -> None:
    Bay.objects.create(depot=people.plain, name="Ramp", **SAID)
    ServiceNeed.objects.create(service=oil, **SAID)
    told = str(post(chief, where, status, **given, **SAID))
    assert said in told
    assert (Bay.objects.count(), Mechanic.objects.count(), ServiceNeed.objects.count()) == (1, 0, 1)


def test_a_bay_of_another_depot_is_not_found(people: Cast, chief: APIClient) -> None:
    bay = Bay.objects.create(depot=people.hill, name="Ramp", **SAID)
    post(chief, f"bays/{bay.pk}/correct", 404, name="Mine", **SAID)
    post(chief, f"bays/{bay.pk}/remove", 404)
    assert Bay.objects.get().name == "Ramp"


def test_the_same_request_sent_twice_enters_one_bay(chief: APIClient) -> None:
    for _ in range(2):
        answer = chief.post(
            address("bays"), {"depot": "plain", "name": "Ramp", **SAID}, format="json",
            headers={"Idempotency-Key": "once-1234"},
        )  # fmt: skip
        assert answer.status_code == 201
    assert Bay.objects.count() == 1
