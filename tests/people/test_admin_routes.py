"""Every route of the administration × role × depot, as the table below says it by hand."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.contrib import admin
from django.db.models import Model
from django.test import Client
from django.urls import reverse

from fleet.people.models import Person, Role
from fleet.people.roles import managed_by
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits.models import Absence, Bay, Mechanic, Workshop
from fleet.workorders.models import LabourRate, Wrench
from tests.cast import Cast, oil_change, person
from tests.people.test_admin import signed_in

PASSWORD = "seven old vans"
SOON = "2027-01-31"
WIDE = ("changelist", "add")  # without a row
SEEN = {  # what a supervisor with leave to set up gets of a row of their own depot
    "change": 200,
    "history": 200,
    "simple_history": 200,
    "delete": 403,
    "user_password_change": 200,
}
NEVER = ("jsi18n", "autocomplete", "view_on_site", "app_list")  # of the site: no row, no table
OPEN = ("login", "logout", "index", "password_change", "password_change_done")
TAKEN_AWAY = (Workshop, Bay, Mechanic, Absence)  # by who sets up; all else by a superuser


def routes() -> Iterator[tuple[type[Model], str]]:
    for model, table in admin.site._registry.items():
        for url in table.urls:
            if url.name is not None:
                yield model, url.name


def what(name: str) -> str:
    """The last words of a route's name."""
    known = [*SEEN, *WIDE]
    return max((word for word in known if name.endswith(word)), key=len)


def address(name: str, row: Model | None) -> str:
    if row is None:
        return reverse(f"admin:{name}")
    version = row.history.latest().history_id if what(name) == "simple_history" else None  # type: ignore[attr-defined]
    return reverse(f"admin:{name}", args=[row.pk] if version is None else [row.pk, version])


@pytest.fixture
def both(people: Cast) -> Person:
    return person("Bodo", Role.CLERK, people.plain, people.hill)


@pytest.fixture
def own(people: Cast) -> list[Model]:
    oil_change(people)
    of_depots = {Person, Depot, Vehicle, Wrench, LabourRate, Workshop, Bay, Mechanic, Absence}
    shared = [model.objects.first() for model in admin.site._registry if model not in of_depots]
    return [
        *(row for row in shared if row is not None),
        people.clerk,
        people.van,
        people.plain,
        Wrench.objects.create(tag="W-1", depot=people.plain, calibrated_until_on=SOON),
        LabourRate.objects.create(depot=people.plain, rate_minor_per_h=5000, source="invented"),
        *workshop_rows(people.plain, people.van),
    ]


@pytest.fixture
def foreign(people: Cast, both: Person) -> list[Model]:
    chief = Person.objects.create_superuser("chief")
    chief.depots.add(people.plain)
    return [
        people.outsider,
        person("Nemo", Role.VIEWER),  # of no depot
        both,
        chief,
        people.supervisor,  # nobody changes their own role here
        people.hill_van,
        people.hill,
        Wrench.objects.create(tag="W-2", depot=people.hill, calibrated_until_on=SOON),
        LabourRate.objects.create(depot=people.hill, rate_minor_per_h=5000, source="invented"),
        *workshop_rows(people.hill, people.hill_van),
    ]


def workshop_rows(depot: Depot, van: Vehicle) -> list[Model]:
    mechanic = Mechanic.objects.create(depot=depot, name="Mia", source="invented")
    return [
        Workshop.objects.create(depot=depot, source="invented"),
        Bay.objects.create(depot=depot, name="Lift", source="invented"),
        mechanic,
        Absence.objects.create(mechanic=mechanic, from_on=SOON, until_on=SOON),
        Absence.objects.create(vehicle=van, from_on=SOON, until_on=SOON),
    ]


def about(rows: list[Model]) -> Iterator[tuple[str, Model | None]]:
    """Each route with each row that it can be about."""
    for model, name in routes():
        if what(name) in WIDE:
            yield name, None
        else:
            yield from ((name, row) for row in rows if type(row) is model)


def test_every_route_of_the_site_is_thought_of() -> None:
    found = {url.name for url in admin.site.get_urls() if getattr(url, "name", None)}
    assert found == {*NEVER, *OPEN}
    assert {what(name) for _, name in routes()} == {*SEEN, *WIDE}


@pytest.mark.any_database  # what a role may is asked of the person, before any row
@pytest.mark.parametrize("role", Role)
def test_another_role_or_a_supervisor_without_leave_to_set_up_gets_nothing(
    people: Cast, own: list[Model], role: Role
) -> None:
    someone = person("Ada", role, people.plain)
    client = signed_in(someone, staff=role != Role.SUPERVISOR)
    for name, row in about(own):
        for ask in (client.get, client.post):
            assert ask(address(name, row)).status_code == 403, (name, row)


def test_a_supervisor_gets_the_rows_of_their_own_depot(people: Cast, own: list[Model]) -> None:
    client = signed_in(people.supervisor)
    for name, row in about(own):
        answer = client.get(address(name, row))
        alone = name in {"vehicles_depot_add", "people_person_add"}  # for a superuser
        goes = what(name) == "delete" and type(row) in TAKEN_AWAY
        seen = 200 if goes else SEEN.get(what(name), 200)
        assert answer.status_code == (403 if alone else seen), (name, row)


def test_of_others_a_supervisor_gets_nothing_and_changes_nothing(
    people: Cast, foreign: list[Model]
) -> None:
    client = signed_in(people.supervisor)
    everybody = Person.objects.in_bulk()
    given = {
        "password1": PASSWORD,
        "password2": PASSWORD,
        "usable_password": "true",
        "username": "taken",
        "role": "supervisor",
    }
    for name, row in about(foreign):
        if row is None:
            continue
        for answer in (client.get(address(name, row)), client.post(address(name, row), given)):
            assert answer.status_code == 404, (name, row)
    for pk, before in everybody.items():
        now = Person.objects.get(pk=pk)
        assert (now.username, now.role, now.password) == (
            before.username, before.role, before.password,
        )  # fmt: skip


def test_no_page_names_people_beyond_ones_own(
    people: Cast, own: list[Model], foreign: list[Model]
) -> None:
    client = signed_in(people.supervisor)
    for name, row in about(own):
        seen = client.get(address(name, row)).content.decode()
        # as words: a mark against forged forms is drawn, and may spell anybody
        assert not re.search(r"(?i)\b(otto|nemo|bodo|chief)\b", seen), (name, row)


def test_a_supervisor_takes_nobody_in_to_their_depot_by_the_administration(
    people: Cast, own: list[Model], foreign: list[Model]
) -> None:
    client = signed_in(people.supervisor)
    none = {"TOTAL_FORMS": 0, "INITIAL_FORMS": 0}
    rows = {f"{prefix}-{k}": v for prefix in ("climate", "closures") for k, v in none.items()}
    nemo = Person.objects.get(username="nemo")
    form: dict[str, Any] = {
        "slug": "plain", "name": "Plain", "zone": "Europe/Berlin", "working_days": "1111100",
        "source": "invented", "people": [nemo.pk], **rows,
    }  # fmt: skip
    before = set(people.plain.people.all())
    assert client.post(address("vehicles_depot_change", people.plain), form).status_code == 302
    assert set(people.plain.people.all()) == before


def test_a_form_as_it_was_is_read_only(people: Cast) -> None:
    client = signed_in(people.supervisor)
    where = address("people_person_simple_history", people.clerk)
    assert client.post(where, {"username": "cleo", "role": "supervisor"}).status_code == 403
    people.clerk.refresh_from_db()
    assert people.clerk.role == Role.CLERK


def test_nobody_manages_who_reaches_further(people: Cast, both: Person) -> None:
    deputy = person("Dora", Role.SUPERVISOR, people.plain)
    chief = Person.objects.create_superuser("chief")
    chief.depots.add(people.plain)
    nemo = person("Nemo", Role.VIEWER)
    plain = {people.mechanic, people.clerk, people.viewer, deputy}
    assert set(managed_by(people.supervisor)) == plain
    deputy.is_staff = True  # has leave to set up, which the supervisor lacks
    deputy.save()
    assert set(managed_by(people.supervisor)) == plain - {deputy}
    assert not managed_by(people.clerk).exists()
    assert set(managed_by(chief)) == {*plain, people.supervisor, people.outsider, both, nemo}


def test_a_password_of_who_has_leave_to_set_up_is_out_of_reach_on_the_page(people: Cast) -> None:
    deputy = person("Dora", Role.SUPERVISOR, people.plain)
    deputy.is_staff = True
    deputy.save()
    client = Client()
    client.force_login(people.supervisor)
    page = f"/people-and-tokens/people/{deputy.pk}"
    assert client.post(page, {"change": "password"}).status_code == 404


def test_nobody_gets_in_without_signing_in(people: Cast, own: list[Model]) -> None:
    for name, row in about(own):
        answer = Client().get(address(name, row))
        assert (answer.status_code, answer["Location"].partition("?")[0]) == (302, "/sign-in")
