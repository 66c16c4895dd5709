import json
import re
from typing import Any

import pytest
from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema
from rest_framework.test import APIClient

from tests.api.conftest import Caller
from tests.api.routes import BASE, address, routes
from tests.cast import Cast

FEWEST_WORDS = 4  # below that a description repeats the name; our choice


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    GENERATOR_STATS.reset()
    made: dict[str, Any] = SchemaGenerator().get_schema(request=None, public=True)
    return json.loads(json.dumps(made, default=str))


def operations(schema: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (method.upper(), path, operation)
        for path, found in schema["paths"].items()
        for method, operation in found.items()
    ]


def test_it_is_valid_openapi_3_1(schema: dict[str, Any]) -> None:
    validate_schema(schema)
    assert schema["openapi"] == "3.1.0"


def test_it_is_made_without_a_warning(schema: dict[str, Any]) -> None:
    assert dict(GENERATOR_STATS._warn_cache) == {}
    assert dict(GENERATOR_STATS._error_cache) == {}


def test_it_names_every_route_and_no_other(schema: dict[str, Any]) -> None:
    written = {(method, path) for method, path, _ in operations(schema)}
    there = {
        (method, address(re.sub(r"<\w+:(\w+)>", r"{\1}", pattern))) for method, pattern in routes()
    }
    assert written == there - {("GET", f"{BASE}/schema")}


def test_every_operation_says_in_words_of_its_own_what_it_does(schema: dict[str, Any]) -> None:
    told: dict[str, list[str]] = {}
    for method, path, operation in operations(schema):
        words = operation.get("description", "").split()
        told.setdefault(" ".join(words).lower(), []).append(f"{method} {path}")
    assert {words: of for words, of in told.items() if len(words.split()) < FEWEST_WORDS} == {}
    assert {words: of for words, of in told.items() if len(of) > 1} == {}


def test_every_operation_tells_its_refusals(schema: dict[str, Any]) -> None:
    for _, _, operation in operations(schema):
        for status in ("400", "401", "403", "404", "429"):
            content = operation["responses"][status]["content"]
            assert list(content) == ["application/problem+json"]


def test_changes_name_the_condition_and_repeats_the_key(schema: dict[str, Any]) -> None:
    headers = {
        (method, path.removeprefix(BASE)): {
            parameter["name"]
            for parameter in operation.get("parameters", [])
            if parameter["in"] == "header"
        }
        for method, path, operation in operations(schema)
    }
    assert headers["PATCH", "/vehicles/{fleet_number}"] == {"If-Match"}
    both = {"If-Match", "Idempotency-Key"}
    assert headers["POST", "/readings/{reading_id}/settle"] == both
    assert headers["POST", "/work-orders/{number}/finish"] == both
    assert headers["POST", "/jobs/{job_id}/torque"] == {"Idempotency-Key"}
    repeatable = {path for (method, path), names in headers.items() if "Idempotency-Key" in names}
    assert repeatable == {path for method, path in headers if method == "POST"}


def test_names_of_choices_are_settled(schema: dict[str, Any]) -> None:
    names = {name for name, shape in schema["components"]["schemas"].items() if "enum" in shape}
    assert names == {
        "Action", "BindingLimit", "Blank", "By", "CheckOutcome", "DistanceUnit", "DueState",
        "DutyClass", "EscalationAnswer", "EscalationStage", "FindingKind", "FitForUse",
        "Draw", "FluidWay", "FoundBy", "GapKind", "ItemKind", "ItemUnit",
        "JobEnd", "JobReason", "JobState", "JoinedAs", "MeterKind",
        "MonthToldOutcome", "MoveGivenKind", "MoveKind", "OrderState", "Outcome",
        "Powertrain", "Protocol", "Raising", "ReadingUnit", "RecordWrong",
        "ReporterKind", "RunState", "ServiceKind", "Severity", "Source", "TrialAssignment",
        "TrialResultState",
        "UploadState", "VehicleStatus", "Verdict", "Warmth", "WhatIfState", "Where", "WorkEnding",
        "WorkKind",
    }  # fmt: skip


@pytest.fixture
def client(people: Cast, call: Caller) -> APIClient:
    return call(people.viewer)


@pytest.mark.parametrize(
    ("query", "kind"), [("", "application/vnd.oai.openapi"), ("?format=json", "json")]
)
def test_it_is_served_to_whoever_is_signed_in(client: APIClient, query: str, kind: str) -> None:
    answer = client.get(address("schema") + query)
    assert answer.status_code == 200
    assert kind in answer["Content-Type"]


def test_the_index_leads_everywhere(people: Cast, call: Caller) -> None:
    client = call(people.supervisor)
    index = client.get(BASE).json()
    for where in (index["schema"], *index["lists"].values()):
        assert client.get(where).status_code == 200
