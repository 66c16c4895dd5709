"""Loads of the workbook by API. What they do is counted from the book of ``changed_book``: a depot,
a van and its stay are added, a note and an interval changed."""

import pytest
from django.test import Client
from rest_framework.test import APIClient

from fleet.people import tokens
from fleet.people.models import Person, Role
from fleet.vehicles.models import Depot, Vehicle
from fleet.workbook.models import Load
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import person
from tests.kept import kept
from tests.workbook.small import load_small, small_workbook
from tests.workbook.test_withdraw import LATER, WHY, changed_book, everything

pytestmark = pytest.mark.django_db


@kept
def load() -> Load:
    """A small fleet, and then a second book of it."""
    load_small(small_workbook())
    return Load.objects.get(pk=load_small(changed_book(), LATER).number)


@kept
def chief_person(load: Load) -> Person:
    return person("Sura", Role.SUPERVISOR, *Depot.objects.all())


@pytest.fixture
def chief(chief_person: Person, call: Caller) -> APIClient:
    return call(chief_person)


def at(load: Load, what: str = "") -> str:
    return address(f"workbook-loads/{load.pk}{what}")


def test_loads_are_listed_newest_first(load: Load, chief: APIClient) -> None:
    newest, first = chief.get(address("workbook-loads")).json()["rows"]
    assert (newest["id"], newest["withdrawn_at"]) == (load.pk, None)
    assert first["id"] < newest["id"]


def test_one_load_says_how_many_rows_it_wrote(load: Load, chief: APIClient) -> None:
    told = chief.get(at(load)).json()
    assert (told["rows_added"], told["rows_changed"], told["stays"]) == (3, 2, [])


def test_what_withdrawing_would_do_is_told_and_not_done(load: Load, chief: APIClient) -> None:
    before = everything()
    told = chief.get(at(load, "/withdrawal")).json()
    assert (told["restored"], told["removed"], told["stay"], told["stays"]) == (2, 3, 0, [])
    van = next(one for one in told["goes"] if one["sheet"] == "Vehicles" and one["key"] == "V-2")
    assert (van["row"], van["what"]) == (3, "removed")  # below the headings and V-1
    assert everything() == before


def test_a_load_is_withdrawn_once_for_each_key(load: Load, chief: APIClient) -> None:
    seen = chief.get(at(load, "/withdrawal")).json()
    given, key = {"reason": WHY, "seen": seen["seen"]}, {"Idempotency-Key": "once-only"}
    answers = [
        chief.post(at(load, "/withdraw"), given, format="json", headers=key) for _ in range(2)
    ]
    assert [one.status_code for one in answers] == [200, 200]
    assert answers[0].json() == answers[1].json() == seen
    assert not Vehicle.objects.filter(fleet_number="V-2").exists()
    told = chief.get(at(load)).json()
    assert (told["withdrawn_by"], told["withdrawn_why"]) == ("sura", WHY)
    again = chief.post(at(load, "/withdraw"), given, format="json")
    assert again.status_code == 409
    assert again.json()["errors"][0]["code"] == "refused_as_it_stands"
    assert chief.get(at(load, "/withdrawal")).status_code == 409


def test_what_has_changed_since_it_was_seen_is_not_done(load: Load, chief: APIClient) -> None:
    seen = chief.get(at(load, "/withdrawal")).json()["seen"]
    Vehicle.objects.filter(fleet_number="V-2").update(note="needed")
    refused = chief.post(at(load, "/withdraw"), {"reason": WHY, "seen": seen}, format="json")
    assert refused.status_code == 409
    assert "look at it once more" in refused.json()["detail"]
    given = {"reason": WHY}
    stays = chief.post(at(load, "/withdraw"), given, format="json").json()["stays"]
    assert ("Vehicles", "V-2") in {(one["sheet"], one["key"]) for one in stays}
    assert chief.get(at(load)).json()["stays"] == stays


def test_a_reason_is_asked_for(load: Load, chief: APIClient) -> None:
    for given in ({}, {"reason": " "}, {"reason": "w" * 301}):  # as much as is kept
        refused = chief.post(at(load, "/withdraw"), given, format="json")
        assert refused.status_code == 400
        assert refused.json()["errors"][0]["pointer"] == "#/reason"
    assert Load.objects.get(pk=load.pk).withdrawn_at is None


def test_page_and_api_tell_the_same(load: Load, chief_person: Person, chief: APIClient) -> None:
    told = chief.get(at(load, "/withdrawal")).json()
    page = Client()
    page.force_login(chief_person)
    shown = page.get(f"/workbook/loads/{load.pk}").content.decode()
    assert f'value="{told["seen"]}"' in shown
    assert f"{told['restored']} rows would be as before the load" in shown


def narrowed(who: Person) -> APIClient:
    """A client whose token opens one depot of two."""
    one = Depot.objects.filter(slug="plain")
    _, secret = tokens.issue(person=who, label="t", scopes=tokens.SCOPES, days=1, depots=one)
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {secret}")
    return client


def test_who_does_not_reach_every_depot_finds_no_load(
    load: Load, chief_person: Person, call: Caller
) -> None:
    of_one = person("Otto", Role.SUPERVISOR, Depot.objects.get(slug="hill"))
    for client in (call(of_one), narrowed(chief_person)):
        assert client.get(address("workbook-loads")).json()["rows"] == []
        for what in ("", "/withdrawal"):
            assert client.get(at(load, what)).status_code == 404
        post = client.post(at(load, "/withdraw"), {"reason": WHY}, format="json")
        assert post.status_code == 404
    assert Load.objects.get(pk=load.pk).withdrawn_at is None


def test_a_token_needs_the_scope(load: Load, chief_person: Person) -> None:
    _, secret = tokens.issue(person=chief_person, label="t", scopes=["uploads:read"], days=1)
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {secret}")
    refused = client.get(address("workbook-loads"))
    assert refused.status_code == 403
    assert "workbook:read" in refused.json()["detail"]
