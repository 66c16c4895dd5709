from datetime import UTC, datetime

import pytest
from django.test import Client
from rest_framework.test import APIClient

from fleet.people import tokens
from fleet.people.models import Person, Token
from tests.api.routes import address
from tests.cast import Cast

PASSWORD = "seven old vans"


def with_token(person: Person, *scopes: str, depots: list[object] | None = None) -> APIClient:
    _, secret = tokens.issue(person=person, label="test", scopes=scopes, days=1, depots=depots)
    return APIClient(headers={"Authorization": f"Bearer {secret}"})


def test_a_token_opens_what_its_scope_names(people: Cast) -> None:
    answer = with_token(people.clerk, "vehicles:read").get(address("vehicles"))
    assert [row["fleet_number"] for row in answer.json()["rows"]] == ["V-101", "V-102"]


@pytest.mark.parametrize(
    ("method", "pattern"),
    [("GET", "due-dates"), ("PATCH", "vehicles/V-101"), ("POST", "readings")],
)
def test_a_token_opens_nothing_beyond_its_scope(people: Cast, method: str, pattern: str) -> None:
    client = with_token(people.supervisor, "vehicles:read", "readings:read")
    answer = client.generic(method, address(pattern), "{}", "application/json")
    assert answer.status_code == 403
    assert "lacks the scope" in answer.json()["detail"]


def test_a_scope_gives_no_right_that_the_role_lacks(people: Cast) -> None:
    answer = with_token(people.viewer, "readings:write").post(address("readings"))
    assert answer.status_code == 403
    assert "role" in answer.json()["detail"]


def test_a_token_opens_only_its_own_depots(people: Cast) -> None:
    people.clerk.depots.add(people.hill)
    client = with_token(people.clerk, "vehicles:read", depots=[people.hill])
    rows = client.get(address("vehicles")).json()["rows"]
    assert [row["fleet_number"] for row in rows] == ["V-201"]
    assert client.get(address("vehicles/V-101")).status_code == 404


def test_a_depot_taken_from_the_person_is_closed_to_the_token(people: Cast) -> None:
    client = with_token(people.clerk, "vehicles:read")
    people.clerk.depots.clear()
    assert client.get(address("vehicles")).json()["rows"] == []


@pytest.mark.parametrize("header", ["Bearer wrong", "Bearer", "Bearer \xff", "Basic YTpi"])
def test_another_key_is_refused(people: Cast, header: str) -> None:
    answer = APIClient(headers={"Authorization": header}).get(address("vehicles"))
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"].startswith("Bearer")
    assert answer["Content-Type"] == "application/problem+json"


def test_a_revoked_token_is_refused(people: Cast) -> None:
    client = with_token(people.clerk, "vehicles:read")
    tokens.revoke(Token.objects.get().pk, datetime(2026, 3, 2, tzinfo=UTC))
    assert client.get(address("vehicles")).status_code == 401


def test_the_use_of_a_token_shows(people: Cast) -> None:
    with_token(people.clerk, "vehicles:read").get(address("vehicles"))
    assert Token.objects.get().last_used_on is not None


@pytest.fixture
def page(people: Cast) -> Client:
    people.supervisor.set_password(PASSWORD)
    people.supervisor.save()
    client = Client(enforce_csrf_checks=True)
    assert client.login(username="sura", password=PASSWORD)
    return client


def test_a_signed_in_page_may_read(page: Client) -> None:
    assert page.get(address("vehicles")).status_code == 200


def test_a_foreign_page_cannot_write_in_a_persons_name(page: Client) -> None:
    answer = page.post(address("readings"), {}, "application/json")
    assert answer.status_code == 403
    assert "CSRF" in answer.json()["detail"]


def test_a_token_needs_no_csrf_token(people: Cast) -> None:
    _, secret = tokens.issue(person=people.clerk, label="yard", scopes=["readings:write"], days=1)
    client = Client(enforce_csrf_checks=True, headers={"Authorization": f"Bearer {secret}"})
    assert client.post(address("readings"), {}, "application/json").status_code == 400
