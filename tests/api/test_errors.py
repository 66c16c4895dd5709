import pytest
from rest_framework.test import APIClient

from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast

# RFC 9457 section 3.1 names the members; section 4.2.1 what goes with about:blank
MEMBERS = {"type", "title", "status", "detail", "errors"}


@pytest.fixture
def clerk(people: Cast, call: Caller) -> APIClient:
    return call(people.clerk)


@pytest.mark.parametrize(
    ("pattern", "query", "status", "title", "error"),
    [
        ("nowhere", "", 404, "Not Found", ("#", "not_found")),
        ("uploads/1%0A/rows", "", 404, "Not Found", ("#", "not_found")),
        ("vehicles/V-999", "", 404, "Not Found", ("#", "not_found")),
        ("vehicles", "?limit=0", 400, "Bad Request", ("?limit", "min_value")),
        ("vehicles", "?limit=501", 400, "Bad Request", ("?limit", "max_value")),
        ("vehicles", "?limit=x", 400, "Bad Request", ("?limit", "invalid")),
        ("vehicles", "?cursor=x", 400, "Bad Request", ("?cursor", "cursor")),
        ("vehicles", "?stat=sold", 400, "Bad Request", ("?stat", "unknown")),
        ("due-dates", "?state=late", 400, "Bad Request", ("?state", "invalid_choice")),
        ("due-dates", "?until=5.1.2026", 400, "Bad Request", ("?until", "invalid")),
        ("vehicles", "?format=xml", 406, "Not Acceptable", ("#", "not_acceptable")),
    ],
)
def test_a_refusal_is_a_problem_that_says_where(
    clerk: APIClient, pattern: str, query: str, status: int, title: str, error: tuple[str, str]
) -> None:
    answer = clerk.get(address(pattern) + query)
    told = answer.json()
    assert answer["Content-Type"] == "application/problem+json"
    assert set(told) == MEMBERS
    assert (answer.status_code, told["status"], told["title"]) == (status, status, title)
    assert told["type"] == "about:blank"
    assert (told["errors"][0]["pointer"], told["errors"][0]["code"]) == error


def test_a_pointer_leads_to_the_faulty_value(clerk: APIClient) -> None:
    answer = clerk.post(address("readings"), {"rows": ["not a row"], "a/b~c": 1}, format="json")
    assert answer.json()["errors"][0]["pointer"] == "#/a~1b~0c"  # escaped as RFC 6901 asks
    answer = clerk.post(address("readings"), {"rows": [{}, 5]}, format="json")
    assert answer.json()["errors"][0]["pointer"] == "#/rows/1"


def test_an_unsupported_method_says_which_there_are(clerk: APIClient) -> None:
    answer = clerk.delete(address("vehicles"))
    assert answer.status_code == 405
    assert "GET" in answer["Allow"]
    assert answer["Content-Type"] == "application/problem+json"


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        ("{", "application/json", 400),
        ("[" * 100_000, "application/json", 400),
        ('{"rows": NaN}', "application/json", 400),
        ("\xff", "application/json", 400),
        ("a=b", "application/x-www-form-urlencoded", 415),
        ("[]", "application/json", 400),
        ("null", "application/json", 400),
    ],
)
def test_a_body_that_cannot_be_read_is_refused(
    clerk: APIClient, body: str, kind: str, status: int
) -> None:
    answer = clerk.generic("POST", address("readings"), body.encode("latin-1"), kind)
    assert answer.status_code == status
    assert set(answer.json()) == MEMBERS


def test_a_body_of_more_than_8_mb_is_refused_unread(clerk: APIClient) -> None:
    body = b" " * (8 * 1024 * 1024 + 1)
    answer = clerk.generic("POST", address("readings"), body, "application/json")
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (413, "too_large")


def test_too_many_calls_are_told_when_to_come_back(
    clerk: APIClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    from rest_framework.throttling import UserRateThrottle

    monkeypatch.setattr(UserRateThrottle, "THROTTLE_RATES", {"user": "2/min"})
    answers = [clerk.get(address("vehicles")) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [200, 200, 429]
    assert 1 <= int(answers[2]["Retry-After"]) <= 61


def test_both_spellings_answer_the_same(clerk: APIClient) -> None:
    for pattern in ("vehicles", "vehicles/V-101", "due-dates"):
        plain, slashed = clerk.get(address(pattern)), clerk.get(address(pattern) + "/")
        assert (plain.status_code, plain.content) == (slashed.status_code, slashed.content)


def test_the_root_answers_with_and_without_a_slash(clerk: APIClient) -> None:
    assert clerk.get("/api/v1").json() == clerk.get("/api/v1/").json()
