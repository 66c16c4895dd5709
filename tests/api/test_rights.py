from datetime import timedelta

import pytest
from django.http import HttpResponse
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.people.models import Person, Role
from fleet.readings.models import Reading, Upload
from tests.api.conftest import Caller
from tests.api.rights_table import table
from tests.api.routes import address, routes
from tests.cast import Cast, person
from tests.cast import vehicle as new_vehicle

ALLOWED = {True: "yes", False: "no"}
CASES = [(method, pattern) for method, pattern in table()]


def test_the_table_names_every_route_and_no_other() -> None:
    assert set(table()) == set(routes())


@pytest.fixture
def client() -> APIClient:
    return APIClient()


@pytest.mark.parametrize(("method", "pattern"), [*CASES, ("GET", "nowhere"), ("POST", "nowhere")])
def test_nobody_gets_in_without_signing_in(
    db: None, client: APIClient, method: str, pattern: str
) -> None:
    for spelling in (address(pattern), address(pattern) + "/"):
        answer = client.generic(method, spelling)
        assert answer.status_code == 401
        assert answer["Content-Type"] == "application/problem+json"
        assert answer["WWW-Authenticate"].startswith("Bearer")


@pytest.fixture
def reading(running: Cast) -> Reading:
    return Reading.objects.filter(vehicle=running.van).latest("id")


@pytest.fixture
def upload(running: Cast) -> Upload:
    return Upload.objects.create(
        name="yard.csv", hash="0" * 64, size_bytes=1, person=running.supervisor
    )


def ask(
    client: APIClient, method: str, pattern: str, reading: Reading, upload: Upload, number: str
) -> HttpResponse:
    where = address(
        pattern,
        fleet_number=number,
        service="engine-oil",
        reading_id=reading.pk,
        upload_id=upload.pk,
    )
    today = timezone.now().date()
    given = {
        "readings": {"rows": [{"vehicle": number, "value": 1, "taken_on": str(today)}]},
        "readings/telematics": {"frames": [{"vehicle": number, "protocol": "obd2"}]},
        "readings/<int:reading_id>/settle": {"action": "reject", "reason": "typed by mistake"},
        "duty/overrides": {
            "vehicle": number,
            "compartment": "engine",
            "duty_class": "severe",
            "from_on": str(today),
            "until_on": str(today + timedelta(days=30)),
            "reason": "tows a trailer",
        },
    }.get(pattern, {})
    body = None if method == "GET" else given
    return client.generic(
        method,
        where,
        None if body is None else _json(body),
        "application/json",
        headers={"If-Match": "*"},
    )


def _json(body: object) -> str:
    import json

    return json.dumps(body)


@pytest.mark.parametrize("role", Role)
@pytest.mark.parametrize(("method", "pattern"), CASES)
def test_a_role_may_exactly_what_the_table_says(
    running: Cast,
    reading: Reading,
    upload: Upload,
    call: Caller,
    method: str,
    pattern: str,
    role: Role,
) -> None:
    caller = person("Case", role, running.plain)
    answer = ask(call(caller), method, pattern, reading, upload, running.van.fleet_number)
    assert (answer.status_code != 403) is table()[method, pattern][role]
    assert answer.status_code not in {401, 404, 405, 500}


OF_ONE_VEHICLE = [(m, p) for m, p in CASES if "<" in p or p == "duty/overrides" and m == "POST"]


@pytest.mark.parametrize(("method", "pattern"), OF_ONE_VEHICLE)
def test_beyond_ones_depots_nothing_is_found(
    running: Cast, reading: Reading, upload: Upload, call: Caller, method: str, pattern: str
) -> None:
    answer = ask(call(running.outsider), method, pattern, reading, upload, running.van.fleet_number)
    assert answer.status_code == 404
    assert answer["Content-Type"] == "application/problem+json"


LISTS = ("vehicles", "readings", "usage", "duty", "due-dates", "uploads", "duty/overrides")


@pytest.mark.parametrize("pattern", LISTS)
def test_a_list_shows_nothing_of_another_depot(
    running: Cast, upload: Upload, call: Caller, pattern: str
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
