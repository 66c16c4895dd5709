"""Other work on the pages: entered at the vehicle, drawn in its visit, carried to the card."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client

from fleet.people.models import Person
from fleet.visits import plan as plans
from fleet.visits.models import OtherWork, Plan, Visit
from fleet.workorders.models import WorkOrder
from tests.cast import Cast, cast, depots_day
from tests.dashboard.days import PAGE, follow, monday
from tests.dashboard.rendered import page, send
from tests.kept import kept

pytestmark = pytest.mark.django_db
SignedIn = Callable[[Person], Client]
VAN = "/vehicles/V-101"
ENTER, CORRECT, END = '/other-work">', "Correct</button>", "End it"
RECALL = {"kind": "recall", "title": "Belt tensioner", "number": "R-77", "minutes": "90"}


@kept
def people() -> Cast:
    return cast()


def entered(client: Client, **typed: str) -> str:
    return follow(client, send(client, page(client, VAN), ENTER, **{**RECALL, **typed}))


def planned(people: Cast) -> Plan:
    (found,) = plans.plan([people.plain.pk], depots_day())
    return found


def test_it_is_entered_at_the_vehicle_and_stands_there(chief: Client) -> None:
    on = monday() + timedelta(days=2)
    assert "Belt tensioner (R-77) is entered" in entered(chief, fixed_on=on.isoformat())
    shown = page(chief, VAN)
    assert f"90 min, fixed to {on:%a} {on.day} {on:%b %Y}" in shown
    assert "entered by sura" in shown


def test_a_fixed_day_on_which_it_is_closed_is_asked_about(chief: Client) -> None:
    saturday = monday() + timedelta(days=5)
    asked = send(chief, page(chief, VAN), ENTER, **RECALL, fixed_on=saturday.isoformat())
    assert asked.status_code == 409
    shown = asked.content.decode()
    assert "as on every Saturday: no plan can keep that day" in shown
    assert not OtherWork.objects.exists()
    # another day, in the form that asks
    friday = saturday - timedelta(days=1)
    answer = send(chief, shown, "override_reason", fixed_on=friday.isoformat())
    assert "is entered" in follow(chief, answer)
    assert OtherWork.objects.get().fixed_on == friday


def test_a_reason_lets_a_closed_day_stand_and_is_shown(chief: Client) -> None:
    saturday = monday() + timedelta(days=5)
    asked = send(chief, page(chief, VAN), ENTER, **RECALL, fixed_on=saturday.isoformat())
    why = "the inspector comes"
    follow(chief, send(chief, asked.content.decode(), "override_reason", override_reason=why))
    work = OtherWork.objects.get()
    assert (work.fixed_on, work.why_it_stands, work.number) == (saturday, why, "R-77")
    assert f"it stands: {why}" in page(chief, VAN)


def test_a_refused_form_keeps_what_was_typed(chief: Client) -> None:
    shown = page(chief, VAN)
    answer = send(chief, shown, ENTER, **{**RECALL, "number": " "})
    again = answer.content.decode()
    assert answer.status_code == 422
    assert "Give the number of the recall" in again
    assert 'value="Belt tensioner"' in again
    assert not OtherWork.objects.exists()


def test_it_is_corrected_ended_and_taken_back(chief: Client) -> None:
    entered(chief)
    shown = page(chief, VAN)
    assert "with the next visit" in shown
    shown = follow(chief, send(chief, shown, CORRECT, minutes="40", skills="gas; lift"))
    assert "40 min" in shown
    assert "asks for gas and lift" in shown
    answer = send(chief, shown, END, ending="cancelled")
    assert "Say why it is not to be done" in answer.content.decode()
    shown = follow(chief, send(chief, shown, END, ending="cancelled", reason="sold"))
    assert "<strong>cancelled</strong>" in shown
    shown = follow(chief, send(chief, shown, "the ending of Belt tensioner"))
    assert "is open again" in shown


def test_it_is_drawn_in_its_visit_with_its_words(chief: Client, people: Cast) -> None:
    on = monday() + timedelta(days=2)
    entered(chief, fixed_on=on.isoformat())
    found = planned(people)
    visit = Visit.objects.get(plan=found, services__work__isnull=False)
    assert visit.on == on
    shown = page(chief, f"{PAGE}&from={monday()}")
    assert "<li>Belt tensioner (R-77)" in shown
    assert "Belt tensioner (R-77)" in shown.split('class="print')[-1]
    alone = page(chief, f"/workshop-days/visits/{visit.pk}")
    assert "the day is fixed" in alone
    assert f"fixed: {on.day} {on:%b %Y}" in alone


def test_the_mechanic_sees_it_on_the_card(chief: Client, people: Cast, signed_in: SignedIn) -> None:
    entered(chief, fixed_on=(monday() + timedelta(days=2)).isoformat())
    found = planned(people)
    visit = Visit.objects.get(plan=found, services__work__isnull=False)
    publish = page(chief, f"/workshop-days/publish?depot=plain&from={visit.on}&until={visit.on}")
    follow(chief, send(chief, publish, "Publish"))
    order = WorkOrder.objects.get(jobs__title="Belt tensioner (R-77)")
    assert order.planned_on == visit.on
    assert "Belt tensioner (R-77)" in page(signed_in(people.mechanic), f"/work-orders/{order}/card")
    shown = page(chief, VAN)
    assert f'on <a href="/work-orders/{order}">{order}</a>' in shown


def test_what_could_be_done_as_well_stands_on_visit_order_card_and_today(
    chief: Client, people: Cast, signed_in: SignedIn
) -> None:
    entered(chief)
    order = WorkOrder.objects.get(number="W-1")
    WorkOrder.objects.update(planned_on=depots_day(), state="released")
    mechanic, said = signed_in(people.mechanic), "Also due or in its early window"
    visit = Visit.objects.filter(vehicle=people.van).latest("pk")
    addresses = (f"/work-orders/{order}", f"/work-orders/{order}/card", "/todays-orders",
                 f"/workshop-days/visits/{visit.pk}")  # fmt: skip
    for where in addresses:
        shown = page(mechanic, where)
        assert said in shown, where
        assert "Belt tensioner (R-77)" in shown.split(said)[1][:200], where


def test_who_may_not_release_sees_it_and_no_form(
    chief: Client, people: Cast, signed_in: SignedIn
) -> None:
    entered(chief)
    shown = page(signed_in(people.mechanic), VAN)
    assert "Belt tensioner" in shown
    assert "/other-work" not in shown
    answer = signed_in(people.mechanic).post(f"{VAN}/other-work", RECALL)
    assert answer.status_code == 403
