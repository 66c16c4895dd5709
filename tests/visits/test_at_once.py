"""Two people at one plan at the same time, each on a connection of their own: nothing is done
twice, and who comes second is told so in words."""

from collections import Counter
from collections.abc import Callable
from datetime import timedelta

import pytest

from fleet.faults import Refused, Stale
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.visits import plan as plans
from fleet.visits.models import Plan, PlanEvent, Promise, Visit
from fleet.visits.moves import move
from fleet.visits.promises import promise
from fleet.visits.publish import publish
from fleet.workorders.models import Job, OrderEvent, WorkOrder
from tests import scene
from tests.api.test_repeats_at_once import TOGETHER, together
from tests.cast import person
from tests.scene import NOW
from tests.visits.depot import TODAY, fleet

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def planned() -> Plan:
    fleet({"V-1": (20, 22), "V-2": (24,)})
    (found,) = plans.plan([scene.depot().pk], TODAY)
    return found


def chief() -> Actor:
    return Actor(person("Sura", Role.SUPERVISOR, scene.depot()), "page", NOW)


def visit_of(number: str) -> Visit:
    return Visit.objects.get(vehicle__fleet_number=number)


def told(act: Callable[[], object]) -> str:
    """What came of it; of a refusal its sentence. Anything else breaks the test."""
    try:
        act()
    except (Refused, Stale) as fault:
        return str(fault)
    return "done"


def at_once(act: Callable[[], object]) -> Counter[str]:
    return Counter(together(lambda: told(act)))


def test_who_moves_a_visit_second_is_told_that_the_plan_was_changed(planned: Plan) -> None:
    actor, visit = chief(), visit_of("V-1")
    on = TODAY + timedelta(days=15)
    came = at_once(lambda: move(actor, planned.pk, visit.pk, on=on, version=1))
    assert came == {
        "done": 1,
        "The plan of Plain was changed meanwhile: look again.": TOGETHER - 1,
    }
    assert visit_of("V-1").on == on
    assert PlanEvent.objects.filter(what="moved").count() == 1
    assert Plan.objects.get().version == 2


def test_publishing_at_once_drafts_each_order_once(planned: Plan) -> None:
    actor, ids = chief(), list(Visit.objects.values_list("pk", flat=True))
    changed = together(
        lambda: sum(bool(one.done) for one in publish(actor, planned.pk, visit_ids=ids))
    )
    assert changed == {2: 1, 0: TOGETHER - 1}
    assert WorkOrder.objects.count() == 2
    assert Job.objects.count() == 3
    assert PlanEvent.objects.filter(what="published").count() == 1
    assert OrderEvent.objects.values("order", "what").distinct().count() == (
        OrderEvent.objects.count()
    )


def test_who_moves_while_others_publish_leaves_order_and_visit_on_one_day(planned: Plan) -> None:
    actor, visit = chief(), visit_of("V-1")
    on, turn = TODAY + timedelta(days=15), iter(range(TOGETHER))

    def act() -> object:
        if next(turn) % 2:
            return move(actor, planned.pk, visit.pk, on=on, version=1)
        return publish(actor, planned.pk, visit_ids=[visit.pk], version=1)

    came = at_once(act)
    assert came["done"] >= 1
    assert set(came) <= {"done", "The plan of Plain was changed meanwhile: look again."}
    orders = WorkOrder.objects.values_list("planned_on", flat=True)
    assert list(orders) in ([], [visit_of("V-1").on])
    assert PlanEvent.objects.filter(what="moved").count() <= 1


def test_one_promise_stands_and_who_comes_second_learns_to_whom(planned: Plan) -> None:
    actor, visit = chief(), visit_of("V-2")
    came = at_once(lambda: promise(actor, planned.pk, visit.pk, told_to="the driver"))
    assert came == {
        "done": 1,
        "This day was promised to the driver already.": TOGETHER - 1,
    }
    assert Promise.objects.count() == 1


def test_of_plans_computed_at_once_one_is_stored(planned: Plan) -> None:
    Plan.objects.all().delete()
    depot = scene.depot()
    keys = together(lambda: plans.plan([depot.pk], TODAY)[0].pk)
    assert len(set(keys)) == 1
    assert Plan.objects.count() == 1
