"""The schema as a page of the program."""

from collections.abc import Callable

import pytest
from django.test import Client

from fleet.people.models import Person
from tests.cast import Cast

SignedIn = Callable[[Person], Client]
ASSETS = "/static/drf_spectacular_sidecar/swagger-ui-dist"


@pytest.mark.parametrize("who", ["supervisor", "viewer", "mechanic"])
def test_everybody_signed_in_reads_it_from_this_server_alone(
    who: str, people: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(getattr(people, who))
    seen = client.get("/api-reference").content.decode()
    assert 'data-schema="/api/v1/schema"' in seen
    assert "https:" not in seen
    for name in ("swagger-ui-bundle.js", "swagger-ui.css"):
        assert f"{ASSETS}/{name}" in seen
        assert client.head(f"{ASSETS}/{name}").status_code == 200


def test_it_has_a_request_to_copy(people: Cast, signed_in: SignedIn) -> None:
    seen = signed_in(people.viewer).get("/api-reference").content.decode()
    assert "$TOKEN" in seen
    assert "://testserver/api/v1/due-dates?state=overdue" in seen
