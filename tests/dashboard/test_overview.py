"""Overview: what it says is what the pages behind its links list."""

import csv
import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from html import unescape
from io import StringIO
from itertools import product
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from fleet.due.models import CheckFigure, CheckResult, Deferral, DueDate, DueMove, Service
from fleet.overview import weeks
from fleet.overview.models import LastSeen, WorkAhead
from fleet.overview.needs import Kind
from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.readings.models import Reading, ReadingDecision
from fleet.vehicles.models import Vehicle
from fleet.workorders import findings, progress
from fleet.workorders.findings import Report
from tests.cast import Cast, depot, depots_day, person, vehicle
from tests.dashboard.workshop import INVENTED, Workshop

SignedIn = Callable[[Person], Client]


def report(actor: Actor, van: Vehicle, kind: str, severity: str, text: str) -> None:
    seen = Report(vehicle=van, kind=kind, severity=severity, text=text, client_key="finding-1")
    findings.report(actor, seen)


def page(client: Client, query: str = "") -> str:
    answer = client.get(f"/overview{query}")
    assert answer.status_code == 200
    return unescape(answer.content.decode())


def text(html: str) -> str:
    return re.sub(r" +(?=[.,;:])", "", " ".join(re.sub(r"<[^>]+>", " ", html).split()))


def part(seen: str, name: str) -> str:
    return seen.split(f'<section class="{name}"')[1].split("</section>")[0]


def spread(people: Cast) -> None:
    """Services over every state and period, at both depots."""
    first = DueDate.objects.get(vehicle=people.van)
    today = depots_day()
    days = (-60, -9, -3, 0, 2, 6, 7, 8, 20, 29, 30, 31, 45, 75)
    for place, at in product((people.plain, people.hill), days):
        first.pk = None
        first.vehicle = vehicle(f"{place.slug[0].upper()}{at + 100}", place, people.van_type)
        first.depot, first.sort_on = place, today + timedelta(days=at)
        first.p50, first.calendar_on = first.sort_on, None
        first.beyond_by_reading = at < -5
        first.save()
    DueDate.objects.filter(vehicle=people.second_van).update(history_known=False)


def links(seen: str) -> Iterator[tuple[int, str]]:
    for address, count in re.findall(r'<a href="/due\?([^"]+)">(\d+)[^<]*</a>', seen):
        yield int(count), address


def rows_behind(client: Client, query: str) -> int:
    assert client.get(f"/due?{query}").status_code == 200
    kept = client.get(f"/due.csv?{query}").content.decode("utf-8-sig")
    return len(list(csv.reader(StringIO(kept)))) - 1


@pytest.mark.parametrize("query", ["", "?depot=plain"])
def test_every_figure_is_the_number_of_rows_behind_its_link(
    people: Cast, signed_in: SignedIn, query: str
) -> None:
    spread(people)
    people.supervisor.depots.add(people.hill)
    client = signed_in(people.supervisor)
    seen = page(client, query)
    found = list(links(part(seen, "say"))) + list(links(part(seen, "depots")))
    # the sentence has three; a table of two depots and both together, or of the one chosen
    assert len(found) > (18 if not query else 8)
    for count, behind in found:
        assert rows_behind(client, behind) == count, behind


def test_the_sentence_says_what_is_late_and_what_falls_due(
    people: Cast, signed_in: SignedIn
) -> None:
    spread(people)
    soon = depots_day() + timedelta(days=7)
    # of the days above: -60 and -9 beyond by a reading; -3; 0, 2, 6 and 7
    said = f"2 services overdue, 1 probably; 4 fall due by {soon.day} {soon:%b}."
    sentence = part(page(signed_in(people.supervisor)), "say").split("</p>")[0].split(">", 2)[2]
    assert text(sentence) == said


def test_where_nothing_is_late_it_says_so(people: Cast, signed_in: SignedIn) -> None:
    DueDate.objects.update(sort_on=depots_day() + timedelta(days=50), calendar_on=None)
    said = text(part(page(signed_in(people.supervisor)), "say"))
    assert "Nothing is overdue; nothing falls due by" in said
    assert "of 2 of 2 vehicles were read within the last 7 days" in said


def test_only_ones_own_depots_count(people: Cast, signed_in: SignedIn) -> None:
    spread(people)
    seen = page(signed_in(people.supervisor))
    assert "Plain" in seen
    assert "Hill" not in seen
    assert signed_in(people.supervisor).get("/overview?depot=hill").status_code == 404


def test_the_longest_overdue_are_named_with_their_days(people: Cast, signed_in: SignedIn) -> None:
    spread(people)
    worst = text(part(page(signed_in(people.supervisor)), "worst"))
    assert worst.index("P40 Engine oil: 60 days late") < worst.index("P91 Engine oil: 9 days late")


def test_more_depots_than_three_are_folded(people: Cast, signed_in: SignedIn) -> None:
    people.supervisor.depots.add(*(depot(f"depot-{number}") for number in range(4)))
    seen = part(page(signed_in(people.supervisor)), "depots")
    assert "2 more depots" in seen
    assert seen.index("Together") < seen.index("<details")


# --- needs you -----------------------------------------------------------------------------
def without_order(shop: Workshop) -> Service:
    """Another service of the first van with a due date, on no order."""
    kept = ("vehicle_type", "compartment", "source")
    own = {name: getattr(shop.oil, name) for name in kept}
    made = Service.objects.create(slug="belt", name="Belt", **own)
    due = DueDate.objects.get(vehicle=shop.people.van, service=shop.oil)
    due.pk, due.service, due.sort_on = None, made, depots_day()
    due.save()
    return made


def waiting(shop: Workshop) -> None:
    """Something of each kind but items to order, which the night proposes."""
    people, actor = shop.people, shop.actor(shop.second_supervisor)
    report(actor, people.van, "leak", "before use", "brake pipe")
    reading = Reading.objects.filter(vehicle=people.van).first()
    assert reading is not None
    Reading.objects.filter(pk=reading.pk).update(verdict="held")
    progress.plan(actor, shop.order.pk, planned_on=None)
    Deferral.objects.create(
        vehicle=people.van, service=without_order(shop), until_on=depots_day() + timedelta(days=5),
        reason="parts come", person=people.supervisor, beyond_tolerance=True,
    )  # fmt: skip
    DueDate.objects.filter(vehicle=people.van).update(sort_on=depots_day())
    DueDate.objects.filter(vehicle=people.second_van).update(history_known=False)
    people.second_van.usage_states.update(last_at_d=timezone.now().timestamp() / 86_400 - 40)


def test_what_waits_is_listed_by_consequence(shop: Workshop, signed_in: SignedIn) -> None:
    waiting(shop)
    needs = text(part(page(signed_in(shop.second_supervisor)), "needs"))
    said = [
        *("1 vehicle must not be used", "1 finding to put right before use", "1 decision to take"),
        *("1 reading held", "1 released order without a day", "1 deferral ends"),
        *("1 odometer not read for 30 days", "1 service without a history"),
    ]
    places = [needs.index(one) for one in said]
    assert places == sorted(places)


def test_each_row_leads_to_where_it_is_answered(shop: Workshop, signed_in: SignedIn) -> None:
    waiting(shop)
    client = signed_in(shop.second_supervisor)
    seen = part(page(client), "needs")
    behind = {
        "/findings#do-not-use": 'id="do-not-use"',
        "/findings?severity=before+use#finding-rows": "brake pipe",
        "/work-orders?decide=open#decide-head": "parts come",
        "/readings": "V-101",
        "/work-orders?day=none&state=released": shop.order.number,
        "/baselines": "V-102",
    }
    for address, found in behind.items():
        assert f'href="{address}"' in seen
        assert found in client.get(address.split("#")[0]).content.decode(), address


def test_who_may_not_enter_a_history_is_shown_the_services(
    people: Cast, signed_in: SignedIn
) -> None:
    DueDate.objects.filter(vehicle=people.van).update(history_known=False)
    seen = part(page(signed_in(people.viewer)), "needs")
    assert 'href="/due?state=history_unknown"' in seen


def test_a_viewer_is_not_asked_for_anything(people: Cast, signed_in: SignedIn) -> None:
    DueDate.objects.filter(vehicle=people.van).update(history_known=False)
    seen = text(page(signed_in(people.viewer)))
    assert "Waits for somebody" in seen
    assert "Needs you" not in seen


def test_at_most_eight_rows_and_the_rest_in_one_line(
    shop: Workshop, signed_in: SignedIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    waiting(shop)
    monkeypatch.setattr("fleet.dashboard.views.overview.MOST_NEEDS", 3)
    seen = part(page(signed_in(shop.second_supervisor)), "needs")
    assert seen.count("<li>") == 3
    assert "Also" in seen
    assert "1 service without a history" in text(seen)
    assert len(Kind) == 11


# --- since ---------------------------------------------------------------------------------
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
    assert "1 due date moved by more than 14 days: V-101 Engine oil to" in told
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


# --- charts --------------------------------------------------------------------------------
def chart(client: Client, name: str, query: str = "") -> dict[str, dict[str, list[float]]]:
    """Series of a chart by name."""
    drawn = client.get(f"/overview/{name}?{query}").json()
    return {trace["name"]: trace for trace in drawn["data"]}


def rows(client: Client, name: str, query: str = "") -> list[dict[str, str]]:
    kept = client.get(f"/overview/{name}.csv?{query}").content.decode("utf-8-sig")
    return list(csv.DictReader(StringIO(kept)))


def test_late_services_are_drawn_by_days_certain_ones_apart(
    people: Cast, signed_in: SignedIn
) -> None:
    spread(people)
    client = signed_in(people.supervisor)
    drawn = chart(client, "late")
    assert sorted(drawn["overdue"]["x"]) == [9, 60]
    assert drawn["probably overdue"]["x"] == [3]
    assert drawn["probably overdue"]["marker"]["symbol"] == "circle-open"
    charts = text(part(page(client), "charts no-print"))
    assert "Half of 3 late services are late by 9 days or more, P40 Engine oil by 60" in charts
    assert [row["Days late"] for row in rows(client, "late")] == ["60", "9", "3"]


def test_the_weeks_are_drawn_in_hours_or_services(people: Cast, signed_in: SignedIn) -> None:
    spread(people)
    weeks.forecast_weeks(depots_day(), [people.plain.pk])
    client = signed_in(people.supervisor)
    # two overdue and one probably, each half an hour by our choice for want of a procedure
    assert chart(client, "weeks")["overdue"]["y"] == [1.0]
    in_services = chart(client, "weeks", "by=services")
    assert in_services["overdue"]["y"] == [2.0]
    assert in_services["with probably overdue"]["y"] == [3.0]
    kept = rows(client, "weeks", "by=services")
    assert len(kept) == 13  # what is carried over, and twelve weeks
    assert kept[0]["Expected"] == "3.0"
    seen = part(page(client, "?by=services"), "charts no-print")
    assert re.search(r"Most falls due in week \d+: \d+ services", text(seen))
    assert 'data-chart="/overview/weeks?by=services"' in seen


def test_the_sentence_says_where_a_workshop_lacks_hours(people: Cast, signed_in: SignedIn) -> None:
    week = {
        "begin_on": "2026-12-14", "end_on": "2026-12-21", "mean_min": 1_140, "var_min": 0,
        "low_min": 0, "high_min": 0, "mean": 0, "var": 0, "low": 0, "high": 0,
        "capacity_min": 600,
    }  # fmt: skip
    WorkAhead.objects.create(
        depot=people.plain, as_of_on=depots_day(), overdue=0, overdue_min=0, probably=0,
        probably_min=0, weeks=[week],
    )  # fmt: skip
    client = signed_in(people.supervisor)
    # 1,140 min less 600 are 9 h; ISO 8601 counts Monday, 14 December 2026, to week 51
    assert "; the workshop has 9 h too few in week 51." in text(part(page(client), "say"))
    assert "In week 51 19 h fall due, and the workshop has 10 h" in page(client)


def test_sentence_and_chart_agree_on_what_is_carried_over(
    people: Cast, signed_in: SignedIn
) -> None:
    week = {
        "begin_on": "2026-12-14", "end_on": "2026-12-21", "mean_min": 300, "var_min": 0,
        "low_min": 0, "high_min": 0, "mean": 0, "var": 0, "low": 0, "high": 0,
        "capacity_min": 600,
    }  # fmt: skip
    WorkAhead.objects.create(
        depot=people.plain, as_of_on=depots_day(), overdue=1, overdue_min=480, probably=0,
        probably_min=0, weeks=[week],
    )  # fmt: skip
    seen = page(signed_in(people.supervisor))
    # 300 + 480 − 600 = 180 min
    assert "the workshop has 3 h too few in week 51." in text(seen)
    assert "With what is carried over, Plain has 3 h too few in week 51" in seen


def test_without_a_night_there_are_no_weeks(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    assert client.get("/overview/weeks").status_code == 404
    assert "/overview/weeks" not in page(client)


# --- the whole page ------------------------------------------------------------------------
def test_a_fleet_without_due_dates_is_told_the_three_steps(
    people: Cast, signed_in: SignedIn
) -> None:
    DueDate.objects.all().delete()
    seen = page(signed_in(people.viewer))
    assert "Three steps to the first due date" in seen
    chief = person("Nele", Role.SUPERVISOR, people.plain, people.hill)
    assert 'href="/workbook/template.xlsx"' in page(signed_in(chief))


def test_a_person_without_a_depot_is_told_whom_to_ask(people: Cast, signed_in: SignedIn) -> None:
    people.viewer.depots.clear()
    assert "No depot is assigned to you" in page(signed_in(people.viewer))


def test_it_takes_ten_queries_however_large_the_fleet(
    people: Cast, signed_in: SignedIn, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    spread(people)
    client = signed_in(people.supervisor)
    page(client)
    LastSeen.objects.update(seen_at=timezone.now() - timedelta(days=1))
    # session, person, depots; counts, late, what waits; last visit and its note; what happened
    with django_assert_max_num_queries(10):
        page(client)
    assert Vehicle.objects.count() > 20
