"""The day of an order on its pages: asked about where the vehicle cannot come, released and begun
with what is known of it."""

import re
from collections.abc import Callable
from datetime import date, timedelta
from html import unescape

import pytest
from django.test import Client

from fleet.due.models import DueDate, Service
from fleet.people.models import Person
from fleet.vehicles.models import Closure, Depot
from fleet.visits.models import Absence, Mechanic
from fleet.visits.publish import publish
from fleet.workorders import issue
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import WorkOrder
from tests.cast import depots_day
from tests.dashboard.days import monday, planned_days, visit_of
from tests.dashboard.rendered import form, page, send
from tests.dashboard.test_work_orders import drafted
from tests.dashboard.workshop import Workshop

SignedIn = Callable[[Person], Client]


@pytest.fixture
def chief(shop: Workshop, signed_in: SignedIn) -> Client:
    return signed_in(shop.people.supervisor)


def closed_day() -> date:
    """A Tuesday to come on which the depot is closed."""
    Depot.objects.update(working_days="1111111")
    on = monday() + timedelta(days=1)
    Closure.objects.create(depot=Depot.objects.get(slug="plain"), on=on, note="stocktaking")
    return on


def words(on: date) -> str:
    return f"Plain is closed on {on.day} {on:%b %Y} (stocktaking)"


def test_the_page_of_an_order_asks_about_a_closed_day(shop: Workshop, chief: Client) -> None:
    on, mika = closed_day(), shop.people.mechanic
    answer = send(chief, page(chief, shop.page), ">Plan<", planned_on=on, assigned_to=mika.pk)
    asked = unescape(answer.content.decode())
    assert answer.status_code == 409
    assert f"{words(on)}: no plan can keep that day. Is it right?" in asked
    assert f'<a href="{shop.page}">Leave it</a>' in asked
    assert shop.now().planned_on == depots_day()
    # answered with a reason, the day and the mechanic are as they were typed
    said = send(chief, asked, 'name="override_reason"', override_reason="the inspector comes")
    assert said.status_code == 302
    assert (shop.now().planned_on, shop.now().assigned_to) == (on, mika)
    assert "It stands: the inspector comes" in page(chief, shop.page)


def away_on_monday(shop: Workshop) -> date:
    """Mika is on leave on a Monday to come, and Sanna is at work."""
    on, at = monday(), shop.people.plain
    mika = Mechanic.objects.create(
        depot=at, name="Mika F.", person=shop.people.mechanic, source="invented"
    )
    Mechanic.objects.create(depot=at, name="Sanna", source="invented")
    Absence.objects.create(mechanic=mika, from_on=on, until_on=on, reason="leave")
    return on


def test_an_order_for_who_is_not_at_work_on_its_day_is_asked_about(
    shop: Workshop, chief: Client
) -> None:
    on, mika = away_on_monday(shop), shop.people.mechanic
    answer = send(chief, page(chief, shop.page), ">Plan<", planned_on=on, assigned_to=mika.pk)
    asked = unescape(answer.content.decode())
    assert answer.status_code == 409
    assert f"Mika is not at work on {on.day} {on:%b %Y}: Sanna is." in asked
    assert shop.now().planned_on == depots_day()
    said = send(chief, asked, 'name="override_reason"', override_reason="comes in for it")
    assert said.status_code == 302
    assert (shop.now().planned_on, shop.now().assigned_to) == (on, mika)
    assert (shop.now().why_it_stands, shop.order.events.latest("pk").reason) == (
        "",  # nothing speaks against the day itself
        "comes in for it",
    )


def test_of_who_is_at_work_nothing_is_asked(shop: Workshop, chief: Client) -> None:
    on, mika = away_on_monday(shop) + timedelta(days=1), shop.people.mechanic
    answer = send(chief, page(chief, shop.page), ">Plan<", planned_on=on, assigned_to=mika.pk)
    assert answer.status_code == 302
    assert (shop.now().planned_on, shop.now().assigned_to) == (on, mika)


def test_chosen_orders_are_not_given_to_who_is_not_at_work(shop: Workshop, chief: Client) -> None:
    on = away_on_monday(shop)
    other = drafted(shop, "W-1")
    WorkOrder.objects.filter(pk=other.pk).update(assigned_to=shop.second_supervisor)
    given = {"order": shop.order.number, "planned_on": on, "assigned_to": shop.people.mechanic.pk}
    asked = chief.post("/work-orders/plan", given)
    said = unescape(asked.content.decode())
    assert asked.status_code == 409
    assert f"Mika is not at work on {on.day} {on:%b %Y}: Sanna is." in said
    assert shop.now().planned_on == depots_day()
    where, fields = form(said, 'class="main">Plan</button>')
    assert (fields["order"], fields["planned_on"]) == (shop.order.number, str(on))
    chief.post(where, {**fields, "override_reason": "comes in for it"})
    assert (shop.now().planned_on, shop.now().assigned_to) == (on, shop.people.mechanic)
    assert shop.order.events.latest("pk").reason == "comes in for it"
    assert WorkOrder.objects.get(pk=other.pk).planned_on is None  # it was not chosen


def test_a_release_of_many_asks_why_who_is_not_at_work_shall_do_it(
    shop: Workshop, chief: Client
) -> None:
    on, order = away_on_monday(shop), drafted(shop, "W-1")
    sent = {"order": f"{order.number}:{order.version}", "planned_on": on}
    answer = chief.post("/work-orders/release", {**sent, "assigned_to": shop.people.mechanic.pk})
    asked = unescape(answer.content.decode())
    assert answer.status_code == 409
    assert "Mika is not at work on" in asked
    where, fields = form(asked, 'class="main">Release</button>')
    chief.post(where, {**fields, "override_reason": "comes in for it"})
    done = WorkOrder.objects.get(pk=order.pk)
    assert (done.state, done.planned_on, done.assigned_to) == ("released", on, shop.people.mechanic)


def test_the_question_is_answered_by_another_day(shop: Workshop, chief: Client) -> None:
    on = closed_day()
    asked = send(chief, page(chief, shop.page), ">Plan<", planned_on=on).content.decode()
    send(chief, asked, 'name="override_reason"', planned_on=on + timedelta(days=1))
    assert (shop.now().planned_on, shop.now().why_it_stands) == (on + timedelta(days=1), "")


def test_the_page_of_a_vehicle_asks_about_the_day_of_a_draft(shop: Workshop, chief: Client) -> None:
    on, vehicle = closed_day(), page(chief, "/vehicles/V-102")
    sent = send(chief, vehicle, 'id="draft-on"', planned_on=on, other_work="Mats")
    asked = unescape(sent.content.decode())
    assert words(on) in asked
    assert WorkOrder.objects.count() == 1
    send(chief, asked, 'name="override_reason"', override_reason="it must")
    made = WorkOrder.objects.latest("pk")
    assert (made.planned_on, made.why_it_stands) == (on, "it must")
    assert made.jobs.get().title == "Mats"


def test_many_that_are_planned_for_a_closed_day_are_not(shop: Workshop, chief: Client) -> None:
    on, order = closed_day(), drafted(shop, "W-1")
    listed = f"q={'x' * 600}"
    given = {"order": order.number, "planned_on": on, "query": listed}
    asked = unescape(chief.post("/work-orders/plan", given).content.decode())
    assert f">{order.number}</a> for W-1: {words(on)}" in asked
    assert WorkOrder.objects.get(pk=order.pk).planned_on is None
    assert "Planned 1 order" not in asked
    where, fields = form(asked, 'class="main">Plan</button>')
    assert fields["query"] == listed[:500]  # no list needs more
    assert "override_reason" in fields
    answer = chief.post(where, {**fields, "override_reason": "it must"}, follow=True)
    assert f"Planned 1 order for {on:%a} {on.day} " in unescape(answer.content.decode())
    row = WorkOrder.objects.get(pk=order.pk)
    assert (row.planned_on, row.why_it_stands) == (on, "it must")


def test_a_release_of_many_asks_about_a_closed_day(shop: Workshop, chief: Client) -> None:
    on, order, mika = closed_day(), drafted(shop, "W-1"), shop.people.mechanic
    sent = {"order": f"{order.number}:{order.version}", "planned_on": on, "assigned_to": mika.pk}
    asked = unescape(chief.post("/work-orders/release", sent).content.decode())
    assert f">{order.number}</a> for W-1: {words(on)}" in asked
    where, fields = form(asked, 'class="main">Release</button>')
    assert "override_reason" in fields
    refused = unescape(chief.post(where, fields, follow=True).content.decode())
    assert f">{order.number}</a> for W-1: {words(on)}" in refused  # no reason was given
    assert WorkOrder.objects.get(pk=order.pk).state == "drafted"
    chief.post(where, {**fields, "override_reason": "it must"})
    done = WorkOrder.objects.get(pk=order.pk)
    assert (done.state, done.planned_on, done.why_it_stands) == ("released", on, "it must")


# --- a day that is only proposed ---------------------------------------------------------------
def test_a_release_says_that_its_day_is_only_proposed(shop: Workshop, chief: Client) -> None:
    shop.order.delete()
    DueDate.objects.all().delete()
    planned_days(shop.people, Service.objects.get(slug="engine-oil"))
    order, on = WorkOrder.objects.get(), visit_of("V-101").on
    proposed = f"The plan proposes {on.day} {on:%b %Y} for V-101, and that day is not published"
    own_page = f"/work-orders/{order.number}"
    asked = send(chief, page(chief, own_page), ">Release<")
    assert asked.status_code == 409
    assert proposed in unescape(asked.content.decode())
    assert WorkOrder.objects.get().state == "drafted"
    # the list says the same, and where to look
    sent = {"order": f"{order.number}:{order.version}"}
    listed = unescape(chief.post("/work-orders/release", sent).content.decode())
    assert proposed in listed
    assert f'Workshop days proposes <a href="/workshop-days?depot=plain&from={on}">' in listed
    where, fields = form(listed, 'class="main">Release</button>')
    assert "override_reason" not in fields  # a yes is enough
    chief.post(where, fields)
    released = WorkOrder.objects.get()
    assert (released.state, released.planned_on) == ("released", None)
    assert released.events.latest("pk").reason == "it goes out without a day"


def test_a_release_of_many_says_once_that_their_days_are_only_proposed(
    shop: Workshop, chief: Client
) -> None:
    engine = Service.objects.get(slug="engine-oil")
    shop.order.delete()
    DueDate.objects.all().delete()
    planned_days(shop.people, engine)
    second = OrderDraft(vehicle_id=shop.people.second_van.pk, service_ids=[engine.pk])
    issue.draft(shop.actor(shop.people.supervisor), second)
    orders = list(WorkOrder.objects.select_related("vehicle").order_by("pk"))
    sent = {"order": [f"{one.number}:{one.version}" for one in orders]}
    listed = " ".join(unescape(chief.post("/work-orders/release", sent).content.decode()).split())
    assert listed.count("are not published: publish them first") == 1
    assert "that day is not published" not in listed
    links = [
        f'<a href="/work-orders/{one.number}">{one.number}</a> for {one.vehicle}' for one in orders
    ]
    assert f"{', '.join(links)}: Days that the plan proposes" in listed
    assert listed.count("Workshop days proposes") == 2  # each with its own day


def test_a_published_day_is_released_without_a_question(shop: Workshop, chief: Client) -> None:
    shop.order.delete()
    DueDate.objects.all().delete()
    plan = planned_days(shop.people, Service.objects.get(slug="engine-oil"))
    publish(shop.actor(shop.people.supervisor), plan.pk, visit_ids=[visit_of("V-101").pk])
    number = WorkOrder.objects.get(vehicle=shop.people.van).number
    send(chief, page(chief, f"/work-orders/{number}"), ">Release<")
    assert WorkOrder.objects.get(number=number).state == "released"


# --- beginning -----------------------------------------------------------------------------------
def test_a_mechanic_who_begins_on_a_closed_day_is_told_and_goes_on(
    shop: Workshop, signed_in: SignedIn
) -> None:
    Depot.objects.update(working_days="1111111")
    Closure.objects.create(depot=shop.people.plain, on=depots_day(), note="stocktaking")
    mechanic = signed_in(shop.people.mechanic)
    answer = send(mechanic, page(mechanic, shop.page), ">Start<")
    seen = unescape(page(mechanic, answer["Location"]))
    told = words(depots_day())
    assert f"is started. {told}: what is done is kept as it happened" in seen
    assert shop.now().state == "started"
    history = page(signed_in(shop.people.supervisor), shop.page).split('id="history-head"')[1]
    (row,) = re.findall(r"<tr>(?:(?!</tr>).)*?>start<.*?</tr>", history, re.S)
    assert told in unescape(row)


# --- work far from due -------------------------------------------------------------------------
def far_from_due(shop: Workshop) -> tuple[WorkOrder, str]:
    """A drafted order of engine oil that falls due in 828 days, and the words about that."""
    due_on = depots_day() + timedelta(days=828)
    DueDate.objects.filter(service=shop.oil).update(
        p50=due_on, sort_on=due_on, meter_life=0.2, calendar_life=None, calendar_on=None
    )
    WorkOrder.objects.update(state="drafted")
    today = depots_day()
    return shop.now(), (
        f"{shop.oil.name} falls due about {due_on.day} {due_on:%b %Y}, 828 days after "
        f"{today.day} {today:%b %Y}. Is it to be done so early?"
    )


def test_the_page_of_an_order_asks_about_work_far_from_due(shop: Workshop, chief: Client) -> None:
    Depot.objects.update(working_days="1111111")
    order, words = far_from_due(shop)
    answer = send(chief, page(chief, shop.page), ">Release<")
    asked = unescape(answer.content.decode())
    assert (answer.status_code, words in asked) == (409, True)
    assert shop.now().state == "drafted"
    send(chief, asked, 'name="override_reason"', override_reason="it is sold")
    assert shop.now().state == "released"
    assert order.events.latest("pk").reason == "it is sold"


def test_a_release_of_many_asks_about_work_far_from_due(shop: Workshop, chief: Client) -> None:
    Depot.objects.update(working_days="1111111")
    order, words = far_from_due(shop)
    sent = {"order": f"{order.number}:{order.version}"}
    asked = unescape(chief.post("/work-orders/release", sent).content.decode())
    assert words in asked
    where, fields = form(asked, 'class="main">Release</button>')
    chief.post(where, fields)
    assert shop.now().state == "drafted"
    chief.post(where, {**fields, "override_reason": "it is sold"})
    assert shop.now().state == "released"


def plan_form(html: str) -> dict[str, str]:
    """What the form with day and mechanic holds, the one with its own button."""
    return form(html, 'id="planned-on"')[1]


def test_day_and_mechanic_stay_as_typed_below_what_was_asked(shop: Workshop, chief: Client) -> None:
    on, mika = away_on_monday(shop), shop.people.mechanic
    WorkOrder.objects.update(planned_on=None, assigned_to=None)
    seen = page(chief, shop.page)
    assert (plan_form(seen)["planned_on"], plan_form(seen)["assigned_to"]) == ("", "")
    answer = send(chief, seen, 'id="planned-on"', planned_on=on, assigned_to=mika.pk)
    assert answer.status_code == 409
    kept = plan_form(answer.content.decode())
    assert (kept["planned_on"], kept["assigned_to"]) == (on.isoformat(), str(mika.pk))
    assert shop.now().planned_on is None


def test_day_and_mechanic_stay_as_typed_where_they_are_refused(
    shop: Workshop, chief: Client
) -> None:
    on, clerk = monday(), shop.people.clerk
    answer = send(chief, page(chief, shop.page), 'id="planned-on"', planned_on=on,
                  assigned_to=clerk.pk)  # fmt: skip
    assert answer.status_code == 422
    shown = answer.content.decode()
    assert "Choose a person of this depot who does the work." in shown
    assert plan_form(shown)["planned_on"] == on.isoformat()
    assert shop.now().planned_on == depots_day()


def test_what_was_set_is_said_with_a_day_as_elsewhere(shop: Workshop, chief: Client) -> None:
    on = monday()
    answer = send(chief, page(chief, shop.page), 'id="planned-on"', planned_on=on,
                  assigned_to=shop.people.mechanic.pk)  # fmt: skip
    said = page(chief, answer["Location"])
    assert f"{shop.order.number}: {on.day} {on:%b %Y}, Mika." in said
    answer = send(chief, said, 'id="planned-on"', planned_on="", assigned_to="")
    assert f"{shop.order.number}: no day yet, nobody in particular." in page(
        chief, answer["Location"]
    )


def history(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html.split('id="history-head"')[1]).split())


def test_the_history_says_which_day_and_whom_an_order_was_given(
    shop: Workshop, chief: Client
) -> None:
    on, mika = monday(), shop.people.mechanic

    def told(**typed: object) -> str:
        send(chief, page(chief, shop.page), 'id="planned-on"', **typed)
        return history(page(chief, shop.page))

    day_words = f"plan for {on:%a} {on.day} {on:%b %Y}"
    first = told(planned_on=on, assigned_to=mika.pk)
    assert day_words in first
    assert "assign to Mika" in first
    assert ": no" not in first
    last = told(planned_on="", assigned_to="")
    assert "plan: no day" in last
    assert "assign: nobody" in last
    # what came later leaves it as it was
    assert day_words in last
    assert "assign to Mika" in last
