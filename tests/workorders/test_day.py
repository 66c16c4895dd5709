"""A mechanic's day has one rule: the page and the API show the same orders in the same order."""

import re
from collections.abc import Callable
from datetime import date, timedelta
from itertools import product

import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.people.models import Person, Role
from fleet.today import today_at
from fleet.workorders import listing
from fleet.workorders.models import WorkOrder
from tests.cast import Cast, cast, person
from tests.kept import kept

pytestmark = pytest.mark.django_db
State, Where = WorkOrder.State, WorkOrder.Where
MINE = {"planned_on": "today", "assigned_to": "me"}
NO_DAY = None


@kept
def people() -> Cast:
    return cast()


@pytest.fixture
def make(people: Cast) -> Callable[..., str]:
    def made(
        state: str, days: int | None, who: Person | None = None, where: str = Where.OWN
    ) -> str:
        on = None if days is None else today_at(people.plain.zone) + timedelta(days=days)
        number = f"W-{WorkOrder.objects.count() + 1:06}"
        WorkOrder.objects.create(
            number=number, vehicle=people.van, depot=people.plain, state=state,
            planned_on=on, assigned_to=who, where=where,
        )  # fmt: skip
        return number

    return made


def by_page(who: Person, query: str = "") -> list[str]:
    client = Client()
    client.force_login(who)
    seen = client.get(f"/todays-orders{query}").content.decode()
    return re.findall(r'href="/work-orders/(W-\d+)/card"', seen)


def by_api(who: Person, **asked: str) -> list[str]:
    client = APIClient()
    client.force_authenticate(who)
    rows = client.get("/api/v1/work-orders", asked).json()["rows"]
    return [row["number"] for row in rows]


def test_a_day_is_mine_and_nobodys_up_to_today_or_under_way(
    people: Cast, make: Callable[..., str]
) -> None:
    other = person("Mo", Role.MECHANIC, people.plain)
    today, left_over = make(State.RELEASED, 0), make(State.WAITING, -3, people.mechanic)
    under_way = make(State.STARTED, NO_DAY, people.mechanic)
    make(State.RELEASED, NO_DAY)  # not begun, and for no day
    make(State.RELEASED, 1)
    make(State.RELEASED, 0, other)
    make(State.STARTED, NO_DAY, other)
    make(State.RELEASED, 0, None, Where.OUTSIDE)
    for state in (State.DRAFTED, State.FINISHED, State.SIGNED_OFF, State.CANCELLED):
        make(state, 0)
    assert by_page(people.mechanic) == [under_way, left_over, today]
    assert by_api(people.mechanic, **MINE) == [under_way, left_over, today]


def test_page_and_api_hold_the_same_rows_of_every_kind(
    people: Cast, make: Callable[..., str]
) -> None:
    other = person("Mo", Role.MECHANIC, people.plain)
    kinds = product(State.values, [0, NO_DAY, -1, 1], Where.values, [people.mechanic, None, other])
    for state, days, where, whose in kinds:
        make(state, days, whose, where)
    mine = by_page(people.mechanic)
    assert mine == by_api(people.mechanic, **MINE)
    # by hand: three states on two days, two under way without a day; mine and nobody's, own work
    assert len(mine) == (3 * 2 + 2) * 2
    everybody = by_page(people.mechanic, "?whose=everybody")
    assert everybody == by_api(people.mechanic, planned_on="today")
    assert len(everybody) == (3 * 2 + 2) * 3


def test_assigned_to_me_alone_stays_exact(people: Cast, make: Callable[..., str]) -> None:
    mine, later = make(State.RELEASED, 0, people.mechanic), make(State.DRAFTED, 9, people.mechanic)
    make(State.RELEASED, 0)
    assert sorted(by_api(people.mechanic, assigned_to="me")) == sorted([mine, later])
    name = people.mechanic.username
    assert by_api(people.mechanic, planned_on="today", assigned_to=name) == [mine]


def test_pages_lead_through_a_day_in_its_order(people: Cast, make: Callable[..., str]) -> None:
    days = [NO_DAY, -2, -2, 0]
    wanted = [make(State.STARTED, on, people.mechanic) for on in days]
    client = APIClient()
    client.force_authenticate(people.mechanic)
    found, at = [], "/api/v1/work-orders?planned_on=today&assigned_to=me&limit=1"
    while at:
        answer = client.get(at).json()
        found += [row["number"] for row in answer["rows"]]
        at = answer["next"]
    assert found == wanted


def test_another_depot_is_another_day(people: Cast, make: Callable[..., str]) -> None:
    make(State.RELEASED, 0)
    assert by_page(people.outsider) == by_api(people.outsider, **MINE) == []


def test_today_is_the_day_of_each_depot(people: Cast, make: Callable[..., str]) -> None:
    # by hand: from 10:00 UTC on Kiritimati (UTC+14) has the next day, before 11:00 Pago Pago
    # (UTC-11) the day before: one of them always has another day than UTC
    utc = timezone.now().date()
    ahead, behind = today_at("Pacific/Kiritimati"), today_at("Pacific/Pago_Pago")
    assert (ahead, behind) != (utc, utc)
    number = make(State.RELEASED, 0)
    for zone, on in (("Pacific/Kiritimati", ahead), ("Pacific/Pago_Pago", behind)):
        people.plain.zone = zone
        people.plain.save()
        for day, seen in ((on, [number]), (on + timedelta(days=1), [])):
            WorkOrder.objects.update(planned_on=day)
            assert by_page(people.mechanic) == by_api(people.mechanic, **MINE) == seen


def test_of_depots_with_two_days_each_shows_its_own(people: Cast, make: Callable[..., str]) -> None:
    zones = {people.plain.pk: "Pacific/Kiritimati", people.hill.pk: "Pacific/Pago_Pago"}
    ahead, behind = (today_at(zone) for zone in zones.values())
    assert behind < ahead
    numbers = [make(State.RELEASED, 0) for _ in range(3)]
    places = (
        (people.plain, ahead),
        (people.hill, behind),
        (people.hill, ahead),
    )  # the last: tomorrow
    for number, (depot, on) in zip(numbers, places, strict=True):
        WorkOrder.objects.filter(number=number).update(depot=depot, planned_on=on)
    shown = listing.a_day(zones, timezone.now())
    assert {order.number for order in shown} == set(numbers[:2])


def test_todays_list_is_not_sent_twice(people: Cast, make: Callable[..., str]) -> None:
    make(State.RELEASED, 0)
    client = APIClient()
    client.force_authenticate(people.mechanic)
    first = client.get("/api/v1/work-orders", MINE)
    again = client.get("/api/v1/work-orders", MINE, headers={"If-None-Match": first["ETag"]})
    assert (first.status_code, again.status_code, again.content) == (200, 304, b"")
    make(State.RELEASED, -1)
    changed = client.get("/api/v1/work-orders", MINE, headers={"If-None-Match": first["ETag"]})
    assert (changed.status_code, len(changed.json()["rows"])) == (200, 2)


def test_a_list_of_many_pages_has_its_tag_too(people: Cast, make: Callable[..., str]) -> None:
    for _ in range(2):
        make(State.RELEASED, 0)
    client = APIClient()
    client.force_authenticate(people.mechanic)
    asked = {**MINE, "limit": "1"}
    tags = {client.get("/api/v1/work-orders", asked)["ETag"] for _ in range(2)}
    assert len(tags) == 1


def test_without_a_day_comes_before_every_day(people: Cast, make: Callable[..., str]) -> None:
    later, none = make(State.STARTED, -1), make(State.STARTED, NO_DAY)
    assert WorkOrder.objects.get(number=later).planned_on > date.min
    assert by_api(people.mechanic, **MINE) == [none, later]


def test_a_day_is_found_among_open_orders_however_many_have_ended(people: Cast) -> None:
    ended = [
        WorkOrder(number=f"E-{at}", vehicle=people.van, depot=people.plain, state=State.SIGNED_OFF)
        for at in range(2_000)
    ]
    WorkOrder.objects.bulk_create(ended)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE workorders_workorder")
    zones = {people.plain.pk: people.plain.zone}
    assert "orders_open" in listing.a_day(zones, timezone.now())[:50].explain()
