"""What a plan says of a day it chose: how early, what that wastes, and why, also once it stands."""

from datetime import timedelta
from html import unescape

import pytest
import time_machine
from django.test import Client

from fleet.due.models import DueDate
from fleet.people.actor import Actor
from fleet.visits.listing import gap, service_rows
from fleet.visits.models import Mechanic, OtherWork, Plan, PlannedService, ServiceNeed, Visit
from fleet.visits.moves import move
from fleet.visits.publish import publish
from fleet.workorders.models import Job, Procedure, Step, WorkOrder
from tests import scene
from tests.visits.depot import TODAY, fleet, planned

pytestmark = pytest.mark.django_db
SHARED, STANDS = "cheaper on a shared visit", "its day stands"


def engine(found: Plan) -> PlannedService:
    return found.services.select_related("visit").get(service__slug="engine-oil")


def early() -> PlannedService:
    """Gearbox oil due in 10 days, engine oil in 30: one visit, as 20 days early cost 9, a visit 50.

    By hand: a change of 90 every 200 days, so 0.45 a day.
    """
    fleet({"V-1": (10, 30)})
    return engine(planned())


def page(chief: Actor, visit: Visit) -> str:
    client = Client()
    client.force_login(chief.person)
    answer = client.get(f"/workshop-days/visits/{visit.pk}")
    return unescape(answer.content.decode())


def test_how_early_it_is_and_what_that_wastes_is_kept() -> None:
    found = early()
    assert found.visit is not None
    assert found.reason == SHARED
    days = (TODAY + timedelta(days=30) - found.visit.on).days  # its law is even about day 30
    assert found.early_d == pytest.approx(days, abs=0.6)
    assert found.early_minor == pytest.approx(45 * found.early_d, abs=1)


def test_days_early_and_late_are_told_to_the_tenth() -> None:
    found = early()
    PlannedService.objects.filter(pk=found.pk).update(late_d=2.34, early_d=18.26)
    (row,) = [one for one in service_rows(found.plan) if one.service == "Engine oil"]
    assert (row.late_d, row.early_d) == (2.3, 18.3)


@pytest.mark.parametrize(
    ("cost", "bound", "share"),
    # by hand; where nothing is paid nothing can be saved, and a bound above the cost is rounding
    [(300, 200, 0.333333), (1, 0, 1.0), (300, 301, 0.0), (0, 0, 0.0), (0, -5, 0.0)],
)
def test_a_better_plan_is_cheaper_by_this_share_at_most(
    cost: int, bound: int, share: float
) -> None:
    assert gap(cost, bound) == share


def test_what_is_done_years_before_is_counted_whole() -> None:
    """Beyond the days that a plan looks at, too: a plan's law ends 176 days ahead."""
    (van,) = fleet({"V-1": (10, 30)})
    on = TODAY + timedelta(days=600)
    row = van.due_dates.get(service__slug="engine-oil")
    row.p10, row.p50, row.p90 = on - timedelta(9), on, on + timedelta(9)
    row.km_p10, row.km_p50, row.km_p90 = row.p10, row.p50, row.p90
    row.sort_on, row.meter_life = TODAY + timedelta(days=300), 0.0
    row.save()
    row.service.early_share = 1.0
    row.service.save()
    found = engine(planned())
    assert found.visit is not None
    days = (on - found.visit.on).days
    assert found.early_d == pytest.approx(days, rel=0.01)


def test_the_page_says_what_the_early_days_cost_and_what_they_save(chief: Actor) -> None:
    with time_machine.travel(scene.NOW, tick=False):
        found = early()
        assert found.visit is not None
        days, minor = round(found.early_d), found.early_minor
        shown = page(chief, found.visit)
        assert (
            f"done {days} days early: wastes about {minor / 100:.2f} EUR of its life, saves a "
            "visit of 50.00 EUR"
        ) in shown
        assert shown.count("days early") == 1  # the other is on its day


def test_the_order_its_card_and_the_api_say_the_same_of_early_days(chief: Actor) -> None:
    with time_machine.travel(scene.NOW, tick=False):
        found = early()
        assert found.visit is not None
        publish(chief, found.plan_id, visit_ids=[found.visit.pk])
        order, client = WorkOrder.objects.get(), Client()
        client.force_login(chief.person)
        said = (
            f"done {round(found.early_d)} days early: wastes about {found.early_minor / 100:.2f} "
            "EUR of its life, saves a visit of 50.00 EUR"
        )
        for page_of_it in (f"/work-orders/{order}", f"/work-orders/{order}/card"):
            shown = unescape(client.get(page_of_it).content.decode())
            assert shown.count(f"Engine oil: {said}.") == 1
            assert shown.count("days early") == 1
        (row,) = [one for one in service_rows(found.plan) if one.service == "Engine oil"]
        assert row.early == said
        assert "days early" in page(chief, found.visit)
        # on another day, or once it is over, that is not said
        WorkOrder.objects.update(planned_on=TODAY + timedelta(days=1))
        assert "days early" not in client.get(f"/work-orders/{order}").content.decode()
        WorkOrder.objects.update(planned_on=found.visit.on, state="finished")
        assert "days early" not in client.get(f"/work-orders/{order}").content.decode()


def test_the_reason_of_the_plan_that_chose_a_day_stays_when_the_day_stands(chief: Actor) -> None:
    with time_machine.travel(scene.NOW, tick=False):
        found = early()
        assert found.visit is not None
        publish(chief, found.plan_id, visit_ids=[found.visit.pk])
        for ahead in (0, 1):
            stands = engine(planned(TODAY + timedelta(days=ahead)))
            assert (stands.reason, stands.planned_because) == (STANDS, SHARED)
            assert stands.early_minor == pytest.approx(found.early_minor, abs=60)
        assert stands.visit is not None
        assert "a plan chose it: together with the others it costs less" in page(
            chief, stands.visit
        )


def test_a_day_that_a_person_chose_has_no_reason_of_a_plan(chief: Actor) -> None:
    found = early()
    assert found.visit is not None
    on = found.visit.on + timedelta(days=1 if found.visit.on.weekday() < 4 else 3)
    move(chief, found.plan_id, found.visit.pk, on=on)
    moved = engine(found.plan)
    assert (moved.reason, moved.planned_because) == ("set by hand", "")
    apart = (on - found.visit.on).days
    assert moved.early_d == pytest.approx(found.early_d - apart, abs=0.2)
    stands = engine(planned(TODAY + timedelta(days=1)))
    assert (stands.reason, stands.planned_because) == (STANDS, "set by hand")


def test_an_order_put_on_a_day_by_hand_has_none_either() -> None:
    fleet({"V-1": (10, 30)})
    row = DueDate.objects.get(service__slug="engine-oil")
    order = WorkOrder.objects.create(
        number="W-1", vehicle=row.vehicle, depot=row.depot, planned_on=TODAY + timedelta(days=4)
    )
    Job.objects.create(
        order=order, vehicle=row.vehicle, service=row.service, title="Oil", minutes=30
    )
    assert engine(planned()).planned_because == ""


# --- minutes -------------------------------------------------------------------------------
def test_the_minutes_of_a_visit_are_taken_apart(chief: Actor) -> None:
    with time_machine.travel(scene.NOW, tick=False):
        fleet({"V-1": (10, 12)})
        gearbox = DueDate.objects.get(service__slug="gearbox-oil").service
        procedure = Procedure.objects.create(
            service=gearbox, family="other", minutes=60, source="invented", edition="1"
        )
        Step.objects.create(procedure=procedure, number=1, text="Let it run off.", wait_min=15)
        ServiceNeed.objects.create(service=gearbox, second_min=10, source="invented")
        for name in ("Ada", "Otto"):
            Mechanic.objects.create(depot=scene.depot(), name=name, source="invented")
        visit = planned().visits.get()
        # by hand: set-up 20, gearbox 60 and engine oil without a book 30, 15 of waiting
        assert (visit.minutes, visit.work_min) == (125, 120)
        shown = page(chief, visit)
    assert (
        "20 min to set up, once a visit + 90 min of what is listed below + 15 min waited in the "
        "bay + 10 min of a second person at the same time"
    ) in shown


def test_other_jobs_of_its_orders_are_named_apart(chief: Actor) -> None:
    with time_machine.travel(scene.NOW, tick=False):
        fleet({"V-1": (10,)})
        row = DueDate.objects.get()
        order = WorkOrder.objects.create(
            number="W-1", vehicle=row.vehicle, depot=row.depot, planned_on=TODAY
        )
        for service, minutes in ((row.service, 30), (None, 45)):
            Job.objects.create(
                order=order, vehicle=row.vehicle, service=service, title="x", minutes=minutes
            )
        visit = planned().visits.get()
        assert visit.work_min == 95  # by hand: 20 + 30 + 45
        shown = page(chief, visit)
    assert "+ 30 min of what is listed below + 45 min that its orders have besides" in shown


def test_of_two_orders_the_minutes_are_those_of_their_jobs_and_add_up(chief: Actor) -> None:
    """By hand: 20 to set up, 45 as its order has the gearbox oil, 30 taken for the engine oil,
    as neither its order nor a book has minutes, and 25 as its order has the finding's remedy."""
    with time_machine.travel(scene.NOW, tick=False):
        fleet({"V-1": (10, 12)})
        rows = DueDate.objects.select_related("vehicle", "depot")
        for number, (row, minutes) in enumerate(zip(rows.order_by("pk"), (45, 0), strict=True)):
            order = WorkOrder.objects.create(
                number=f"W-{number}", vehicle=row.vehicle, depot=row.depot, planned_on=TODAY
            )
            Job.objects.create(order=order, vehicle=row.vehicle, service=row.service, title="Oil",
                               minutes=minutes)  # fmt: skip
        job = Job.objects.create(order=order, vehicle=row.vehicle, title="Hose", minutes=25)
        OtherWork.objects.create(
            vehicle=row.vehicle, kind="finding", title="Hose", minutes=30, job=job
        )
        visit = planned().visits.get()
        assert (visit.minutes, visit.work_min) == (120, 120)
        shown = page(chief, visit)
    assert "120 min in the bay, 120 min of work" in shown
    assert "20 min to set up, once a visit + 100 min of what is listed below</span>" in shown


def test_a_visit_planned_with_fewer_minutes_than_now_says_so(chief: Actor) -> None:
    with time_machine.travel(scene.NOW, tick=False):
        fleet({"V-1": (10,)})
        visit = planned().visits.get()
        service = DueDate.objects.get().service
        Procedure.objects.create(
            service=service, family="other", minutes=70, source="invented", edition="1"
        )
        shown = page(chief, visit)
    # by hand: 20 and the 30 that it was planned with are 50, and the book has 70 now
    assert (
        "70 min of what is listed below \N{MINUS SIGN} 40 min, as it was planned with fewer"
        in shown
    )
