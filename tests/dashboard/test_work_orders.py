import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from pytest_django import DjangoAssertNumQueries

from fleet.due.models import DueDate, Service
from fleet.people.models import Person
from fleet.vehicles.models import Depot
from fleet.workorders import issue, progress
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import DoNotUse, Escalation, Job, WorkOrder
from fleet.workorders.needed import follow
from tests.cast import depots_day, vehicle
from tests.dashboard.workshop import Workshop, finish

SignedIn = Callable[[Person], Client]


def page(client: Client, query: str = "") -> str:
    return client.get(f"/work-orders{query}").content.decode()


def drafted(shop: Workshop, number: str) -> WorkOrder:
    van = vehicle(number, shop.people.plain, shop.people.van_type)
    actor = shop.actor(shop.people.supervisor)
    return issue.draft(actor, OrderDraft(vehicle_id=van.pk, service_ids=[shop.oil.pk]))


def question(shop: Workshop, stage: str) -> Escalation:
    return Escalation.objects.create(
        vehicle=shop.people.van, service=shop.oil, stage=stage, since_on=depots_day()
    )


def test_open_orders_of_ones_depots_are_listed(shop: Workshop, signed_in: SignedIn) -> None:
    assert shop.order.number in page(signed_in(shop.people.viewer))
    assert shop.order.number not in page(signed_in(shop.people.outsider))


@pytest.mark.parametrize(
    ("query", "shown"),
    [
        ("?state=drafted", (True, False)),
        ("?state=released", (False, True)),
        ("?day=none", (True, False)),
        ("?search=V-101", (False, True)),
        ("?state=signed+off", (False, False)),
    ],
)
def test_filters_stand_in_the_address(
    query: str, shown: tuple[bool, bool], shop: Workshop, signed_in: SignedIn
) -> None:
    other = drafted(shop, "W-1")
    seen = page(signed_in(shop.people.supervisor), query)
    assert (f"/{other.number}" in seen, f"/{shop.order.number}" in seen) == shown


def test_a_day_narrows_the_list_and_what_is_no_day_is_named(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    today = depots_day()
    assert shop.order.number in page(client, f"?day={today}")
    assert shop.order.number not in page(client, f"?day={today + timedelta(days=1)}")
    assert "“31.3.2026” is not a date" in page(client, "?day=31.3.2026")


def test_rows_go_on_after_the_last_one_shown(shop: Workshop, signed_in: SignedIn) -> None:
    first, second = drafted(shop, "W-1"), drafted(shop, "W-2")
    client = signed_in(shop.people.supervisor)
    seen = page(client, f"?sort=day&after=0001-01-01.{first.pk}")
    shown = [f"/{order.number}" in seen for order in (first, second, shop.order)]
    assert shown == [False, True, True]
    on = shop.order.planned_on
    assert f"/{shop.order.number}" not in page(client, f"?sort=day&after={on}.{shop.order.pk}")


def test_the_number_of_queries_does_not_grow_with_the_list(
    shop: Workshop, signed_in: SignedIn, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for number in range(8):
        drafted(shop, f"W-{number}")
    client = signed_in(shop.people.supervisor)
    # session, person, depots; orders with their jobs, what stands on vehicles, small look-ups
    with django_assert_num_queries(6):
        page(client)


def test_one_click_releases_many_for_a_day_and_a_mechanic(
    shop: Workshop, signed_in: SignedIn
) -> None:
    orders = [drafted(shop, "W-1"), drafted(shop, "W-2")]
    given = {
        "order": [f"{order.number}:{order.version}" for order in orders],
        "planned_on": "2026-12-01",
        "assigned_to": shop.people.mechanic.pk,
    }
    answer = signed_in(shop.people.supervisor).post("/work-orders/release", given, follow=True)
    assert "Released 2 orders." in answer.content.decode()
    done = WorkOrder.objects.filter(
        state="released", planned_on="2026-12-01", assigned_to=shop.people.mechanic
    )
    assert set(done) == set(orders)


def offered(seen: str, mark: str = "") -> list[str]:
    """Orders of the form that releases the week's, those with a mark in their box."""
    form = seen[seen.index('<form class="week') :].split("</form>")[0]
    boxes = re.findall(r'<input type="checkbox" name="order" value="([^"]+)"([^>]*)>', form)
    return [value for value, marks in boxes if mark in marks]


def test_the_weeks_drafts_are_those_of_the_list_each_with_a_box(
    shop: Workshop, signed_in: SignedIn
) -> None:
    mine, other = drafted(shop, "W-1"), drafted(shop, "W-2")
    far = drafted(shop, "W-3")
    far.vehicle.depot = far.depot = shop.people.hill
    far.vehicle.save()
    far.save()
    shop.people.supervisor.depots.add(shop.people.hill)
    WorkOrder.objects.exclude(pk=shop.order.pk).update(planned_on=depots_day())
    client = signed_in(shop.people.supervisor)
    numbers = [f"{one.number}:{one.version}" for one in (mine, other, far)]
    assert offered(page(client)) == numbers
    assert offered(page(client, "?depot=plain")) == numbers[:2]
    assert offered(page(client, f"?search={other.number}")) == numbers[1:2]
    assert '<form class="week' not in page(client, "?state=released")
    # what is asked about a release stands beside the same list
    sent = {"order": numbers[:1], "query": "depot=plain"}
    asked = client.post("/work-orders/release", sent).content.decode()
    assert "Release 1 order as it is?" in asked
    assert offered(asked) == numbers[:2]


def test_a_draft_whose_day_has_passed_is_named_apart_and_goes_only_when_chosen(
    shop: Workshop, signed_in: SignedIn
) -> None:
    past, today = drafted(shop, "W-1"), drafted(shop, "W-2")
    for order, ago_d in ((past, 1), (today, 0)):
        on = depots_day() - timedelta(days=ago_d)
        WorkOrder.objects.filter(pk=order.pk).update(planned_on=on)
    client = signed_in(shop.people.supervisor)
    seen = page(client)
    assert offered(seen) == [f"{today.number}:1", f"{past.number}:1"]
    assert offered(seen, "checked") == [f"{today.number}:1"]
    assert seen.index("the day they were planned for has passed") < seen.index(f"{past.number}:1")
    WorkOrder.objects.filter(pk=today.pk).delete()
    assert "Release those chosen here" in page(client)


def test_one_press_releases_the_weeks_drafts_and_no_others(
    shop: Workshop, signed_in: SignedIn
) -> None:
    Depot.objects.update(working_days="1111111")  # whatever day it is
    last = depots_day() + timedelta(days=6)  # the next seven days, today among them
    planned, later = drafted(shop, "W-1"), drafted(shop, "W-2")
    needed, calm = drafted(shop, "W-3"), drafted(shop, "W-4")
    for order, day in ((planned, last), (later, last + timedelta(days=1))):
        progress.plan(shop.actor(shop.people.supervisor), order.pk, planned_on=day)
    for order, day in ((needed, last), (calm, last + timedelta(days=1))):
        row = DueDate.objects.get(vehicle=shop.people.van)
        row.pk, row.vehicle, row.bring_in_by_on = None, order.vehicle, day
        row.p50 = row.sort_on = day
        row.save()
    follow()
    client = signed_in(shop.people.supervisor)
    seen = page(client)
    chosen = offered(seen, "checked")
    assert f"{later.number}:2" in offered(seen)  # in a box of its own, unless chosen left out
    assert [one.partition(":")[0] for one in chosen] == [needed.number, planned.number]
    client.post("/work-orders/release", {"order": chosen, "anyway": "yes"})
    assert set(WorkOrder.objects.filter(state="released").exclude(pk=shop.order.pk)) == {
        *(planned, needed),
    }


def test_an_order_changed_meanwhile_is_left_out_and_named(
    shop: Workshop, signed_in: SignedIn
) -> None:
    order = drafted(shop, "W-1")
    progress.plan(shop.actor(shop.people.supervisor), order.pk, planned_on=None)
    client = signed_in(shop.people.supervisor)
    given = {"order": [f"{order.number}:{order.version}"], "anyway": "yes"}
    answer = client.post("/work-orders/release", given, follow=True)
    assert "was changed meanwhile" in answer.content.decode()
    assert WorkOrder.objects.get(pk=order.pk).state == "drafted"


@pytest.mark.parametrize("who", ["mechanic", "viewer", "clerk"])
def test_who_may_not_release_has_no_button_and_is_refused(
    who: str, shop: Workshop, signed_in: SignedIn
) -> None:
    order = drafted(shop, "W-1")
    client = signed_in(getattr(shop.people, who))
    assert "Release the chosen" not in page(client)
    client.post("/work-orders/release", {"order": [f"{order.number}:1"]})
    assert WorkOrder.objects.get(pk=order.pk).state == "drafted"


def test_orders_of_another_depot_cannot_be_released(shop: Workshop, signed_in: SignedIn) -> None:
    order = drafted(shop, "W-1")
    client = signed_in(shop.people.outsider)
    answer = client.post("/work-orders/release", {"order": [f"{order.number}:1"]})
    assert answer.status_code == 404


def test_a_row_of_due_drafts_an_order_and_then_leads_to_it(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    assert 'value="engine-oil:V-102"' in client.get("/due?search=V-102").content.decode()
    client.post("/work-orders/draft-many", {"row": "engine-oil:V-102"})
    order = WorkOrder.objects.get(vehicle=shop.people.second_van)
    seen = client.get("/due?search=V-102").content.decode()
    assert order.number in seen
    assert 'value="engine-oil:V-102"' not in seen


def test_many_drafted_at_once_take_their_early_windows_along_when_asked(
    shop: Workshop, signed_in: SignedIn
) -> None:
    row = DueDate.objects.get(vehicle=shop.people.second_van)
    row.pk, row.p50 = None, depots_day() - timedelta(days=1)
    row.service = Service.objects.create(
        vehicle_type=shop.people.van_type,
        compartment=shop.oil.compartment,
        slug="fuel-filter",
        name="Fuel filter",
        source="invented for the tests",
    )
    row.save()
    given = {"row": "engine-oil:V-102", "join_early": "yes"}
    client = signed_in(shop.people.supervisor)
    said = client.post("/work-orders/draft-many", given, follow=True).content.decode()
    assert "for V-102: Engine oil, Fuel filter." in said


def test_services_in_their_early_window_are_offered_and_join_only_when_chosen(
    shop: Workshop, signed_in: SignedIn
) -> None:
    row = DueDate.objects.get(vehicle=shop.people.second_van)
    filter_change = Service.objects.create(
        vehicle_type=shop.people.van_type,
        compartment=shop.oil.compartment,
        slug="fuel-filter",
        name="Fuel filter",
        source="invented for the tests",
    )
    row.pk, row.service = None, filter_change
    row.p50 = depots_day() - timedelta(days=1)
    row.save()
    client = signed_in(shop.people.supervisor)
    seen = client.get("/vehicles/V-102").content.decode()
    assert 'value="fuel-filter"> Fuel filter' in seen
    chosen = {"vehicle": "V-102", "service": ["engine-oil"]}
    client.post("/work-orders/draft", chosen)
    first = WorkOrder.objects.latest("pk")
    assert first.jobs.get().title == "Engine oil"
    first.delete()
    client.post("/work-orders/draft", {**chosen, "service": ["engine-oil", "fuel-filter"]})
    titles = WorkOrder.objects.latest("pk").jobs.values_list("title", flat=True)
    assert set(titles) == {"Engine oil", "Fuel filter"}


def test_a_second_order_for_the_same_service_is_refused_in_words(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    given = {"vehicle": "V-101", "service": "engine-oil"}
    answer = client.post("/work-orders/draft", given, follow=True)
    assert f"Engine oil is on {shop.order} already" in answer.content.decode()


def test_a_mechanic_drafts_nothing(shop: Workshop, signed_in: SignedIn) -> None:
    given = {"vehicle": "V-102", "service": "engine-oil"}
    assert signed_in(shop.people.mechanic).post("/work-orders/draft", given).status_code == 403


def test_an_overdue_service_is_asked_about_at_its_furthest_stage_only(
    shop: Workshop, signed_in: SignedIn
) -> None:
    question(shop, Escalation.Stage.SUPERVISOR)
    last = question(shop, Escalation.Stage.USE_OR_STAND_DOWN)
    client = signed_in(shop.people.supervisor)
    assert page(client).count('name="answer" value="use"') == 1
    client.post(f"/work-orders/questions/{last.pk}", {"answer": "stand down", "reason": "oil gone"})
    assert DoNotUse.objects.get().reason == "stood down: oil gone"
    assert "To decide" not in page(client)


def test_a_mechanic_does_not_answer_and_another_depot_does_not_see(
    shop: Workshop, signed_in: SignedIn
) -> None:
    row = question(shop, Escalation.Stage.SUPERVISOR)
    given = {"answer": "use", "reason": "x"}
    for who, status in ((shop.people.mechanic, 403), (shop.people.outsider, 404)):
        answer = signed_in(who).post(f"/work-orders/questions/{row.pk}", given)
        assert answer.status_code == status
    assert Escalation.objects.get().answer == ""


def came_back(shop: Workshop) -> Job:
    shop.start()
    actor = shop.actor(shop.people.mechanic)
    return progress.end_job(actor, shop.job.pk, state="not done", reason="plug seized")


def test_a_job_that_came_back_goes_on_a_new_order(shop: Workshop, signed_in: SignedIn) -> None:
    job = came_back(shop)
    client = signed_in(shop.people.supervisor)
    assert "plug seized" in page(client)
    client.post(f"/work-orders/jobs/{job.pk}", {"decision": "again", "reason": "plug ordered"})
    assert WorkOrder.objects.latest("pk").jobs.get().service == shop.oil
    assert "To decide" not in page(client)


def test_a_job_that_came_back_is_left_with_a_reason(shop: Workshop, signed_in: SignedIn) -> None:
    job = came_back(shop)
    client = signed_in(shop.people.supervisor)
    client.post(f"/work-orders/jobs/{job.pk}", {"decision": "leave", "reason": ""})
    assert "To decide" in page(client)
    client.post(f"/work-orders/jobs/{job.pk}", {"decision": "leave", "reason": "van is sold"})
    assert shop.order.events.latest("pk").reason == "van is sold"
    assert "To decide" not in page(client)


def test_services_on_time_are_counted_by_month(shop: Workshop, signed_in: SignedIn) -> None:
    finish(shop)
    seen = page(signed_in(shop.people.supervisor)).split("Done on time", 1)[1]
    assert "(100\u202f%)" in seen
