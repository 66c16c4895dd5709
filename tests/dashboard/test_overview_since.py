"""What happened since somebody last looked, as the overview tells it."""

import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from django.utils import timezone

from fleet.due.models import CheckFigure, CheckResult, DueDate, DueMove
from fleet.overview.models import LastSeen
from fleet.people.models import Person
from fleet.readings.models import Reading, ReadingDecision
from fleet.workorders import findings
from tests.cast import Cast, depots_day
from tests.dashboard.test_overview import page, part, report, text
from tests.dashboard.workshop import INVENTED, Workshop

SignedIn = Callable[[Person], Client]


def last_seen(who: Person, days: int) -> None:
    at = timezone.now() - timedelta(days=days)
    LastSeen.objects.create(person=who, seen_at=at)


def test_it_tells_what_happened_since_the_last_visit(shop: Workshop, signed_in: SignedIn) -> None:
    people = shop.people
    last_seen(people.supervisor, 3)
    report(shop.actor(people.mechanic), people.van, "seep", "watch", "damp below the sump.")
    figure = CheckFigure.objects.create(
        service=shop.oil, slug="water", name="Water", unit="%", pass_to=2, source=INVENTED
    )
    CheckResult.objects.create(
        vehicle=people.van, figure=figure, value=4, outcome="fail", measured_at=timezone.now(),
        client_key="check-1",
    )  # fmt: skip
    reading = Reading.objects.filter(vehicle=people.second_van).first()
    ReadingDecision.objects.create(reading=reading, action="accept", person=people.clerk)
    overdue_on = depots_day() - timedelta(days=2)
    DueDate.objects.filter(vehicle=people.second_van).update(
        sort_on=overdue_on, p50=overdue_on, beyond_by_reading=True
    )
    told = text(part(page(signed_in(people.supervisor)), "since"))
    assert "Since your last visit on" in told
    for one in (
        "1 finding: V-101 “damp below the sump”.",
        "1 check failed: V-101 Water.",
        "1 reading was settled: V-102 accepted by Cleo.",
        f"{overdue_on.day} {overdue_on:%b} 1 service passed its limit: V-102 Engine oil.",
    ):
        assert one in told


def test_a_date_that_moved_far_says_where_to_and_why(people: Cast, signed_in: SignedIn) -> None:
    row = DueDate.objects.get(vehicle=people.van)
    to_on = row.sort_on + timedelta(days=23)
    DueMove.objects.create(
        vehicle=people.van, service=row.service, from_on=row.sort_on, to_on=to_on, cause="usage",
        noticed_at=timezone.now(),
    )  # fmt: skip
    told = text(part(page(signed_in(people.supervisor)), "since"))
    assert "1 due date moved by more than 14 days: V-101 Engine oil from" in told
    assert f"{to_on.year}, 23 days later (the vehicle runs less)." in told


def test_of_very_many_it_says_that_there_may_be_more(people: Cast, signed_in: SignedIn) -> None:
    row = DueDate.objects.get(vehicle=people.van)
    one = DueMove(
        vehicle=people.van, service=row.service, from_on=row.sort_on, cause="limit",
        to_on=row.sort_on - timedelta(days=20), noticed_at=timezone.now(),
    )  # fmt: skip
    for _ in range(70):
        one.pk = None
        one.save()
    told = text(part(page(signed_in(people.supervisor)), "since"))
    assert "At least 60 due dates moved by more than 14 days" in told


def behind(client: Client, words: str) -> str:
    """The page behind a sentence of what happened since."""
    told = part(page(client), "since")
    address = re.search(rf'href="(/overview/since[^"]*)">{words}', told)
    assert address is not None
    return client.get(unescape(address[1])).content.decode()


def test_all_that_a_sentence_tells_of_stands_behind_its_figure(
    people: Cast, signed_in: SignedIn
) -> None:
    row, now = DueDate.objects.get(vehicle=people.van), timezone.now()
    for number in range(70):
        DueMove.objects.create(
            vehicle=people.van, service=row.service, from_on=row.sort_on, cause="limit",
            to_on=row.sort_on - timedelta(days=20 + number), noticed_at=now,
        )  # fmt: skip
    earlier = now - timedelta(days=3)
    DueMove.objects.filter(to_on=row.sort_on - timedelta(days=20)).update(noticed_at=earlier)
    client = signed_in(people.supervisor)
    rows = behind(client, "60 due dates moved")
    assert "<h1>69 due dates moved by more than 14 days</h1>" in rows
    assert rows.count('<a href="/vehicles/V-101">') == 69
    assert "21 days earlier (its limits changed)" in text(rows).replace("( ", "(")
    assert "20 days earlier" not in rows


def test_a_finding_entered_late_is_told_today_with_the_day_it_was_seen(
    shop: Workshop, signed_in: SignedIn
) -> None:
    report(shop.actor(shop.people.mechanic), shop.people.van, "seep", "watch", "damp")
    seen_at = timezone.now() - timedelta(days=30)
    findings.Finding.objects.update(performed_at=seen_at)
    client = signed_in(shop.people.supervisor)
    on = seen_at.astimezone(ZoneInfo(shop.people.plain.zone)).date()
    said = f"V-101 “damp” (found on {on.day} {on:%b} {on.year})"
    today = depots_day()
    told = text(part(page(client), "since"))
    assert f"{today.day} {today:%b} 1 finding: {said}" in told
    assert said in text(behind(client, "1 finding"))


@pytest.mark.parametrize(
    "query",
    ["kind=nothing&on=2026-03-31&since=2026-03-31T00:00:00Z", "kind=moved", "", "kind=moved&on=x"],
)
def test_a_list_of_what_happened_needs_a_kind_a_day_and_an_instant(
    query: str, people: Cast, signed_in: SignedIn
) -> None:
    assert signed_in(people.supervisor).get(f"/overview/since?{query}").status_code == 404


def test_what_happened_elsewhere_is_listed_to_nobody_here(
    shop: Workshop, signed_in: SignedIn
) -> None:
    report(shop.actor(shop.people.mechanic), shop.people.van, "seep", "watch", "damp below")
    query = f"kind=finding&on={depots_day()}&since=2020-01-01T00:00:00Z"
    for who, seen in ((shop.people.supervisor, True), (shop.people.outsider, False)):
        answer = signed_in(who).get(f"/overview/since?{query}").content.decode()
        assert ("damp below" in answer) == seen


def test_what_happened_before_the_last_visit_is_not_told_again(
    shop: Workshop, signed_in: SignedIn
) -> None:
    people = shop.people
    report(shop.actor(people.mechanic), people.van, "seep", "watch", "damp below the sump")
    LastSeen.objects.create(person=people.viewer, seen_at=timezone.now() - timedelta(hours=2))
    findings.Finding.objects.update(recorded_at=timezone.now() - timedelta(hours=3))
    assert "damp below" not in page(signed_in(people.viewer))
    assert "damp below" in page(signed_in(people.supervisor))  # who never looked: of seven days
