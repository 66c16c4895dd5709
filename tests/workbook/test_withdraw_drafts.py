"""A load withdrawn: the next night cancels the drafts that rested on it alone."""

from datetime import date, datetime, timedelta

import pytest
import time_machine

from fleet import chain
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.vehicles.models import Depot
from fleet.workbook.models import Load
from fleet.workbook.withdraw import follow, withdraw
from fleet.workorders import progress
from fleet.workorders.models import OrderEvent, WorkOrder
from tests.cast import person
from tests.workbook.small import NOW, load_small, small_workbook

pytestmark = pytest.mark.django_db
LOADED, WITHDRAWN = NOW + timedelta(days=1), NOW + timedelta(days=3)
WHY = "months were typed as years"


def night(on: date) -> None:
    with time_machine.travel(datetime.combine(on, NOW.timetz()) + timedelta(hours=1), tick=False):
        chain.nightly(on)


@pytest.fixture
def load() -> Load:
    """Oil of 18 months: 60 are allowed, by mistake 18; an order is drafted."""
    load_small(small_workbook())
    wrong = small_workbook()
    wrong["Limits"][0]["Interval [months]"] = 18
    loaded = load_small(wrong, LOADED)
    night(LOADED.date())
    assert WorkOrder.objects.get().state == WorkOrder.State.DRAFTED
    return Load.objects.get(pk=loaded.number)


def withdrawn(load: Load) -> None:
    with time_machine.travel(WITHDRAWN, tick=False):
        withdraw(load, person=None, reason=WHY, now=WITHDRAWN)


def test_the_next_night_cancels_what_nothing_asks_for_any_more(load: Load) -> None:
    withdrawn(load)
    assert WorkOrder.objects.get().state == WorkOrder.State.DRAFTED  # due dates follow at night
    night(WITHDRAWN.date())
    assert WorkOrder.objects.get().state == WorkOrder.State.CANCELLED
    event = OrderEvent.objects.get(what="cancel")
    assert event.reason == f"The load of {load.name} was withdrawn: {WHY}"
    load.refresh_from_db()
    assert (load.drafts, load.followed) == (1, [Depot.objects.get().pk])
    night(WITHDRAWN.date() + timedelta(days=1))
    load.refresh_from_db()
    assert (load.drafts, WorkOrder.objects.count()) == (1, 1)


def test_a_draft_that_somebody_touched_stays(load: Load) -> None:
    boss = person("Sura", Role.SUPERVISOR, Depot.objects.get())
    actor = Actor(person=boss, channel="page", now=LOADED + timedelta(hours=3))
    progress.plan(actor, WorkOrder.objects.get().pk, planned_on=WITHDRAWN.date())
    withdrawn(load)
    night(WITHDRAWN.date())
    assert WorkOrder.objects.get().state == WorkOrder.State.DRAFTED
    load.refresh_from_db()
    assert load.drafts == 0


@pytest.mark.parametrize(
    ("since", "followed"),
    [(timedelta(0), False), (timedelta(seconds=1), True), (timedelta(days=30), False)],
)
def test_a_night_follows_what_was_withdrawn_before_it_and_not_long_ago(
    load: Load, since: timedelta, followed: bool
) -> None:
    withdrawn(load)
    depots = [Depot.objects.get().pk]
    follow(Actor(person=None, channel="night", now=WITHDRAWN + since), depots, WITHDRAWN + since)
    load.refresh_from_db()
    assert load.followed == depots * followed


def test_each_depot_follows_in_the_night_of_its_own_zone(load: Load) -> None:
    withdrawn(load)
    later = WITHDRAWN + timedelta(hours=1)
    actor = Actor(person=None, channel="night", now=later)
    assert follow(actor, [999], later) == 0
    assert WorkOrder.objects.get().state == WorkOrder.State.DRAFTED
    night(WITHDRAWN.date())
    load.refresh_from_db()
    assert (load.drafts, load.followed) == (1, [999, Depot.objects.get().pk])


def test_a_long_reason_is_kept_as_far_as_there_is_room(load: Load) -> None:
    Load.objects.update(name="n" * 200)
    with time_machine.travel(WITHDRAWN, tick=False):
        withdraw(load, person=None, reason="w" * 300, now=WITHDRAWN)
    night(WITHDRAWN.date())
    reason = OrderEvent.objects.get(what="cancel").reason
    said = f"The load of {'n' * 80} was withdrawn: "
    assert reason == said + "w" * (300 - len(said))  # as many as are kept of any reason
