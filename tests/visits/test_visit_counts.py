"""How many visits a plan has: one number in all, and each part of it by name."""

import pytest

from fleet.visits.board import VisitCounts, board
from fleet.visits.models import Mechanic, Visit
from fleet.workorders.models import WorkOrder
from tests import scene
from tests.visits.depot import TODAY, fleet, planned
from tests.visits.publishing import draft

pytestmark = pytest.mark.django_db


def test_those_that_stood_those_chosen_and_those_shown_add_up() -> None:
    """One van's order has a day; two more are chosen, one of them beyond the days shown."""
    fleet({"V-1": (3,), "V-2": (6,), "V-3": (40,)})
    Mechanic.objects.create(depot=scene.depot(), name="Ada", source="x")
    draft("W-1", "V-1", "gearbox-oil", on=TODAY)
    found = planned()
    counts = board(found, TODAY, TODAY, 14).counts
    assert counts == VisitCounts(every=3, stood=1, proposed=2, here=2)
    assert (counts.chosen, counts.elsewhere) == (2, 1)
    assert found.compared[0]["visits"] == counts.chosen


def test_what_is_past_is_proposed_no_more() -> None:
    fleet({"V-1": (3,), "V-2": (6,)})
    found = planned()
    last = max(found.visits.values_list("on", flat=True))
    assert board(found, last, last, 14).counts.every == 2
    early = Visit.objects.filter(plan=found, on__lt=last).count()
    assert board(found, last, last, 14).counts.proposed == 2 - early
    assert early == 1


@pytest.mark.parametrize("state", ["started", "waiting"])
def test_a_begun_visit_is_begun_even_if_some_of_it_is_on_no_order_yet(state: str) -> None:
    fleet({"V-1": (3, 3)})
    Mechanic.objects.create(depot=scene.depot(), name="Ada", source="x")
    order = draft("W-1", "V-1", "gearbox-oil", on=TODAY)
    found = planned()
    ((block,),) = (day.blocks for day in board(found, TODAY, TODAY, 14).days if day.blocks)
    assert (len(block.services), block.published) == (2, False)
    assert (block.state, block.can_move) == ("proposed", True)
    WorkOrder.objects.filter(pk=order.pk).update(state=state)
    ((block,),) = (day.blocks for day in board(found, TODAY, TODAY, 14).days if day.blocks)
    assert (block.state, block.can_move) == (state, False)
    assert board(found, TODAY, TODAY, 14).counts.proposed == 1  # publishing adds what it lacks
