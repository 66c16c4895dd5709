"""Work orders: the most urgent first, releases that are asked about and undone, answers in bulk."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet.due.models import DueDate, Service
from fleet.people.models import Person
from fleet.stores.models import Item, Stock
from fleet.workorders import progress
from fleet.workorders.models import Escalation, Job, Material, Procedure, WorkOrder
from fleet.workorders.needed import follow
from tests.cast import depots_day, vehicle
from tests.dashboard.rendered import form
from tests.dashboard.test_work_orders import came_back, drafted, page, question
from tests.dashboard.workshop import INVENTED, Workshop

SignedIn = Callable[[Person], Client]
DAY = timedelta(days=1)


def needed(order: WorkOrder, days: int) -> None:
    row = DueDate.objects.filter(vehicle__fleet_number="V-101").get()
    row.pk, row.vehicle, row.bring_in_by_on = None, order.vehicle, depots_day() + days * DAY
    row.save()
    follow()


def numbers(html: str) -> list[str]:
    return re.findall(r'<td><a href="/work-orders/(W-\d+)"', html.split('id="order-rows"', 1)[1])


def test_the_most_urgent_order_comes_first_and_no_day_last(
    shop: Workshop, signed_in: SignedIn
) -> None:
    calm, soon, late = (drafted(shop, name) for name in ("W-1", "W-2", "W-3"))
    needed(soon, 3)
    needed(late, -4)
    client = signed_in(shop.people.supervisor)
    DueDate.objects.filter(vehicle=shop.people.van).update(bring_in_by_on=depots_day())
    follow()
    named = [one.number for one in (late, shop.order, soon, calm)]
    assert numbers(page(client)) == named
    key = f"{depots_day()}.{shop.order.pk}"
    assert numbers(page(client, f"?after={key}")) == named[2:]
    # those without a day first, then the one that is planned
    assert numbers(page(client, "?sort=day"))[-1] == shop.order.number


# --- releasing -------------------------------------------------------------------------------
def test_a_release_without_day_or_mechanic_is_asked_about_and_nothing_happens_yet(
    shop: Workshop, signed_in: SignedIn
) -> None:
    order, client = drafted(shop, "W-1"), signed_in(shop.people.supervisor)
    sent = {"order": f"{order.number}:{order.version}"}
    answer = client.post("/work-orders/release", sent)
    seen = answer.content.decode()
    assert answer.status_code == 409
    assert f">{order.number}</a> for W-1 has no day, no mechanic." in seen
    assert WorkOrder.objects.get(pk=order.pk).state == "drafted"
    assert "Workshop days proposes" not in seen
    where, fields = form(seen, 'class="main">Release</button>')
    assert (fields["planned_on"], fields["assigned_to"]) == ("", "")
    client.post(where, fields)
    assert WorkOrder.objects.get(pk=order.pk).state == "released"


def test_the_question_is_answered_by_a_day_and_a_mechanic(
    shop: Workshop, signed_in: SignedIn
) -> None:
    order, client = drafted(shop, "W-1"), signed_in(shop.people.supervisor)
    sent = {"order": f"{order.number}:{order.version}", "planned_on": "2026-12-01"}
    seen = client.post("/work-orders/release", sent).content.decode()
    assert f">{order.number}</a> for W-1 has no mechanic." in seen
    assert "no day" not in seen.split("asked-head", 1)[1].split("</ul>", 1)[0]
    where, fields = form(seen, 'class="main">Release</button>')
    client.post(where, {**fields, "assigned_to": shop.people.mechanic.pk})
    order.refresh_from_db()
    assert (order.state, str(order.planned_on)) == ("released", "2026-12-01")
    assert order.assigned_to == shop.people.mechanic


def test_a_release_is_taken_back_while_nothing_has_begun(
    shop: Workshop, signed_in: SignedIn
) -> None:
    first, second = drafted(shop, "W-1"), drafted(shop, "W-2")
    client = signed_in(shop.people.supervisor)
    rows = [f"{one.number}:{one.version}" for one in (first, second)]
    answer = client.post("/work-orders/release", {"order": rows, "anyway": "yes"}, follow=True)
    seen = answer.content.decode()
    assert "Take these releases back" in seen
    progress.start(shop.actor(shop.people.mechanic), second.pk)
    taken = client.post(
        "/work-orders/take-back", {"order": [first.number, second.number]}, follow=True
    ).content.decode()
    assert "1 order drafted again." in taken
    assert f"{second.number} is started; this needs an order that is released" in taken
    first.refresh_from_db()
    assert (first.state, first.released_at) == ("drafted", None)
    assert first.events.latest("pk").what == "take back"
    assert "Take these releases back" not in page(client)


def test_a_release_is_not_taken_back_once_the_vehicle_stands_there(
    shop: Workshop, signed_in: SignedIn
) -> None:
    progress.arrive(shop.actor(shop.people.mechanic), shop.order.pk)
    client = signed_in(shop.people.supervisor)
    given = {"change": "take-back", "version": shop.now().version}
    answer = client.post(f"/work-orders/{shop.order}/change", given, follow=True)
    assert "stands in the workshop already" in answer.content.decode()
    assert shop.now().state == "released"


@pytest.mark.parametrize("who", ["mechanic", "viewer"])
def test_who_may_not_release_takes_none_back(who: str, shop: Workshop, signed_in: SignedIn) -> None:
    client = signed_in(getattr(shop.people, who))
    answer = client.post("/work-orders/take-back", {"order": shop.order.number})
    assert answer.status_code == 403


# --- decisions -------------------------------------------------------------------------------
def asked_about(shop: Workshop, number: int) -> list[Escalation]:
    rows = [question(shop, Escalation.Stage.SUPERVISOR)]
    for at in range(1, number):
        row = rows[0]
        row.pk, row.vehicle = None, vehicle(f"X-{at}", shop.people.plain, shop.people.van_type)
        row.save()
        rows.append(Escalation.objects.get(pk=row.pk))
    return list(Escalation.objects.order_by("pk"))


def test_decisions_are_one_line_with_their_total_until_they_are_opened(
    shop: Workshop, signed_in: SignedIn
) -> None:
    asked_about(shop, 3)
    client = signed_in(shop.people.supervisor)
    assert "To decide: 3" in page(client)
    assert "<details><summary><h2" in page(client)
    assert "<details open><summary><h2" in page(client, "?decide=open")


def test_the_longest_late_comes_first_with_its_days_and_depot(
    shop: Workshop, signed_in: SignedIn
) -> None:
    first, second, third = asked_about(shop, 3)
    row = DueDate.objects.get(vehicle=shop.people.van)
    for question_row, late_d in ((first, 1), (second, 12), (third, 40)):
        DueDate.objects.filter(vehicle=question_row.vehicle, service=shop.oil).delete()
        row.pk, row.vehicle, row.sort_on = None, question_row.vehicle, depots_day() - late_d * DAY
        row.save()
    seen = page(signed_in(shop.people.supervisor), "?decide=open")
    listed = seen.split('aria-label="Overdue and unanswered"', 1)[1].split("</ul>", 1)[0]
    assert re.findall(r">([\d,]+ days? late)<", listed) == [
        "40 days late",
        "12 days late",
        "1 day late",
    ]
    assert listed.count("Plain; overdue, asked since") == 3
    assert "put to the supervisor" in listed


def test_many_overdue_services_are_answered_for_at_once(
    shop: Workshop, signed_in: SignedIn
) -> None:
    first, second, third = asked_about(shop, 3)
    client = signed_in(shop.people.supervisor)
    where, fields = form(page(client), "Stand it down")
    given = {"question": [first.pk, second.pk], "answer": "planned", "reason": "next week"}
    seen = client.post(where, {**fields, **given}, follow=True).content.decode()
    assert "Answered “planned” for 2 services." in seen
    answered = Escalation.objects.filter(answer="planned", reason="next week")
    assert set(answered) == {first, second}
    again = client.post(where, {**fields, **given}, follow=True).content.decode()
    assert again.count("It has been answered already.") == 2
    third.refresh_from_db()
    assert third.answer == ""


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"answer": "use", "reason": "x"}, "Choose what to answer for first"),
        ({"question": "0", "answer": "use", "reason": "x"}, "Choose what to answer for first"),
    ],
)
def test_an_answer_for_nothing_says_so(
    given: dict[str, str], said: str, shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    assert said in client.post("/work-orders/questions", given, follow=True).content.decode()


def test_an_answer_without_a_reason_or_of_another_depot_changes_nothing(
    shop: Workshop, signed_in: SignedIn
) -> None:
    (row,) = asked_about(shop, 1)
    given = {"question": row.pk, "answer": "use", "reason": " "}
    client = signed_in(shop.people.supervisor)
    seen = client.post("/work-orders/questions", given, follow=True).content.decode()
    assert "with a reason" in seen
    other = signed_in(shop.people.outsider)
    other.post("/work-orders/questions", {**given, "reason": "mine"})
    assert signed_in(shop.people.mechanic).post("/work-orders/questions", given).status_code == 403
    assert Escalation.objects.get().answer == ""


def test_jobs_that_came_back_are_decided_about_at_once(shop: Workshop, signed_in: SignedIn) -> None:
    job, client = came_back(shop), signed_in(shop.people.supervisor)
    where, fields = form(page(client), "On a new order")
    given = {"job": job.pk, "decision": "again", "reason": "plug ordered"}
    seen = client.post(where, {**fields, **given}, follow=True).content.decode()
    assert "Engine oil is on W-" in seen
    again = client.post(where, {**fields, **given}, follow=True).content.decode()
    assert "does not wait for a decision" in again
    assert Job.objects.filter(service=shop.oil, state="open").count() == 1
    nothing = client.post(where, {"decision": "leave"}, follow=True).content.decode()
    assert "Choose what to decide about first" in nothing


# --- the order -------------------------------------------------------------------------------
def order_page(shop: Workshop, signed_in: SignedIn) -> str:
    client = signed_in(shop.people.supervisor)
    return client.get(f"/work-orders/{shop.order.number}").content.decode()


def test_an_order_says_why_it_is_due_how_late_and_by_when(
    shop: Workshop, signed_in: SignedIn
) -> None:
    late = depots_day() - 9 * DAY
    DueDate.objects.filter(vehicle=shop.people.van).update(
        beyond_by_reading=True, p10=late, p50=late, p90=late, sort_on=late, bring_in_by_on=late
    )
    seen = order_page(shop, signed_in)
    assert "9 days late" in seen
    assert "<strong>now</strong>" in seen
    assert "by distance" in seen


@pytest.mark.parametrize(
    ("on_hand", "said"), [(None, "not kept here"), (3_000, "too little"), (6_000, "6 L")]
)
def test_an_order_says_whether_what_it_takes_is_on_the_shelf(
    on_hand: int | None, said: str, shop: Workshop, signed_in: SignedIn
) -> None:
    item = Item.objects.create(slug="oil", name="Oil in drums", kind="fluid", unit="mL")
    service = Service.objects.get(pk=shop.oil.pk)
    procedure = Procedure.objects.filter(service=service).first() or Procedure.objects.create(
        service=service, family="other", minutes=30, source=INVENTED, edition="1"
    )
    Material.objects.filter(procedure=procedure).delete()
    Material.objects.create(
        procedure=procedure, name="Oil", kind="fluid", quantity_ml=5_500, item=item, source=INVENTED
    )
    if on_hand is not None:
        Stock.objects.create(depot=shop.people.plain, item=item, on_hand=on_hand)
    seen = order_page(shop, signed_in).split("What it takes", 1)[1]
    assert "5.5 L" in seen
    assert said in seen
    assert ("too little" in seen or "not kept here" in seen) is (on_hand != 6_000)


@pytest.mark.parametrize(("on_hand", "short"), [(3_000, True), (6_000, False), (None, False)])
def test_what_work_waits_for_is_offered_and_held_against_the_shelf(
    on_hand: int | None, short: bool, shop: Workshop, signed_in: SignedIn
) -> None:
    """What is not kept here at all is no delivery to wait for."""
    item = Item.objects.create(slug="oil", name="Oil in drums", kind="fluid", unit="mL")
    Material.objects.filter(procedure__service=shop.oil).delete()
    Material.objects.create(
        procedure=Procedure.objects.get(service=shop.oil), name="Oil", kind="fluid",
        quantity_ml=5_500, item=item, source=INVENTED,
    )  # fmt: skip
    if on_hand is not None:
        Stock.objects.create(depot=shop.people.plain, item=item, on_hand=on_hand)
    shop.start()
    client = signed_in(shop.people.mechanic)
    card = client.get(f"/work-orders/{shop.order.number}/card").content.decode()
    assert ('<option value="5.5 L Oil' in card) is short
    progress.wait(shop.actor(shop.people.mechanic), shop.order.pk, waiting_for="two washers")
    shown = order_page(shop, signed_in).split("two washers", 1)[1].split("</dl>", 1)[0]
    assert ("Too little here of: Oil" in shown) is short
    assert ("3 L on hand, takes 5.5" in shown) is short


def test_an_order_takes_the_same_queries_whatever_its_jobs(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client, where = signed_in(shop.people.supervisor), f"/work-orders/{shop.order.number}"
    with CaptureQueriesContext(connection) as few:
        client.get(where)
    for title in ("Wiper", "Lamp"):
        Job.objects.create(order=shop.order, vehicle=shop.people.van, title=title, minutes=5)
    with CaptureQueriesContext(connection) as many:
        client.get(where)
    assert len(few) == len(many)
