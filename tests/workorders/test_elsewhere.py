"""What is due on a vehicle and stands on another order is named at each of its orders."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.workorders import jobcard
from fleet.workorders.elsewhere import DueElsewhere, due_elsewhere
from fleet.workorders.models import Job, WorkOrder
from tests import scene
from tests.kept import kept
from tests.visits.depot import TODAY, fleet

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("today")]


@pytest.fixture
def today(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleet.workorders.elsewhere.today_at", lambda zone: TODAY)


def orders(*ahead_d: float) -> list[WorkOrder]:
    """Orders of one van, one for each service, due so many days ahead."""
    (van,) = fleet({"V-1": ahead_d})
    made = []
    for row in van.due_dates.order_by("pk"):
        made.append(WorkOrder.objects.create(number=f"W-{row.pk}", vehicle=van, depot=van.depot))
        Job.objects.create(order=made[-1], vehicle=van, service=row.service, title="Oil")
    return made


@kept
def two() -> list[WorkOrder]:
    return orders(-286, -3)


def test_what_another_order_has_is_named_with_its_lateness_order_and_day(
    two: list[WorkOrder],
) -> None:
    gearbox, engine = two
    gearbox.planned_on = TODAY + timedelta(days=1)
    gearbox.save()
    said = DueElsewhere(
        service="gearbox-oil",
        name="Gearbox oil",
        state="probably_overdue",
        late_d=286,
        order=gearbox.number,
        planned_on=TODAY + timedelta(days=1),
    )
    assert jobcard.card(engine.pk, [engine.depot]).also_due == (said,)
    assert [row.order for row in jobcard.card(gearbox.pk, [gearbox.depot]).also_due] == [
        engine.number
    ]


def test_what_is_not_due_yet_is_left_out_and_what_is_early_is_not_late() -> None:
    # of 200 days 90 % are used where 20 are left: within the last 15 %; half is not
    early, late = orders(20, 100)
    found = due_elsewhere([early, late], [early.depot])
    assert (found[early.pk], [row.late_d for row in found[late.pk]]) == ((), [None])


def test_nothing_is_named_once_it_is_done_or_on_an_order_that_has_ended(
    two: list[WorkOrder],
) -> None:
    gearbox, engine = two
    gearbox.jobs.update(state=Job.State.DONE)
    assert due_elsewhere([engine], [engine.depot])[engine.pk] == ()
    engine.state = WorkOrder.State.FINISHED
    assert due_elsewhere([engine], [engine.depot]) == {}


def test_other_vehicles_are_no_matter(two: list[WorkOrder]) -> None:
    van = scene.van("V-2")
    order = WorkOrder.objects.create(number="W-far", vehicle=van, depot=van.depot)
    assert due_elsewhere([order, *two], [order.depot])[order.pk] == ()


def test_an_order_of_a_depot_that_is_not_seen_is_not_named(two: list[WorkOrder]) -> None:
    gearbox, engine = two
    far = scene.depot("far")
    gearbox.depot, gearbox.planned_on = far, TODAY
    gearbox.save()
    (named,) = due_elsewhere([engine], [engine.depot, far])[engine.pk]
    (said,) = due_elsewhere([engine], [engine.depot])[engine.pk]
    assert (named.order, named.planned_on) == (gearbox.number, TODAY)
    assert (said.name, said.late_d, said.order, said.planned_on) == ("Gearbox oil", 286, "", None)


def test_who_has_one_order_is_asked_about_no_further(two: list[WorkOrder]) -> None:
    gearbox, engine = two
    with CaptureQueriesContext(connection) as of_two:
        assert due_elsewhere([gearbox], [gearbox.depot])[gearbox.pk]
    engine.jobs.all().delete()
    with CaptureQueriesContext(connection) as of_one:
        assert due_elsewhere([gearbox], [gearbox.depot]) == {gearbox.pk: ()}
    assert (len(of_two), len(of_one)) == (2, 1)
