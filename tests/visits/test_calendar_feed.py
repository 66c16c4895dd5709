"""The calendar of a depot as RFC 5545 wants it: lines, events, what changes and what stays."""

import re
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.faults import Forbidden
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.visits.calendar_feed import (
    calendar,
    escaped,
    feeds,
    feeds_at,
    find,
    folded,
    open_feed,
    revoke,
)
from fleet.visits.models import CalendarFeed, PlanEvent
from fleet.workorders import issue, progress
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import WorkOrder
from tests import scene
from tests.cast import person
from tests.scene import NOW
from tests.visits.depot import TODAY, fleet


def order(actor: Actor, in_d: int = 3, title: str = "Brake fluid") -> WorkOrder:
    (van,) = fleet({"V-1": ()})
    return issue.draft(
        actor,
        OrderDraft(
            vehicle_id=van.pk, other_work=[(title, 45)], planned_on=TODAY + timedelta(days=in_d)
        ),
    )


def events(depot_text: str | None = None) -> list[dict[str, str]]:
    """Properties of each event, lines unfolded as RFC 5545, 3.1 says."""
    text = depot_text or calendar(scene.depot(), TODAY)
    whole = text.replace("\r\n ", "")
    found = re.findall(r"BEGIN:VEVENT\r\n(.*?)END:VEVENT", whole, re.S)
    return [dict(line.split(":", 1) for line in one.strip().split("\r\n")) for one in found]


def test_an_order_with_a_day_is_an_event_of_that_whole_day(chief: Actor) -> None:
    order(chief)
    (event,) = events()
    # RFC 5545, 3.6.1: DTEND is the day after for an event of one day
    assert (event["DTSTART;VALUE=DATE"], event["DTEND;VALUE=DATE"]) == ("20260618", "20260619")
    assert event["SUMMARY"] == "V-1: Brake fluid"
    assert event["DESCRIPTION"].endswith("drafted\\, 45 min by the book")
    assert (event["STATUS"], event["LOCATION"]) == ("TENTATIVE", "Plain")
    assert re.fullmatch(r"\d{8}T\d{6}Z", event["DTSTAMP"])


def test_it_begins_and_ends_as_a_calendar_and_each_line_ends_in_two(chief: Actor) -> None:
    order(chief)
    text = calendar(scene.depot(), TODAY)
    assert text.startswith("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:")
    assert text.endswith("END:VCALENDAR\r\n")
    assert "\n" not in text.replace("\r\n", "")


def test_a_change_keeps_the_uid_and_raises_the_sequence(chief: Actor) -> None:
    made = order(chief)
    (before,) = events()
    progress.plan(chief, made.pk, planned_on=TODAY + timedelta(days=5))
    (after,) = events()
    assert after["UID"] == before["UID"]
    assert int(after["SEQUENCE"]) > int(before["SEQUENCE"])
    assert after["DTSTART;VALUE=DATE"] == "20260620"


def test_a_released_order_is_confirmed_and_a_cancelled_one_says_so(chief: Actor) -> None:
    made = order(chief)
    progress.release(chief, made.pk)
    assert events()[0]["STATUS"] == "CONFIRMED"
    progress.cancel(chief, made.pk, reason="sold")
    assert events()[0]["STATUS"] == "CANCELLED"


def test_what_has_no_day_or_is_long_past_or_elsewhere_is_not_told(chief: Actor) -> None:
    made = order(chief)
    for changes in (
        {"planned_on": None},
        {"planned_on": TODAY - timedelta(days=31)},
        {"planned_on": TODAY, "depot": scene.depot("hill")},
        {"planned_on": TODAY, "depot": scene.depot(), "where": "outside workshop"},
    ):
        WorkOrder.objects.filter(pk=made.pk).update(**changes)
        assert events() == []


def test_an_event_is_the_same_each_time_it_is_fetched(chief: Actor) -> None:
    order(chief)
    assert calendar(scene.depot(), TODAY) == calendar(scene.depot(), TODAY)


def test_the_calendar_reads_little(chief: Actor, django_assert_max_num_queries: object) -> None:
    order(chief)
    depot = scene.depot()
    with django_assert_max_num_queries(2):  # type: ignore[operator]
        calendar(depot, TODAY)


@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=300))
def test_folded_lines_are_short_whole_characters_and_unfold_to_what_they_were(text: str) -> None:
    parts = list(folded(text))
    assert all(len(part.encode()) <= 75 for part in parts)
    assert parts[0] + "".join(part[1:] for part in parts[1:]) == text
    assert all(part.startswith(" ") for part in parts[1:])


def test_text_is_escaped() -> None:
    # RFC 5545, 3.3.11: backslash, semicolon and comma after a backslash, a new line as \n
    assert escaped("a\\b; c, d\r\ne\nf") == "a\\\\b\\; c\\, d\\ne\\nf"


def test_a_title_cannot_put_properties_into_an_event(chief: Actor) -> None:
    order(chief, title="oil\r\nATTENDEE:mailto:x@example.org")
    (event,) = events()
    assert "ATTENDEE" not in event


def test_an_address_is_found_until_it_is_ended(chief: Actor) -> None:
    feed, secret = open_feed(chief, scene.depot())
    assert find(secret) == feed
    assert secret not in str(CalendarFeed.objects.values())
    assert find(secret[:-1]) is None
    assert revoke(chief, feed)
    assert find(secret) is None
    assert not revoke(chief, feed)
    assert [one.what for one in PlanEvent.objects.order_by("pk")] == [
        "calendar made",
        "calendar ended",
    ]


def test_who_may_not_release_makes_and_ends_no_address(chief: Actor) -> None:
    feed, _ = open_feed(chief, scene.depot())
    viewer = Actor(person("Vito", Role.VIEWER, scene.depot()), "page", NOW)
    with pytest.raises(Forbidden):
        open_feed(viewer, scene.depot())
    with pytest.raises(Forbidden):
        revoke(viewer, feed)


def test_a_vehicle_has_a_calendar_of_its_own_days_only(chief: Actor) -> None:
    mine = order(chief)
    other = scene.van("V-2")
    issue.draft(chief, OrderDraft(vehicle_id=other.pk, other_work=[("Wash", 5)], planned_on=TODAY))
    of_depot = {event["SUMMARY"]: event["UID"] for event in events()}
    (own,) = events(calendar(scene.depot(), TODAY, mine.vehicle))
    # the same event in both, so that a program which reads both shows it once
    assert own["SUMMARY"] == "V-1: Brake fluid"
    assert own["UID"] == of_depot["V-1: Brake fluid"]
    assert len(of_depot) == 2


def test_the_address_of_a_vehicle_is_listed_and_ended_at_the_vehicle(chief: Actor) -> None:
    van = scene.van()
    feed, secret = open_feed(chief, scene.depot(), van)
    assert (feeds(scene.depot()), feeds(scene.depot(), van)) == ([], [feed])
    hill = scene.depot("hill")
    van.depot = hill
    van.save()
    assert list(feeds_at([hill])) == [feed]
    assert not feeds_at([scene.depot()]).exists()
    found = find(secret)
    assert found == feed
    with pytest.raises(Forbidden):
        revoke(chief, found)
    assert revoke(Actor(person("Sol", Role.SUPERVISOR, hill), "page", NOW), found)
    assert find(secret) is None
