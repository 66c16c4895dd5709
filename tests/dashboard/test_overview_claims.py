"""What the overview claims, where a week is over or a finding is older than its record."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from fleet.overview.models import WorkAhead
from fleet.people.models import Person
from fleet.workorders import findings
from fleet.workorders.findings import Report
from tests.cast import Cast, depots_day
from tests.dashboard.test_overview import chart, page, part, text
from tests.dashboard.workshop import Workshop

pytestmark = pytest.mark.django_db
SignedIn = Callable[[Person], Client]


def test_a_week_without_an_open_day_left_is_no_part_of_the_claim(
    people: Cast, signed_in: SignedIn
) -> None:
    """On a Sunday the running week has 6 h of work and none of the workshop's hours."""
    none = {"var_min": 0, "low_min": 0, "high_min": 0, "mean": 0, "var": 0, "low": 0, "high": 0}
    last_day = {"begin_on": "2026-11-29", "end_on": "2026-11-30", "mean_min": 360}
    after = {"begin_on": "2026-11-30", "end_on": "2026-12-07", "mean_min": 240}
    WorkAhead.objects.create(
        depot=people.plain, as_of_on=depots_day(), overdue=0, overdue_min=0, probably=0,
        probably_min=0,
        weeks=[{**none, **last_day, "capacity_min": 0}, {**none, **after, "capacity_min": 1_200}],
    )  # fmt: skip
    charts = text(part(page(signed_in(people.supervisor)), "charts no-print"))
    # ISO 8601: Monday, 30 November 2026, begins week 49
    assert "Of the weeks with an open day left, most falls due in week 49: 4 h" in charts
    assert "hours enough in each" in charts
    assert "week 48: 6 h" not in charts


def test_a_finding_is_told_on_the_day_it_was_entered(shop: Workshop, signed_in: SignedIn) -> None:
    findings.report(
        shop.actor(shop.people.mechanic),
        Report(
            vehicle=shop.people.van,
            kind="seep",
            severity="watch",
            text="damp below the sump",
            client_key="finding-1",
        ),
    )
    on = timezone.now().replace(hour=12) - timedelta(days=40)  # the same day in each depot
    findings.Finding.objects.update(performed_at=on)
    told = text(part(page(signed_in(shop.people.supervisor)), "since"))
    assert f"1 finding: V-101 “damp below the sump” (found on {on.day} {on:%b %Y})" in told


def test_hours_far_above_the_work_are_told_and_leave_room_for_its_bars(
    people: Cast, signed_in: SignedIn
) -> None:
    week = {
        "begin_on": "2026-12-14", "end_on": "2026-12-21", "mean_min": 300, "var_min": 900,
        "low_min": 240, "high_min": 360, "mean": 0, "var": 0, "low": 0, "high": 0,
        "capacity_min": 5_400,
    }  # fmt: skip
    row = WorkAhead.objects.create(
        depot=people.plain, as_of_on=depots_day(), overdue=0, overdue_min=0, probably=0,
        probably_min=0, weeks=[week],
    )  # fmt: skip
    client = signed_in(people.supervisor)
    # 360 min are 6 h, and 5,400 min are 90 h: fifteen times as many
    assert "hours lie above what is drawn: 90 h or more" in text(page(client))
    assert "hours the workshop has" not in chart(client, "weeks")
    figure = client.get("/overview/weeks").json()
    assert 6 < figure["layout"]["yaxis"]["range"][1] < 9
    row.weeks = [{**week, "capacity_min": 600}]
    row.save()
    assert chart(client, "weeks")["hours the workshop has"]["y"] == [10.0]
    assert "hours lie above" not in page(client)
