"""What waits for somebody says since when, and what waits longest is found in the list."""

import re
from collections.abc import Callable
from datetime import date, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from django.utils import timezone

from fleet.dashboard.orders.decisions import QUESTIONS, TO_AGREE, oldest
from fleet.due.models import Deferral
from fleet.people.models import Person
from fleet.workorders.listing import MOST_AT_ONCE
from fleet.workorders.models import Escalation, Job
from tests.cast import ZONE, depots_day
from tests.dashboard.test_overview import part, text, without_order
from tests.dashboard.test_overview_need import opened
from tests.dashboard.test_work_orders import came_back, question
from tests.dashboard.workshop import Workshop

pytestmark = pytest.mark.django_db
SignedIn = Callable[[Person], Client]


def words(on: date) -> str:
    return f"{on.day} {on:%b %Y}"


def marked_row(form: str) -> str:
    return text(form.split('id="longest-asked"')[0].rsplit("<li>", 1)[1])


def all_kinds(shop: Workshop) -> dict[str, date]:
    """A question, a job that came back, a deferral to agree to and records after a sign-off, with
    the day since which each waits; the job waits longest."""
    now, today = timezone.now(), depots_day()
    since = {
        kind: today - timedelta(days=ago)
        for kind, ago in (("asked", 1), ("back", 9), ("deferral", 4), ("late", 3))
    }
    job, service = came_back(shop), without_order(shop)
    at = {kind: now - (today - on) for kind, on in since.items()}
    Job.objects.filter(pk=job.pk).update(ended_at=at["back"])
    shop.order.__class__.objects.filter(pk=shop.order.pk).update(late_since=at["late"])
    question(shop, "supervisor")
    Escalation.objects.update(since_on=since["asked"])
    Deferral.objects.create(
        vehicle=shop.people.van, service=service, until_on=today + timedelta(days=40),
        reason="parts come", person=shop.people.supervisor, beyond_tolerance=True,
    )  # fmt: skip
    Deferral.objects.update(created_at=at["deferral"])
    # the same days at the depot, though its clock may have changed between
    assert at["back"].astimezone(ZoneInfo(ZONE)).date() == since["back"]
    return since


def test_every_decision_says_since_when_and_the_oldest_is_the_one_the_overview_tells(
    shop: Workshop, signed_in: SignedIn
) -> None:
    since = all_kinds(shop)
    client = signed_in(shop.second_supervisor)
    seen = text(part(client.get("/overview").content.decode(), "needs"))
    assert f"4 decisions to take, the oldest since {words(since['back'])}" in seen
    form = opened(client, "decide")
    told = text(form)
    assert f"asked since {words(since['asked'])};" in told
    assert re.search(f"back since {words(since['back'])}, \\d\\d:\\d\\d, the longest of all", told)
    assert f"agrees; asked since {words(since['deferral'])}, " in told
    assert f"came {words(since['late'])}" in told
    assert told.count("the longest") == 1
    assert f"Waiting longest, since {words(since['back'])}: Engine oil of V-101" in told
    # the link leads to that row, and to no other
    assert form.count('href="#longest-asked"') == form.count('id="longest-asked"') == 1
    assert "back since" in marked_row(form)
    orders = text(client.get("/work-orders?decide=open").content.decode())
    assert f"back since {words(since['back'])}, " in orders
    assert orders.count("the longest of all") == 1


@pytest.mark.parametrize("kind", ["asked", "deferral", "late"])
def test_whichever_waits_longest_is_marked(kind: str, shop: Workshop, signed_in: SignedIn) -> None:
    all_kinds(shop)
    at = timezone.now() - timedelta(days=20)
    if kind == "asked":
        Escalation.objects.update(since_on=depots_day() - timedelta(days=20))
    elif kind == "deferral":
        Deferral.objects.update(created_at=at)
    else:
        shop.order.__class__.objects.filter(pk=shop.order.pk).update(late_since=at)
    form = opened(signed_in(shop.second_supervisor), "decide")
    row = marked_row(form)
    mark = {"asked": "asked since", "deferral": "agrees; asked since", "late": "sign-off"}[kind]
    assert mark in row
    assert form.count('id="longest-asked"') == 1


def test_one_alone_is_not_called_the_longest(shop: Workshop, signed_in: SignedIn) -> None:
    question(shop, "supervisor")
    form = opened(signed_in(shop.second_supervisor), "decide")
    assert "longest of all" not in form
    assert "Waiting longest" not in form


@pytest.mark.parametrize(
    ("asked", "longest"),
    [
        (0, None),
        (1, None),
        (2, 1),
        (3, 2),
        (MOST_AT_ONCE - 1, MOST_AT_ONCE - 2),
        (MOST_AT_ONCE, None),
    ],
)
def test_none_is_the_longest_where_not_all_were_read(asked: int, longest: int | None) -> None:
    """Questions each asked a day before the one above it, and none of another kind."""
    first = date(2026, 3, 31)
    service = SimpleNamespace(name="Oil")
    rows = [
        SimpleNamespace(since_on=first - timedelta(days=at), vehicle=f"V-{at}", service=service)
        for at in range(asked)
    ]
    found = oldest({QUESTIONS: rows, TO_AGREE: []})
    assert (found and found.words) == (longest and f"V-{longest}, Oil")
