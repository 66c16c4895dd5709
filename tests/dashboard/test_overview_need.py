"""What waits is answered on the overview itself, many at once."""

import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape

import pytest
import time_machine
from django.test import Client
from django.utils import timezone

from fleet.consumables.demand import forecast_demand
from fleet.consumables.models import OrderProposal
from fleet.due.models import Deferral, DueDate, DueEarlier
from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.readings.models import Reading, ReadingDecision
from fleet.stores import ledger
from fleet.stores.ledger import TakenOff
from fleet.stores.models import Arrival, Item
from fleet.vehicles.models import Depot
from fleet.workorders import findings, progress
from fleet.workorders.findings import Report
from fleet.workorders.models import Escalation, Finding, Job, WorkOrder
from tests import scene
from tests.cast import Cast, depots_day, person
from tests.consumables.test_demand import due_on, months_ahead
from tests.dashboard.forms import Form, forms_of
from tests.dashboard.test_overview import part, without_order
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
    assert "Say in a few words why" in said
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
    Depot.objects.update(working_days="1111111")  # whatever day it is
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
        susa = person("Susa", Role.SUPERVISOR, scene.depot())
        actor = Actor(susa, "page", scene.NOW)
        ledger.count(actor, depot=scene.depot(), item=item, counted=0, reason="nothing there")
        forecast_demand(scene.NOW.date(), [scene.depot().pk])
        yield signed_in(susa)


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


def test_what_should_be_counted_first_is_not_chosen_beforehand(chief: Client) -> None:
    taken = TakenOff(
        depot=scene.depot(), item=Item.objects.get(), quantity=250, reason="leaked",
        override_reason="so",
    )  # fmt: skip
    ledger.use(Actor(None, "command", scene.NOW), taken)
    seen = opened(chief, "short")
    assert "By the record more was used at Plain than ever came: this quantity is a guess." in seen
    assert "Choose what was ordered first." in send(chief, seen)
    assert not Arrival.objects.exists()


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


# --- one by one -----------------------------------------------------------------------------
def forms_in(seen: str, part: str) -> Form:
    return next(form for form in forms_of(seen) if part in form.action)


def press(client: Client, form: Form, **typed: object) -> str:
    """The form with what a person types; the answer is the overview again."""
    assert set(form.needed) <= set(typed)
    answer = client.post(form.action, {**form.sent, **typed}, follow=True)
    assert answer.redirect_chain[-1][0].startswith("/overview")
    return answer.content.decode()


def test_a_vehicle_is_let_go_again_by_somebody_else_than_who_stopped_it(
    shop: Workshop, signed_in: SignedIn
) -> None:
    findings.set_do_not_use(shop.actor(shop.people.mechanic), vehicle=shop.people.van, reason="x")
    client = signed_in(shop.people.supervisor)
    form = forms_in(opened(client, "do-not-use"), "clear")
    said = press(client, form, reason="brakes tried")
    assert "V-101: cleared." in said
    assert not findings.marks_in_force()


def test_whoever_stopped_a_vehicle_is_offered_nothing(shop: Workshop, signed_in: SignedIn) -> None:
    actor = shop.actor(shop.people.supervisor)
    findings.set_do_not_use(actor, vehicle=shop.people.van, reason="leaks")
    assert not forms_of(opened(signed_in(shop.people.supervisor), "do-not-use"))


def leaking(shop: Workshop) -> Finding:
    seen = Report(
        vehicle=shop.people.van, kind="leak", severity="before use", text="brake pipe",
        client_key="leak-key", compartment=shop.oil.compartment,
    )  # fmt: skip
    return findings.report(shop.actor(shop.people.mechanic), seen)


def test_a_finding_before_use_gets_its_order(shop: Workshop, signed_in: SignedIn) -> None:
    found, client = leaking(shop), signed_in(shop.people.supervisor)
    form = forms_in(opened(client, "before-use"), f"findings/{found.pk}")
    assert "is drafted for V-101" in press(client, form, what="New brake pipe")
    order = WorkOrder.objects.get(follows=found)
    assert order.jobs.get().title == "New brake pipe"
    (call,) = DueEarlier.objects.all()
    assert call.due_on == depots_day() + timedelta(days=14)  # our choice: a leak is seen to again


def test_a_finding_before_use_is_closed(shop: Workshop, signed_in: SignedIn) -> None:
    found, client = leaking(shop), signed_in(shop.people.supervisor)
    seen = opened(client, "before-use")
    form = next(form for form in forms_of(seen) if "reason" in form.needed)
    assert "Closed: leak: brake pipe." in press(client, form, reason="pipe was dry")
    found.refresh_from_db()
    assert found.closed_reason == "pipe was dry"


def ending(shop: Workshop, days: int) -> Deferral:
    return Deferral.objects.create(
        vehicle=shop.people.van, service=without_order(shop),
        until_on=depots_day() + timedelta(days=days), reason="parts", person=shop.people.supervisor,
    )  # fmt: skip


def test_a_deferral_is_given_again(shop: Workshop, signed_in: SignedIn) -> None:
    first, client = ending(shop, 3), signed_in(shop.people.supervisor)
    form = forms_in(opened(client, "deferral"), "defer")
    on = depots_day() + timedelta(days=6)
    press(client, form, until_on=on, reason="parts late")
    again = Deferral.objects.exclude(pk=first.pk).get()
    assert (again.until_on, again.reason, again.service) == (on, "parts late", first.service)


def test_a_service_is_let_fall_due(shop: Workshop, signed_in: SignedIn) -> None:
    row, client = ending(shop, 3), signed_in(shop.people.supervisor)
    form = forms_in(opened(client, "deferral"), f"deferrals/{row.pk}")
    assert "the deferral is taken back" in press(client, form)
    row.refresh_from_db()
    assert row.withdrawn_at is not None


def test_a_deferral_that_has_ended_is_not_let_fall_due(shop: Workshop, signed_in: SignedIn) -> None:
    ending(shop, -2)
    DueDate.objects.update(sort_on=depots_day() - timedelta(days=9))
    assert "fall due now" not in opened(signed_in(shop.people.supervisor), "deferral")


def test_a_deferred_service_is_put_on_an_order(shop: Workshop, signed_in: SignedIn) -> None:
    row, client = ending(shop, 3), signed_in(shop.people.supervisor)
    form = forms_in(opened(client, "deferral"), "draft-many")
    assert "Choose rows first" in press(client, form)
    said = press(client, form, row=f"{row.service.slug}:V-101")
    assert "Drafted 1 order." in said
    assert Job.objects.filter(service=row.service).exists()
    assert "deferral" not in part(said, "needs")


def test_an_odometer_long_unread_is_entered(people: Cast, signed_in: SignedIn) -> None:
    then = timezone.now() - timedelta(days=40)
    people.van.usage_states.update(last_at_d=then.timestamp() / 86_400)
    client = signed_in(people.supervisor)
    form = forms_in(opened(client, "unread"), "V-101")
    count = Reading.objects.filter(vehicle=people.van).count()
    said = press(client, form, value="10800")
    assert "V-101: " in said
    assert Reading.objects.filter(vehicle=people.van).count() == count + 1
    newest = Reading.objects.filter(vehicle=people.van).order_by("-pk")[0]
    assert (newest.value, newest.unit) == (10_800, "km")


def test_what_is_refused_stands_at_the_vehicle_as_it_was_typed(
    people: Cast, signed_in: SignedIn
) -> None:
    then = timezone.now() - timedelta(days=40)
    people.van.usage_states.update(last_at_d=then.timestamp() / 86_400)
    client = signed_in(people.supervisor)
    form = forms_in(opened(client, "unread"), "V-101")
    answer = client.post(form.action, {**form.sent, "value": "a lot"})
    assert answer.status_code == 422
    assert 'value="a lot"' in answer.content.decode()


@pytest.mark.parametrize(
    "kind",
    [
        *("held", "decide", "no-day", "short", "do-not-use", "before-use", "soon"),
        *("failed", "deferral", "unread"),
    ],
)
def test_who_may_not_answer_is_shown_no_form(kind: str, people: Cast, signed_in: SignedIn) -> None:
    assert signed_in(people.viewer).get(f"/overview/needs/{kind}").status_code == 404


def test_what_cannot_be_answered_here_has_no_address(people: Cast, signed_in: SignedIn) -> None:
    assert signed_in(people.supervisor).get("/overview/needs/unknown").status_code == 404
