"""Every operation with many bodies and parameters, fit and unfit: it never breaks and always
answers as the schema says."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.db import close_old_connections, transaction
from drf_spectacular.generators import SchemaGenerator
from hypothesis import HealthCheck, given, settings
from pytest_django import Settings
from schemathesis import Case, GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from config.settings import SERVED
from config.wsgi import application
from fleet.people import tokens
from tests.cast import Cast

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
SCHEMA = schemathesis.openapi.from_dict(SchemaGenerator().get_schema(request=None, public=True))
SCHEMA.app = application
OPERATIONS = [found.ok() for found in SCHEMA.get_all_operations()]
EXAMPLES = 2 if SERVED else 1  # of each kind; our choice: PostgreSQL refuses more; more in .ci/long


@pytest.fixture
def some(request: pytest.FixtureRequest) -> settings:
    """How many requests of each kind are drawn; a fault found once is found again."""
    return settings(
        max_examples=request.config.getoption("--requests") or EXAMPLES,
        deadline=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
        database=None,
    )


@pytest.fixture(autouse=True)
def many_calls(monkeypatch: pytest.MonkeyPatch, settings: Settings, tmp_path: Path) -> None:
    rates = {"user": "1000000/min"}
    monkeypatch.setattr("rest_framework.throttling.UserRateThrottle.THROTTLE_RATES", rates)
    settings.DATA_DIR = tmp_path
    settings.MEDIA_ROOT = tmp_path / "files"


@pytest.fixture(autouse=True)
def one_connection() -> Iterator[None]:
    """The requests stay within the transaction of the test."""
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


@pytest.fixture
def headers(running: Cast) -> dict[str, str]:
    running.supervisor.depots.add(running.hill)  # whoever reaches every depot finds everything
    _, secret = tokens.issue(person=running.supervisor, label="test", scopes=tokens.SCOPES, days=1)
    return {"Authorization": f"Bearer {secret}", "Host": "localhost"}


@contextmanager
def undone() -> Iterator[None]:
    """What is asked leaves nothing behind for the next."""
    before = transaction.savepoint()
    try:
        yield
    finally:
        transaction.savepoint_rollback(before)


@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
def test_any_request_is_answered_as_the_schema_says(
    mode: GenerationMode, headers: dict[str, str], some: settings, subtests: pytest.Subtests
) -> None:
    for operation in OPERATIONS:

        @some
        @given(operation.as_strategy(generation_mode=mode))
        def ask(case: Case) -> None:
            answer = case.call_and_validate(headers=headers, checks=CHECKS)
            assert answer.status_code != 401

        with subtests.test(operation.label), undone():
            ask()


MAY_BE_GONE = ("/withdraw", "/mend", "/correct", "/remove")  # by the first, or a vehicle named
SAYS_A_VERSION = "/visits/{visit_id}/"  # in its body, drawn like the rest: seldom the plan's own
OF_ONE = [operation for operation in OPERATIONS if "{" in operation.path]


def test_any_request_about_something_there_is_answered_as_the_schema_says(
    headers: dict[str, str],
    there: dict[str, object],
    some: settings,
    subtests: pytest.Subtests,
) -> None:
    matching = {"If-Match": "*", **headers}
    for operation in OF_ONE:

        @some
        @given(operation.as_strategy(generation_mode=GenerationMode.POSITIVE))
        def ask(case: Case) -> None:
            case.path_parameters = {name: there[name] for name in case.path_parameters}
            answer = case.call_and_validate(headers=matching, checks=CHECKS)
            may_be = case.operation.path.endswith(MAY_BE_GONE) or case.method == "DELETE"
            gone = {404} if may_be else set()
            stale = {412} if SAYS_A_VERSION in case.operation.path else set()
            assert answer.status_code not in {401, 404, 412, 428} - gone - stale

        with subtests.test(operation.label), undone():
            ask()
