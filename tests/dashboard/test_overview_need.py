"""What waits is answered on the overview itself, many at once."""

import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape

import pytest
import time_machine
from django.test import Client

from fleet.consumables.demand import forecast_demand
from fleet.consumables.models import OrderProposal
from fleet.people.models import Person, Role
from fleet.readings.models import Reading, ReadingDecision
from fleet.stores.models import Arrival
from fleet.workorders import progress
from fleet.workorders.models import Escalation, WorkOrder
from tests import scene
from tests.cast import Cast, depots_day, person
from tests.consumables.test_demand import due_on, months_ahead
from tests.dashboard.forms import forms_of
from tests.dashboard.test_readings import held
from tests.dashboard.test_work_orders import came_back, question
from tests.dashboard.workshop import Workshop
from tests.stores import shelf

SignedIn = Callable[[Person], Client]


def opened(client: Client, kind: str, query: str = "") -> str:
    """What the overview shows in place once it is opened there."""
    seen = client.get(f"/overview{query}").content.decode()
    address = re.search(rf'hx-get="([^"]*/{kind}[^"]*)"', seen)
    assert address is not None
    answer = client.get(unescape(address[1]))
    assert answer.status_code == 200
    return answer.content.decode()


def send(client: Client, seen: str, **chosen: object) -> str:
    """The form of the piece as a press sends it; the answer is the overview again."""
    form = next(form for form in forms_of(seen) if form.method == "post")
    kept = {name: values for name, values in form.sent.items() if name not in chosen}
    answer = client.post(form.action, {**kept, **chosen}, follow=True)
    assert answer.redirect_chain[-1][0].startswith("/overview")
    return answer.content.decode()


def test_held_readings_are_settled_together(people: Cast, signed_in: SignedIn) -> None:
    reading, client = held(people), signed_in(people.supervisor)
    seen = opened(client, "held")
    given = {"reading": reading.pk, "reason": "typed wrong", "action": "reject"}
    said = send(client, seen, **given)
    assert "Settled 1 reading; due dates are up to date." in said
    decision = ReadingDecision.objects.get()
    assert (decision.reading, decision.action) == (reading, "reject")
    assert decision.reason == "typed wrong"
    assert "held" not in said.split('class="needs"')[1].split("</section>")[0]


def test_without_a_reason_or_a_choice_nothing_is_settled(people: Cast, signed_in: SignedIn) -> None:
    reading, client = held(people), signed_in(people.supervisor)
    seen = opened(client, "held", "?depot=plain")
    said = send(client, seen, reading=reading.pk, action="reject")
    assert "V-101: Say in a few words why" in said
    assert "Choose held readings first" in send(client, seen, reason="x", action="reject")
    assert not ReadingDecision.objects.exists()


def test_a_reading_of_another_depot_is_not_settled(people: Cast, signed_in: SignedIn) -> None:
    reading = held(people)
    given = {"reading": reading.pk, "reason": "x", "action": "reject"}
    signed_in(people.outsider).post("/readings/settle", given)
    assert signed_in(people.mechanic).post("/readings/settle", given).status_code == 403
    assert Reading.objects.get(pk=reading.pk).verdict == "held"


def test_questions_and_jobs_that_came_back_are_decided(shop: Workshop, signed_in: SignedIn) -> None:
    asked = question(shop, "supervisor")
    job = came_back(shop)
    client = signed_in(shop.people.supervisor)
    seen = opened(client, "decide")
    said = send(client, seen, question=asked.pk, reason="comes in today", answer="planned")
    assert "Answered “planned” for 1 service." in said
    assert Escalation.objects.get().reason == "comes in today"
    form = forms_of(seen)[1]
    given = {"job": job.pk, "reason": "not now", "decision": "leave"}
    answer = client.post(form.action, {**form.sent, **given}, follow=True)
    assert answer.redirect_chain[-1][0] == "/overview"
    job.refresh_from_db()
    assert not job.returned


def test_released_orders_get_a_day_and_a_mechanic_together(
    shop: Workshop, signed_in: SignedIn
) -> None:
    progress.plan(shop.actor(shop.people.supervisor), shop.order.pk, planned_on=None)
    client = signed_in(shop.people.supervisor)
    seen, on = opened(client, "no-day"), depots_day() + timedelta(days=1)
    assert (
        "Say for which day, or who does it."
        in client.post(
            "/work-orders/plan", {"order": shop.order.number}, follow=True
        ).content.decode()
    )
    assert "Choose orders first" in send(client, seen, planned_on=on)
    said = send(
        client, seen, order=shop.order.number, planned_on=on, assigned_to=shop.people.mechanic.pk
    )
    assert "Planned 1 order for" in said
    order = WorkOrder.objects.get()
    assert (order.planned_on, order.assigned_to) == (on, shop.people.mechanic)
    assert "no-day" not in said


@pytest.fixture
def chief(db: None, signed_in: SignedIn) -> object:
    """A supervisor of a depot where 1.5 L must be ordered today."""
    with time_machine.travel(scene.NOW, tick=False):
        _, item = due_on(months_ahead(0).replace(day=20))
        shelf.stock(item, lead_time_d=9)
        forecast_demand(scene.NOW.date(), [scene.depot().pk])
        yield signed_in(person("Susa", Role.SUPERVISOR, scene.depot()))


def test_what_is_proposed_is_ordered_by_one_press(chief: Client) -> None:
    said = send(chief, opened(chief, "short"))
    assert "1 item on order." in said
    coming = Arrival.objects.get()
    # by hand: 1.5 L in packs of half a litre; nine days after 15 June
    assert (coming.quantity, str(coming.due_on)) == (1_500, "2026-06-24")
    assert not OrderProposal.objects.exists()
    assert (
        "Those proposals are gone"
        in chief.post(
            "/consumables/proposals", {"proposal": "1:1500:2026-06-24"}, follow=True
        ).content.decode()
    )


def test_what_is_proposed_otherwise_by_now_is_not_ordered_as_it_was_shown(chief: Client) -> None:
    seen = opened(chief, "short")
    OrderProposal.objects.update(quantity=2_000, packs=4)
    assert "Of Brake fluid at Plain another quantity is proposed by now." in send(chief, seen)
    assert not Arrival.objects.exists()
    assert (
        "Give the day"
        in chief.post(
            "/consumables/proposals", {"proposal": "1:1500:soon"}, follow=True
        ).content.decode()
    )


@pytest.mark.parametrize("kind", ["held", "decide", "no-day", "short"])
def test_who_may_not_answer_is_shown_no_form(kind: str, people: Cast, signed_in: SignedIn) -> None:
    assert signed_in(people.viewer).get(f"/overview/needs/{kind}").status_code == 404


def test_what_cannot_be_answered_here_has_no_address(people: Cast, signed_in: SignedIn) -> None:
    assert signed_in(people.supervisor).get("/overview/needs/unread").status_code == 404
