import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from fleet.people import tokens
from fleet.people.models import Person, Token
from fleet.vehicles.models import Depot
from fleet.workorders.models import WorkOrder
from tests.cast import Cast, depots_day
from tests.dashboard.workshop import Workshop

SignedIn = Callable[[Person], Client]
PAGE = "/people-and-tokens"


def add(client: Client, what: str, **given: Any) -> str:
    return client.post(f"{PAGE}/{what}", given).content.decode()


def token(client: Client, **given: Any) -> str:
    asked = {"label": "phone", "scope": ["due-dates:read"], "depot": ["plain"], "days": "30"}
    return add(client, "tokens", **(asked | given))


def shown_once(seen: str) -> str:
    found = re.search(r'<code class="secret">([^<]+)</code>', seen)
    assert found, "no secret is shown"
    return found[1]


def test_everybody_makes_and_revokes_a_token_of_their_own(
    people: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(people.mechanic)
    secret = shown_once(token(client))
    made = tokens.find(secret, timezone.now())
    assert made is not None
    assert (made.person, made.scopes) == (people.mechanic, ["due-dates:read"])
    assert [depot.slug for depot in made.depots.all()] == ["plain"]
    assert secret not in client.get(PAGE).content.decode()
    client.post(f"{PAGE}/tokens/{made.pk}/revoke")
    assert tokens.find(secret, timezone.now()) is None


@pytest.mark.parametrize(
    "given",
    [{"scope": []}, {"scope": ["all"]}, {"days": "9999"}, {"label": ""}, {"depot": ["hill"]}],
)
def test_a_token_that_would_open_too_much_is_refused_in_words(
    given: dict[str, Any], people: Cast, signed_in: SignedIn
) -> None:
    seen = token(signed_in(people.mechanic), **given)
    assert 'role="alert"' in seen
    assert not Token.objects.exists()


def test_a_supervisor_makes_a_token_for_a_program(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    add(client, "people", name="telematics", role="viewer", depot=["plain"])
    program = Person.objects.get(username="telematics")
    token(client, person=program.pk)
    assert Token.objects.get().person == program


def test_nobody_makes_or_revokes_a_token_of_a_stranger(people: Cast, signed_in: SignedIn) -> None:
    token(signed_in(people.outsider), depot=["hill"])
    made = Token.objects.get()
    for who in (people.mechanic, people.supervisor):
        client = signed_in(who)
        assert client.post(f"{PAGE}/tokens/{made.pk}/revoke").status_code == 404
        given = {"person": people.outsider.pk, "label": "x", "depot": ["plain"], "days": "9"}
        assert client.post(f"{PAGE}/tokens", given).status_code == 404
    assert Token.objects.get().revoked_at is None


def test_a_person_is_added_with_a_password_that_is_shown_once(
    people: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(people.supervisor)
    given = {"name": "nele", "full_name": "Nele N", "role": "mechanic", "depot": ["plain"]}
    password = shown_once(add(client, "people", **given))
    assert Client().login(username="nele", password=password)
    assert password not in client.get(PAGE).content.decode()


def test_nobody_is_added_to_a_depot_of_others(people: Cast, signed_in: SignedIn) -> None:
    given = {"name": "nele", "role": "mechanic", "depot": ["hill"]}
    assert "Choose at least one depot of yours" in add(
        signed_in(people.supervisor), "people", **given
    )
    assert not Person.objects.filter(username="nele").exists()


def test_role_depots_and_leave_to_sign_in_are_changed(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    client.post(f"{PAGE}/people/{people.clerk.pk}", {"role": "stores", "depot": ["plain"]})
    people.clerk.refresh_from_db()
    assert (people.clerk.role, people.clerk.is_active) == ("stores", False)


def test_a_person_who_also_has_other_depots_is_not_ones_to_change(
    people: Cast, signed_in: SignedIn
) -> None:
    people.clerk.depots.add(people.hill)  # type: ignore[attr-defined]
    given = {"role": "viewer", "depot": ["plain"], "active": "yes"}
    client = signed_in(people.supervisor)
    assert client.post(f"{PAGE}/people/{people.clerk.pk}", given).status_code == 404
    assert client.post(f"{PAGE}/people/{people.supervisor.pk}", given).status_code == 403


@pytest.mark.parametrize("who", ["mechanic", "clerk", "viewer"])
def test_only_a_supervisor_manages_people(who: str, people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(getattr(people, who))
    given = {"name": "nele", "role": "viewer", "depot": ["plain"]}
    assert client.post(f"{PAGE}/people", given).status_code == 403
    assert client.post(f"{PAGE}/people/{people.viewer.pk}", given).status_code == 403
    assert "Cleo</span>" not in client.get(PAGE).content.decode()


def name_deputy(client: Client, who: Person, deputy: Person, **days: int) -> Any:
    today = depots_day()
    given = {name: (today + timedelta(days=day)).isoformat() for name, day in days.items()}
    address = f"/people-and-tokens/people/{who.pk}/deputy"
    return client.post(address, {"deputy": deputy.pk, **given}, follow=True)


def test_a_deputy_named_for_some_days_releases_orders(shop: Workshop, signed_in: SignedIn) -> None:
    Depot.objects.update(working_days="1111111")  # whatever day it is
    people = shop.people
    client = signed_in(people.supervisor)
    name_deputy(client, people.supervisor, people.mechanic, from_on=0, until_on=3)
    assert "Mika" in client.get("/people-and-tokens").content.decode().split("Deputy", 2)[2]
    WorkOrder.objects.update(state="drafted")
    given = {"change": "release", "version": shop.now().version, "override_reason": "it is sold"}
    signed_in(people.mechanic).post(f"{shop.page}/change", given)
    assert shop.now().state == "released"


def test_days_that_make_no_span_are_told(shop: Workshop, signed_in: SignedIn) -> None:
    people = shop.people
    client = signed_in(people.supervisor)
    answer = name_deputy(client, people.supervisor, people.mechanic, from_on=3, until_on=0)
    assert answer.status_code == 422
    assert "a first and a last day" in answer.content.decode()


def test_who_does_not_manage_people_names_no_deputy(shop: Workshop, signed_in: SignedIn) -> None:
    people = shop.people
    for who, status in ((people.mechanic, 403), (people.outsider, 404)):
        answer = name_deputy(
            signed_in(who), people.supervisor, people.mechanic, from_on=0, until_on=1
        )
        assert answer.status_code == status
    assert Person.objects.get(pk=people.supervisor.pk).deputy is None


def test_it_says_when_people_last_signed_in_by_the_depots_clock(
    people: Cast, signed_in: SignedIn
) -> None:
    # Berlin is an hour ahead of UTC in winter (IANA time zone database)
    people.clerk.last_login = datetime(2026, 1, 5, 23, 30, tzinfo=UTC)
    people.clerk.save()
    seen = signed_in(people.supervisor).get("/people-and-tokens").content.decode()
    assert "6 Jan 2026, 00:30" in seen
    assert "never" in seen


def test_a_depot_where_one_person_decides_alone_is_named_until_a_deputy_stands_in(
    shop: Workshop, signed_in: SignedIn
) -> None:
    boss, second = shop.people.supervisor, shop.second_supervisor
    client = signed_in(boss)
    alone = "At Plain only one person"
    assert alone not in client.get("/people-and-tokens").content.decode()
    second.is_active = False
    second.save()
    assert alone in client.get("/people-and-tokens").content.decode()
    today = depots_day()
    boss.deputy, boss.deputy_from_on, boss.deputy_until_on = shop.people.mechanic, today, today
    boss.save()
    assert alone not in client.get("/people-and-tokens").content.decode()
