from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.people import tokens
from fleet.people.models import Token
from tests.cast import Cast

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def issue(people: Cast, **given: object) -> tuple[Token, str]:
    asked = {"person": people.clerk, "label": "yard", "scopes": ["readings:write"], "days": 30}
    return tokens.issue(**{**asked, **given})  # type: ignore[arg-type]


def test_a_token_is_found_by_its_secret(people: Cast) -> None:
    token, secret = issue(people)
    assert tokens.find(secret, token.created_at) == token


def test_the_secret_is_not_stored(people: Cast) -> None:
    _, secret = issue(people)
    assert secret not in str(Token.objects.values().get())


@pytest.mark.parametrize("secret", ["", "sumpwise_", "other", "\ud800"])
def test_another_secret_finds_nothing(people: Cast, secret: str) -> None:
    issue(people)
    assert tokens.find(secret, NOON) is None


def test_a_token_ends_on_its_instant(people: Cast) -> None:
    token, secret = issue(people, days=1)
    assert tokens.find(secret, token.expires_at - timedelta(seconds=1)) == token
    assert tokens.find(secret, token.expires_at) is None


def test_a_revoked_token_finds_nothing(people: Cast) -> None:
    token, secret = issue(people)
    assert tokens.revoke(token.pk, token.created_at)
    assert tokens.find(secret, token.created_at) is None


def test_a_token_is_revoked_only_once(people: Cast) -> None:
    token, _ = issue(people)
    tokens.revoke(token.pk, NOON)
    assert not tokens.revoke(token.pk, NOON + timedelta(days=1))
    assert Token.objects.get().revoked_at == NOON


def test_the_token_of_a_person_who_left_finds_nothing(people: Cast) -> None:
    token, secret = issue(people)
    people.clerk.is_active = False
    people.clerk.save()
    assert tokens.find(secret, token.created_at) is None


def test_a_token_opens_the_depots_of_its_person(people: Cast) -> None:
    assert list(issue(people)[0].depots.all()) == [people.plain]


def test_a_token_cannot_open_a_foreign_depot(people: Cast) -> None:
    with pytest.raises(tokens.TokenFault, match="does not have the depot Hill"):
        issue(people, depots=[people.hill])


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"scopes": ["readings:eat"]}, "no scope readings:eat"),
        ({"scopes": []}, "needs a scope"),
        ({"days": 0}, "1 to 366 days, not 0"),
        ({"days": 367}, "1 to 366 days, not 367"),
        ({"label": " "}, "needs a label"),
    ],
)
def test_nonsense_is_refused_with_a_sentence(
    people: Cast, given: dict[str, object], says: str
) -> None:
    with pytest.raises(tokens.TokenFault, match=says):
        issue(people, **given)


def test_use_is_written_once_a_day(people: Cast) -> None:
    token, secret = issue(people)
    tokens.mark_used(token, date(2026, 3, 2))
    again = tokens.find(secret, token.created_at)
    assert again is not None
    with CaptureQueriesContext(
        connection,
    ) as statements:
        tokens.mark_used(again, date(2026, 3, 2))
    assert (again.last_used_on, len(statements)) == (date(2026, 3, 2), 0)
