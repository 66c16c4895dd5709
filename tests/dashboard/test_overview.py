"""Overview: what it says is what the pages behind its links list."""

import csv
import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from html import unescape
from io import StringIO
from itertools import product

import pytest
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from fleet.due.models import Deferral, DueDate, Service
from fleet.overview import weeks
from fleet.overview.models import LastSeen, WorkAhead
from fleet.overview.needs import Kind
from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.readings.models import Reading
from fleet.vehicles.models import Depot, Vehicle
from fleet.workorders import findings, progress
from fleet.workorders.findings import Report
from tests.cast import Cast, depot, depots_day, person, vehicle
from tests.dashboard.workshop import Workshop

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
    assert "of 2 of 2 vehicles in use were read within the last 7 days" in said


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
    assert len(Kind) == 12


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


def test_the_steps_say_what_is_done_already(people: Cast, signed_in: SignedIn) -> None:
    DueDate.objects.all().delete()
    Reading.objects.filter(vehicle=people.second_van).delete()
    seen = text(page(signed_in(people.supervisor)))
    assert "Done: 2 vehicles described." in seen  # by hand: of the cast, those at Plain
    assert "Done: of 1 vehicle there are readings." in seen
    assert "start one on Runs" in seen
    Vehicle.objects.update(depot=people.hill)
    assert "Done:" not in page(signed_in(people.supervisor))


def test_whoever_begins_with_nothing_is_told_the_steps_and_not_whom_to_ask(
    people: Cast, signed_in: SignedIn
) -> None:
    first = person("Nele", Role.SUPERVISOR)
    assert "No depot is assigned to you" in page(signed_in(first))
    for kind in (Vehicle, Depot):
        kind.objects.all().delete()
    seen = page(signed_in(first))
    assert "Three steps to the first due date" in seen
    assert 'href="/workbook/template.xlsx"' in seen
    assert "three steps lead to the first due date" in signed_in(first).get("/due").content.decode()


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
