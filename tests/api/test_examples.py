"""Every body and answer about work orders has an example that its own schema accepts."""

import json
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest
from drf_spectacular.generators import SchemaGenerator

from fleet.api.examples import FAMILY


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    made = SchemaGenerator().get_schema(request=None, public=True)
    return json.loads(json.dumps(made, default=str))


def bodies(schema: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Each JSON or form body, and each JSON answer, of the family."""
    for path in schema["paths"].values():
        for operation in path.values():
            if not set(operation["tags"]) & set(FAMILY):
                continue
            name = operation["operationId"]
            for kind, media in operation.get("requestBody", {}).get("content", {}).items():
                if kind in ("application/json", "multipart/form-data"):
                    yield f"{name} is sent", media
            for status, answer in operation["responses"].items():
                media = answer.get("content", {}).get("application/json")
                if media and status.startswith("2"):
                    yield f"{name} answers {status}", media


def test_every_body_and_answer_has_an_example(schema: dict[str, Any]) -> None:
    found = dict(bodies(schema))
    assert len(found) > 60
    assert [name for name, media in found.items() if "example" not in media] == []


def test_every_example_is_what_its_schema_says(schema: dict[str, Any]) -> None:
    for name, media in bodies(schema):
        whole = {**media["schema"], "components": schema["components"]}
        found = list(jsonschema.Draft202012Validator(whole).iter_errors(media["example"]))
        assert found == [], (name, [error.message for error in found])


def test_an_example_names_things_and_not_types(schema: dict[str, Any]) -> None:
    torque = dict(bodies(schema))["jobs_torque is sent"]["example"]
    assert torque == {"fastener": "drain-plug", "wrench": "TW-3", "client_key": "w13-drain-1"}
    listed = dict(bodies(schema))["work_orders_list answers 200"]["example"]
    (row,) = listed["rows"]
    assert (row["number"], row["planned_on"]) == ("W-000013", "2026-03-02")
    assert row["card"]["jobs"][0]["fluid"]["product"] == "gear-oil-75w-80"
