from collections.abc import Iterator
from pathlib import Path

import pytest
from django.conf import settings
from django.test import Client
from django.urls import get_resolver
from django.urls.resolvers import URLPattern

from fleet.dashboard import urls
from fleet.people.attempts import LIMITS
from fleet.people.links import issue
from fleet.people.models import Person, Role

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def demo_folder() -> Iterator[None]:
    """Links work in a data folder marked demo only."""
    mark = Path(settings.DATA_DIR) / "demo"
    mark.touch()
    yield
    mark.unlink(missing_ok=True)


@pytest.fixture
def person() -> Person:
    return Person.objects.create_user("cleo", password="long enough 7", role=Role.CLERK)


def test_a_name_and_password_open_the_page_that_was_asked_for(person: Person) -> None:
    client = Client()
    assert client.get("/runs")["Location"] == "/sign-in?next=/runs"
    given = {"username": "cleo", "password": "long enough 7", "next": "/runs"}
    assert client.post("/sign-in", given)["Location"] == "/runs"


def test_a_wrong_password_is_refused_without_saying_which_part(person: Person) -> None:
    answer = Client().post("/sign-in", {"username": "cleo", "password": "wrong"})
    assert "do not fit together" in answer.content.decode()


def test_after_too_many_tries_the_page_says_to_wait(person: Person) -> None:
    client = Client()
    for _ in range(LIMITS["name and address"].failures):
        client.post("/sign-in", {"username": "cleo", "password": "wrong"})
    answer = client.post("/sign-in", {"username": "cleo", "password": "long enough 7"})
    assert "Too many tries" in answer.content.decode()


def test_another_site_is_never_the_next_page(person: Person) -> None:
    given = {"username": "cleo", "password": "long enough 7", "next": "//elsewhere.example"}
    assert Client().post("/sign-in", given)["Location"] == "/readings"


def test_a_link_signs_in_once(person: Person) -> None:
    link = issue(person)
    first, second = Client(), Client()
    assert first.get(link)["Location"] == "/readings"
    assert first.get("/runs").status_code == 200
    assert second.get(link).status_code == 403
    assert second.get("/runs").status_code == 302


def test_signing_out_ends_the_session(person: Person) -> None:
    client = Client()
    client.force_login(person)
    client.post("/sign-out")
    assert client.get("/runs").status_code == 302


# a script, and what whoever knows its secret may read (test_calendar)
OPEN = {"service-worker", "depot-calendar"}


def addresses() -> list[str]:
    """Every address of the pages with something in its places."""
    found = []
    for pattern in urls.urlpatterns:
        assert isinstance(pattern, URLPattern)
        if pattern.name and pattern.name not in OPEN and not pattern.name.startswith("sign-"):
            (possible,) = get_resolver().reverse_dict.getlist(pattern.name)
            template, names = possible[0][0]
            found.append("/" + template % {name: EXAMPLES[name] for name in names})
    return found


EXAMPLES = {
    "settlement_id": "1",
    "load_id": "1",
    "move_id": "1",
    "asked_id": "1",
    "sight": "both",
    "proposal_id": "1",
    "arrival_id": "1",
    "kind": "torque",
    "record_id": "1",
    "substitute_id": "1",
    "sent_id": "1",
    "what": "fleet",
    "ending": "csv",
    "view_id": "1",
    "fleet_number": "V-1",
    "service": "oil",
    "reading_id": "1",
    "upload_id": "1",
    "row_number": "1",
    "chart": "coverage",
    "drawing": "late",
    "number": "W-000001",
    "question_id": "1",
    "job_id": "1",
    "photo_id": "1",
    "finding_id": "1",
    "deferral_id": "1",
    "visit_id": "1",
    "feed_id": "1",
    "mark_id": "1",
    "token_id": "1",
    "person_id": "1",
    "slug": "an-oil-trial",
}


@pytest.mark.parametrize("address", addresses())
def test_without_signing_in_every_page_leads_to_the_sign_in(address: str) -> None:
    for answer in (Client().get(address), Client().post(address)):
        assert answer.status_code == 302
        assert answer["Location"].startswith("/sign-in?next=")
