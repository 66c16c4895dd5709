"""About what would make a plan fit, by rows of a depot worked by hand."""

from datetime import timedelta

import pytest

from fleet.visits.fit import More, to_fit
from fleet.visits.models import Mechanic, Plan, Workshop
from tests import scene
from tests.visits.depot import TODAY, fleet

pytestmark = pytest.mark.django_db
DAYS = 5  # Monday to Friday


def depot_with(minutes: int, kept_share: float = 0.0) -> None:
    """One mechanic, on Mondays only."""
    Workshop.objects.create(depot=scene.depot(), kept_share=kept_share, source="invented")
    Mechanic.objects.create(
        depot=scene.depot(), name="Ada", minutes=minutes, works_on="1000000", source="invented"
    )


def test_a_visit_that_lacks_minutes_gets_half_an_hour() -> None:
    # by hand: overdue, two visits of 30 minutes and 20 to set up are 100; 80 are there, so 20 more
    # are needed, told in half hours; without them one is left to after the week
    fleet({"V-1": (-20,), "V-2": (-20,)})
    depot_with(80)
    found = to_fit(scene.depot(), TODAY, DAYS)
    assert (found.left_out, found.still_left_out) == (1, 0)
    assert found.more == (More("mechanics", TODAY, 30),)
    assert found.saves_minor > 0
    assert not Plan.objects.exists()


def test_where_everything_fits_nothing_more_is_asked_for() -> None:
    fleet({"V-1": (-20,), "V-2": (-20,)})
    depot_with(100)
    found = to_fit(scene.depot(), TODAY, DAYS)
    assert (found.left_out, found.still_left_out, found.more, found.saves_minor) == (0, 0, (), 0)


def test_what_minutes_cannot_mend_asks_for_none() -> None:
    fleet({"V-1": (-20,)})
    depot_with(480)
    scene.depot().closures.create(on=TODAY)
    scene.depot().closures.create(on=TODAY + timedelta(days=1))
    found = to_fit(scene.depot(), TODAY, 2)
    assert (found.left_out, found.still_left_out, found.more) == (1, 1, ())
