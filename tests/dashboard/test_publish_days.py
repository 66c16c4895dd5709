"""Publishing workshop days: told before it is done, and done as it was told."""

from collections.abc import Callable
from datetime import timedelta
from html import unescape
from urllib.parse import urlencode

import pytest
from django.test import Client

from fleet.due.models import Service
from fleet.people.models import Person
from fleet.vehicles.models import Closure
from fleet.visits.models import Mechanic, Plan
from fleet.workorders.models import Job, OrderEvent, WorkOrder
from tests.cast import Cast, cast
from tests.dashboard.days import follow, monday, visit_of
from tests.dashboard.forms import forms_of
from tests.dashboard.rendered import form, page
from tests.kept import kept

pytestmark = pytest.mark.django_db
SignedIn = Callable[[Person], Client]


@kept
def people() -> Cast:
    return cast()


def shown_to_publish(chief: Client) -> str:
    until = monday() + timedelta(days=7)
    return page(chief, f"/workshop-days/publish?depot=plain&until={until}")


def test_publishing_is_told_before_it_is_done(chief: Client, days: Plan) -> None:
    shown = unescape(shown_to_publish(chief))
    assert "2 orders will change or be drafted" in shown
    assert "given to Mika" in shown
    assert "a new one" in shown
    assert WorkOrder.objects.get().planned_on is None
    assert not OrderEvent.objects.exists()


def test_a_day_that_was_closed_since_is_said_before_and_after(
    people: Cast, chief: Client, days: Plan
) -> None:
    on = visit_of("V-101").on
    Closure.objects.create(depot=people.plain, on=on, note="stocktaking")
    shown = unescape(shown_to_publish(chief))
    assert "of these visits" in shown
    assert (
        f"V-101 stands on {on.day} {on:%b %Y}, when the workshop is closed (stocktaking)" in shown
    )
    said = follow(chief, _publish_whole(chief, shown))
    order = WorkOrder.objects.get(vehicle__fleet_number="V-101")
    assert f"{order.number}" in said
    assert "when the workshop is closed (stocktaking): choose another day" in said


def test_what_was_told_is_what_is_done(chief: Client, days: Plan) -> None:
    said = follow(chief, _publish_whole(chief, shown_to_publish(chief)))
    assert "2 orders changed or drafted" in said
    assert "Every visit of this plan is published" in said
    for number in ("V-101", "V-102"):
        order = WorkOrder.objects.get(vehicle__fleet_number=number)
        assert (order.state, order.planned_on) == ("drafted", visit_of(number).on)


def test_published_twice_nothing_is_offered(chief: Client, days: Plan) -> None:
    shown = shown_to_publish(chief)
    _publish_whole(chief, shown)
    events = OrderEvent.objects.count()
    again = shown_to_publish(chief)
    assert "Publish these" not in again
    assert "<details open><summary>2 orders are so already</summary>" in again
    assert "so already" not in shown  # when all of it was still to be done
    assert "published already" in follow(chief, _publish_whole(chief, shown))
    assert OrderEvent.objects.count() == events


def _publish_whole(chief: Client, shown: str) -> object:
    """All values of fields that repeat, as a browser sends them."""
    (sent,) = [one for one in forms_of(shown) if one.action == "/workshop-days/publish"
               and one.method == "post"]  # fmt: skip
    return chief.post(sent.action, {name: list(values) for name, values in sent.sent.items()})


def test_an_order_changed_since_it_was_shown_is_told_and_left(chief: Client, days: Plan) -> None:
    shown = shown_to_publish(chief)
    WorkOrder.objects.update(version=7)
    said = follow(chief, _publish_whole(chief, shown))
    assert "W-1 was changed meanwhile" in said
    assert WorkOrder.objects.get(number="W-1").planned_on is None
    assert WorkOrder.objects.filter(vehicle__fleet_number="V-102").exists()


def test_publishing_a_plan_that_is_older_or_unclear_is_refused(chief: Client, days: Plan) -> None:
    for given in ({"plan": "x"}, {"plan": "999999:1"}, {"plan": f"{days.pk}:9"}):
        answer = chief.post("/workshop-days/publish", {"depot": "plain", **given})
        assert 'class="notice notice-error"' in follow(chief, answer)
    assert not OrderEvent.objects.exists()


def test_an_odd_day_is_told(chief: Client, days: Plan) -> None:
    answer = chief.get("/workshop-days/publish?depot=plain&until=soon")
    assert "is not a date" in follow(chief, answer)


def test_a_released_order_is_named_to_be_moved(chief: Client, days: Plan) -> None:
    WorkOrder.objects.update(state="released")
    shown = unescape(shown_to_publish(chief))
    order, on = WorkOrder.objects.get(), visit_of("V-101").on
    assert "only when you name them" in shown
    assert f"W-1 of V-101, to {on:%a} {on.day} {on:%b %Y}" in shown
    # one of two visits: that of the other van, which has no order yet
    assert "1 order will change or be drafted, of 1 visit. 1 visit will not be published." in shown
    assert "Publish this 1 visit<" in shown
    where, fields = form(shown, "See it again with these")
    again = page(chief, f"{where}?{urlencode({**fields, 'released': order.pk})}")
    assert "2 orders will change or be drafted, of 2 visits." in again
    assert "Publish these 2 visits<" in again
    said = follow(chief, _publish_whole(chief, again))
    assert "2 orders changed or drafted" in said
    order.refresh_from_db()
    assert (order.state, order.planned_on) == ("released", on)


def test_what_was_not_named_is_not_sent(chief: Client, days: Plan) -> None:
    WorkOrder.objects.update(state="released")
    said = follow(chief, _publish_whole(chief, shown_to_publish(chief)))
    assert "1 order changed or drafted" in said
    assert "refused" not in said
    assert WorkOrder.objects.get(number="W-1").planned_on is None


def test_all_released_orders_are_named_at_once(people: Cast, chief: Client, days: Plan) -> None:
    service = Service.objects.get(pk=visit_of("V-102").services.get().service_id)
    other = WorkOrder.objects.create(number="W-2", vehicle=people.second_van, depot=people.plain)
    Job.objects.create(
        order=other, vehicle=people.second_van, service=service, title="Oil", minutes=30
    )
    WorkOrder.objects.update(state="released")
    shown = shown_to_publish(chief)
    assert "Nothing will change" in shown
    assert "Publish th" not in shown
    assert "Name all 2" in shown
    where, fields = form(shown, "See it again with these")
    again = page(chief, f"{where}?{urlencode({**fields, 'all': '1'})}")
    assert again.count(" checked>") == 2
    assert "2 orders changed" in follow(chief, _publish_whole(chief, again))


def test_a_planned_mechanic_who_does_not_sign_in_is_told_before(chief: Client, days: Plan) -> None:
    Mechanic.objects.update(person=None)
    sentence = "M. Fernholt does not sign in: nobody is assigned"
    shown = shown_to_publish(chief)
    assert unescape(shown).count(sentence) == 2
    assert sentence in follow(chief, _publish_whole(chief, shown))
    assert WorkOrder.objects.filter(assigned_to=None).count() == 2
