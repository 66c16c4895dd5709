"""The bar of a life, and what of charts stands on paper; shares by hand."""

import re
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.test import Client

from fleet.dashboard.life_bar import life_bar
from fleet.due.models import DueDate, Limit
from fleet.due.split import Part
from fleet.people.models import Person
from tests.cast import Cast, depots_day

SignedIn = Callable[[Person], Client]

NORMAL = Part("normal", date(2026, 1, 1), date(2026, 3, 31), 0.9)


def test_a_life_beyond_its_limit_fills_the_bar_and_the_limit_stands_within() -> None:
    bar = life_bar([NORMAL, Part("severe", date(2026, 4, 1), None, 0.6)])
    assert bar is not None
    assert [(one.at, one.width) for one in bar.stretches] == [(0, 60), (60, 40)]
    assert bar.limit_at == pytest.approx(100 / 1.5, abs=0.01)
    assert (
        "in normal duty from 1 Jan 2026 to 31 Mar 2026; 60\u202f% in severe duty since" in bar.text
    )


def test_a_life_within_its_limit_leaves_room() -> None:
    bar = life_bar([NORMAL])
    assert bar is not None
    assert (bar.stretches[0].width, bar.limit_at) == (90, 100)


@pytest.mark.parametrize("parts", [[], [Part("normal", date(2026, 1, 1), None, 0.0)]])
def test_nothing_used_is_no_bar(parts: list[Part]) -> None:
    assert life_bar(parts) is None


def test_why_draws_the_life_and_names_the_limit_of_each_class(
    people: Cast, signed_in: SignedIn
) -> None:
    service = people.van.due_dates.get().service
    Limit.objects.filter(service=service, duty_class="severe").update(
        limit_km=7_000, limit_h=None, limit_months=None, yearly_month=None
    )
    seen = (
        signed_in(people.viewer)
        .get(f"/vehicles/V-101/services/{service.slug}/why")
        .content.decode()
    )
    assert 'class="life-bar"' in seen
    assert "<dt>Limit in severe duty</dt><dd>7,000 km</dd>" in seen
    assert re.search(r'<dt>Limit in normal duty</dt><dd>[^<]+<span class="flag">counts now', seen)


def test_on_paper_the_charts_of_the_overview_are_tables(people: Cast, signed_in: SignedIn) -> None:
    since_on = depots_day() - timedelta(days=5)
    DueDate.objects.filter(vehicle=people.van).update(
        sort_on=since_on, p50=since_on, beyond_by_reading=True
    )
    page = signed_in(people.supervisor).get("/overview").content.decode()
    paper = page.split('aria-labelledby="paper-late"')[1].split("</section>")[0]
    assert "<td>V-101</td>" in paper
    assert "<td>5</td><td>overdue</td>" in paper
