"""What the answers tell a browser about keeping, framing, asking and scripts."""

import pytest
from django.conf import settings
from django.test import Client, override_settings

from fleet.people.models import Person
from tests.cast import Cast
from tests.dashboard.test_untouched_forms import addresses


@pytest.fixture
def client(people: Cast) -> Client:
    people.supervisor.is_staff = True
    people.supervisor.save()
    client = Client()
    client.force_login(people.supervisor)
    return client


def pages() -> list[str]:
    files = ("/due.csv", "/stock.csv")
    return [*addresses([]), *files, "/admin/", "/api/v1/vehicles", "/nowhere", "/api/v1/nowhere"]


@pytest.mark.parametrize("page", pages())
def test_what_a_signed_in_person_sees_is_stored_nowhere(client: Client, page: str) -> None:
    # RFC 9111 section 5.2.2.5
    assert "no-store" in client.get(page)["Cache-Control"]


def test_by_tls_a_browser_is_told_to_stay_with_it_where_that_is_set(client: Client) -> None:
    assert "Strict-Transport-Security" not in client.get("/", secure=True)
    with override_settings(SECURE_HSTS_SECONDS=365 * 86_400):
        answer = Client().get("/", secure=True)  # RFC 6797 section 6.1.1: in seconds
    assert "max-age=31536000" in answer["Strict-Transport-Security"]


def test_a_session_ends_after_the_hours_that_are_set(client: Client) -> None:
    assert settings.SESSION_COOKIE_AGE == 336 * 3600
    assert client.session.get_expiry_age() == 336 * 3600


def test_signing_in_begins_a_new_session(people: Cast) -> None:
    Person.objects.create_user("ines", password="seven old vans")
    client = Client()
    client.cookies["sessionid"] = "chosen-by-somebody-else"
    client.post("/sign-in", {"username": "ines", "password": "seven old vans"})
    assert client.cookies["sessionid"].value != "chosen-by-somebody-else"
    assert client.cookies["sessionid"]["httponly"]
    assert client.cookies["sessionid"]["samesite"] == "Lax"


def test_a_name_that_is_not_ours_is_refused(client: Client) -> None:
    assert client.get("/", headers={"host": "elsewhere.example"}).status_code == 400


def test_a_form_without_its_mark_is_refused(people: Cast) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(people.supervisor)
    assert client.post("/runs/night").status_code == 403
    answer = client.post("/api/v1/runs/night", "{}", content_type="application/json")
    assert answer.status_code == 403


def test_no_script_or_style_of_a_page_itself_runs(client: Client) -> None:
    policy = client.get("/due")["Content-Security-Policy"]
    told = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert told["default-src"] == "'none'"
    assert told["script-src"] == told["style-src"] == "'self'"
    assert told["frame-ancestors"] == told["base-uri"] == "'none'"
