"""Loading the answer to a form again asks for an address that only forms are sent to."""

from collections.abc import Callable

import pytest
from django.test import Client

from fleet.people.models import Person
from tests.cast import Cast

pytestmark = pytest.mark.django_db
SignedIn = Callable[[Person], Client]


@pytest.mark.parametrize("path", ["/readings/uploads", "/work-orders/release"])
def test_an_address_of_forms_says_so_and_leads_on(
    people: Cast, signed_in: SignedIn, path: str
) -> None:
    answer = signed_in(people.supervisor).get(path)
    assert (answer.status_code, answer["Allow"]) == (405, "POST")
    assert "takes what a form sends" in (page := answer.content.decode())
    assert "There is no such page" not in page
    assert 'href="/due"' in page
    assert "no-store" in answer["Cache-Control"]


def test_what_is_nowhere_is_told_apart(people: Cast, signed_in: SignedIn) -> None:
    answer = signed_in(people.supervisor).get("/nowhere")
    assert answer.status_code == 404
    assert "There is no such page" in (page := answer.content.decode())
    assert "takes what a form sends" not in page


def test_what_is_sent_where_there_is_only_a_page_is_refused_without_those_words() -> None:
    answer = Client().post("/calendar/nobody.ics")
    assert (answer.status_code, answer["Allow"]) == (405, "GET, HEAD")
    assert b"takes what a form sends" not in answer.content


def test_programs_are_told_as_programs_are(people: Cast, signed_in: SignedIn) -> None:
    answer = signed_in(people.supervisor).get("/api/v1/uploads/1/rows/1/correct")
    assert answer.status_code == 405
    assert answer["Content-Type"] == "application/problem+json"
