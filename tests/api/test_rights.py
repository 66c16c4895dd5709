import json
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

import pytest
from django.db import transaction
from django.http import HttpResponse
from rest_framework.test import APIClient

from fleet.api.urls import lists
from fleet.people.models import Person, Role
from fleet.readings.models import Reading
from fleet.vehicles.models import Depot
from tests.api.conftest import Caller, bodies
from tests.api.rights_table import table
from tests.api.routes import address, routes
from tests.cast import Cast, person
from tests.cast import vehicle as new_vehicle

WHOLE_FLEET = "workbook-loads"  # found by whoever reaches every depot
ALLOWED = {True: "yes", False: "no"}
CASES = [(method, pattern) for method, pattern in table()]


def test_the_table_names_every_route_and_no_other() -> None:
    assert set(table()) == set(routes())


@pytest.fixture
def client() -> APIClient:
    return APIClient()


@pytest.fixture
def each_by_itself(subtests: pytest.Subtests) -> Callable[[str], AbstractContextManager[None]]:
    """One case of many about the same rows, which are as before for the next."""

    @contextmanager
    def case(name: str) -> Iterator[None]:
        with subtests.test(name):
            before = transaction.savepoint()
            try:
                yield
            finally:
                transaction.savepoint_rollback(before)

    return case


Each = Callable[[str], AbstractContextManager[None]]


@pytest.mark.any_database  # whoever is not signed in is sent away before any row is read
@pytest.mark.parametrize(("method", "pattern"), [*CASES, ("GET", "nowhere"), ("POST", "nowhere")])
def test_nobody_gets_in_without_signing_in(
    db: None, client: APIClient, method: str, pattern: str
) -> None:
    for spelling in (address(pattern), address(pattern) + "/"):
        answer = client.generic(method, spelling)
        assert answer.status_code == 401
        assert answer["Content-Type"] == "application/problem+json"
        assert answer["WWW-Authenticate"].startswith("Bearer")


def ask(client: APIClient, method: str, pattern: str, there: dict[str, object]) -> HttpResponse:
    """The operation about something that is there, with a body that fits it."""
    kind = "multipart/form-data; boundary=x" if pattern.endswith("photos") else "application/json"
    body = b"--x--" if pattern.endswith("photos") else json.dumps(bodies(there).get(pattern, {}))
    return client.generic(
        method,
        address(pattern, **there),
        "" if method == "GET" else body,
        kind,
        headers={"If-Match": "*"},
    )


# what a role may is asked of the person, before any row: one role does it all on both databases
ROLES = [
    pytest.param(role, marks=[] if role == Role.SUPERVISOR else pytest.mark.any_database)
    for role in Role
]


@pytest.mark.parametrize("role", ROLES)
def test_a_role_may_exactly_what_the_table_says(
    running: Cast, there: dict[str, object], call: Caller, each_by_itself: Each, role: Role
) -> None:
    of_one, of_all = (
        call(person(f"{name} {role}", role, *depots))
        for name, depots in {"Case": [running.plain], "Whole": Depot.objects.all()}.items()
    )
    for method, pattern in CASES:
        with each_by_itself(f"{method} {pattern}"):
            caller = of_all if pattern.startswith(WHOLE_FLEET) else of_one
            answer = ask(caller, method, pattern, there)
            assert (answer.status_code != 403) is table()[method, pattern][role]
            assert answer.status_code not in {401, 404, 405, 500}


ABOUT_A_VEHICLE = {
    *("duty/overrides", "work-orders", "work-orders/outside", "findings", "do-not-use"),
    *("deferrals", "substitutes", "chosen-fluids", "stock-moves", "used-fluid"),
    *("plan", "visits/publish", "other-work", "absences", "blocked-days"),
    *("bays", "mechanics"),
}
OF_ONE_VEHICLE = [
    (m, p)
    for m, p in CASES
    if ("<" in p and not p.startswith("service-needs/")) or (p in ABOUT_A_VEHICLE and m == "POST")
]


def test_beyond_ones_depots_nothing_is_found(
    running: Cast, there: dict[str, object], call: Caller, each_by_itself: Each
) -> None:
    outsider = call(running.outsider)
    for method, pattern in OF_ONE_VEHICLE:
        with each_by_itself(f"{method} {pattern}"):
            answer = ask(outsider, method, pattern, there)
            assert answer.status_code == 404
            assert answer["Content-Type"] == "application/problem+json"


LISTS = (
    *("vehicles", "readings", "usage", "duty", "due-dates", "uploads", "duty/overrides"),
    "settlements",
    *("work-orders", "work-orders?planned_on=today&expand=card", "findings", "do-not-use"),
    *("deferrals", "escalations", "on-time", "trials", "stock", "stock-moves", "chosen-fluids"),
    *("costs", "used-fluid", "plan", "visits", "workshop-days", "promises", "restrictions"),
    *("other-work", "demand", "order-proposals", "transfer-proposals", "what-ifs"),
    "workshops",
    "workbook-loads",
)
OF_NO_DEPOT = {"items", "check-figures", "calibration", "runs", "service-needs"}


def test_every_list_is_tried_here_or_belongs_to_no_depot() -> None:
    assert {one.split("?")[0] for one in LISTS} | OF_NO_DEPOT == set(lists())


@pytest.mark.parametrize("pattern", LISTS)
def test_a_list_shows_nothing_of_another_depot(
    running: Cast, there: dict[str, object], call: Caller, pattern: str
) -> None:
    answer = call(running.outsider).get(address(pattern))
    assert answer.status_code == 200
    assert "V-10" not in answer.content.decode()
    assert "yard.csv" not in answer.content.decode()


def test_a_person_without_depots_sees_empty_lists(running: Cast, call: Caller) -> None:
    nobody: Person = person("Nemo", Role.SUPERVISOR)
    for pattern in LISTS:
        assert call(nobody).get(address(pattern)).json()["rows"] == []


def test_a_row_for_a_vehicle_of_another_depot_is_an_unknown_vehicle(
    running: Cast, call: Caller
) -> None:
    given = {"rows": [{"vehicle": "V-201", "value": 9000, "taken_on": "2026-01-05"}]}
    answer = call(running.clerk).post(address("readings"), given, format="json")
    assert answer.json()["counts"] == {"unknown vehicle": 1}
    assert not Reading.objects.filter(value=9000).exists()


def test_a_depot_asked_for_by_name_opens_nothing_more(running: Cast, call: Caller) -> None:
    new_vehicle("V-202", running.hill, running.van_type)
    for pattern in ("vehicles", "readings", "usage", "due-dates"):
        answer = call(running.clerk).get(address(pattern), {"depot": "hill"})
        assert answer.json()["rows"] == []
