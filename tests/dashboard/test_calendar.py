"""The address of a depot's calendar: made and ended by a form, read without signing in."""

import re
from collections.abc import Callable
from html import unescape

import pytest
from django.test import Client
from django.utils import timezone

from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.visits import plan as plans
from fleet.visits.models import CalendarFeed
from fleet.workorders import issue
from fleet.workorders.issue import OrderDraft
from tests.cast import Cast, cast, depots_day
from tests.dashboard.rendered import page, send
from tests.kept import kept

pytestmark = pytest.mark.django_db
SignedIn = Callable[[Person], Client]
PAGE = "/workshop-days?depot=plain"


@kept
def people() -> Cast:
    return cast()


def planned(people: Cast) -> None:
    plans.plan([people.plain.pk], depots_day())


def made(client: Client) -> str:
    """Make an address by the page's form; its path."""
    answer = send(client, page(client, PAGE), "Make an address")
    shown = unescape(page(client, answer["Location"]))
    found = re.search(r"(/calendar/\S+\.ics)", shown)
    assert found is not None
    return found[1]


def test_an_address_is_shown_once_and_read_by_anybody(people: Cast, signed_in: SignedIn) -> None:
    planned(people)
    actor = Actor(people.supervisor, "page", timezone.now())
    issue.draft(
        actor,
        OrderDraft(vehicle_id=people.van.pk, other_work=[("Wash", 20)], planned_on=depots_day()),
    )
    chief = signed_in(people.supervisor)
    path = made(chief)
    assert path not in page(chief, PAGE)
    answer = Client().get(path)
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert "no-store" in answer["Cache-Control"]
    assert "SUMMARY:V-101: Wash" in answer.content.decode()
    assert Client().post(path).status_code == 405


def test_an_ended_or_guessed_address_shows_nothing(people: Cast, signed_in: SignedIn) -> None:
    planned(people)
    chief = signed_in(people.supervisor)
    path = made(chief)
    send(chief, page(chief, PAGE), "End it")
    for where in (path, "/calendar/guess.ics"):
        assert Client().get(where).status_code == 404


def test_only_who_releases_makes_or_ends_an_address(people: Cast, signed_in: SignedIn) -> None:
    planned(people)
    made(signed_in(people.supervisor))
    feed = CalendarFeed.objects.get()
    viewer, outsider = signed_in(people.viewer), signed_in(people.outsider)
    assert "Make an address" not in page(viewer, PAGE)
    for client, status in ((viewer, 403), (outsider, 404)):
        for where in ("/workshop-days/calendar", f"/workshop-days/calendar/{feed.pk}/end"):
            assert client.post(where, {"depot": "plain"}).status_code == status
    assert CalendarFeed.objects.get().revoked_at is None


def test_a_vehicle_has_an_address_made_and_ended_at_its_page(
    people: Cast, signed_in: SignedIn
) -> None:
    chief, van = signed_in(people.supervisor), "/vehicles/V-101"
    actor = Actor(people.supervisor, "page", timezone.now())
    for one in (people.van, people.second_van):
        wash = OrderDraft(vehicle_id=one.pk, other_work=[("Wash", 20)], planned_on=depots_day())
        issue.draft(actor, wash)
    answer = send(chief, page(chief, van), "Make an address")
    found = re.search(r"(/calendar/\S+\.ics)", unescape(page(chief, answer["Location"])))
    assert found is not None
    text = Client().get(found[1]).content.decode()
    assert "V-101: Wash" in text
    assert "V-102" not in text
    send(chief, page(chief, van), "End it<")
    assert Client().get(found[1]).status_code == 404
