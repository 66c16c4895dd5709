"""What limits workshop days beside minutes: closed and blocked days, sizes, vehicles to spare."""

from datetime import UTC, date, datetime, timedelta

import pytest

from fleet.due.rules import gather_depots
from fleet.faults import Refused
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.vehicles.closures import closed_days
from fleet.vehicles.models import Closure, VehicleType
from fleet.visits.board import board
from fleet.visits.models import Bay, BlockedDays, SparedType, Workshop
from fleet.visits.weigh import weigh
from tests import scene
from tests.cast import person
from tests.visits.depot import TODAY, fleet, planned

pytestmark = pytest.mark.django_db
CORPUS_CHRISTI = date(2026, 6, 4)  # 60 days after Easter Sunday, 5 Apr 2026; Portugal keeps it


@pytest.fixture
def chief() -> Actor:
    return Actor(person("Sura", Role.SUPERVISOR, scene.depot()), "page",
                 datetime(2026, 6, 15, 9, 0, tzinfo=UTC))  # fmt: skip


def ahead(days: int) -> date:
    return TODAY + timedelta(days=days)


def bay(name: str, **sizes: float) -> Bay:
    return Bay.objects.create(depot=scene.depot(), name=name, source="invented", **sizes)


# --- closed days ---------------------------------------------------------------------------
def test_public_holidays_close_and_a_depot_may_open_all_the_same() -> None:
    depot = scene.depot()
    assert closed_days([depot], CORPUS_CHRISTI, CORPUS_CHRISTI) == {depot.pk: {}}
    depot.holidays_in = "PT"
    assert closed_days([depot], CORPUS_CHRISTI, CORPUS_CHRISTI) == {
        depot.pk: {CORPUS_CHRISTI: "Corpus Christi"}
    }
    Closure.objects.create(depot=depot, on=CORPUS_CHRISTI, open=True)
    assert closed_days([depot], CORPUS_CHRISTI, CORPUS_CHRISTI) == {depot.pk: {}}


def test_a_region_has_its_own_and_a_place_nobody_knows_has_none() -> None:
    depot = scene.depot()
    day = date(2026, 8, 15)  # Assumption: a holiday in the Saarland, none in Berlin
    for where, kept in (("DE-SL", True), ("DE-BE", False), ("XX", False), ("DE-XX", False)):
        depot.holidays_in = where
        assert (day in closed_days([depot], day, day)[depot.pk]) is kept, where


def test_due_dates_and_the_plan_keep_the_same_days() -> None:
    depot = scene.depot()
    depot.holidays_in = "PT"
    depot.save()
    closed = gather_depots().working[depot.pk].closures
    assert str(CORPUS_CHRISTI) in closed.astype(str)
    (van,) = fleet({"V-1": (-12,)})
    assert van.depot == depot
    found = planned(CORPUS_CHRISTI)
    assert found.visits.get().on == date(2026, 6, 5)
    (day, *_) = board(found, CORPUS_CHRISTI, CORPUS_CHRISTI, 1).days
    assert (day.open, day.why) == (False, "Corpus Christi")


def test_nobody_comes_in_on_blocked_days_and_the_page_says_why(chief: Actor) -> None:
    fleet({"V-1": (3,)})
    BlockedDays.objects.create(
        depot=scene.depot(), from_on=ahead(-3), until_on=ahead(8), reason="harvest"
    )
    found = planned()
    visit = found.visits.get()
    assert visit.on == ahead(9)
    (day,) = board(found, TODAY, ahead(8), 1).days
    assert (day.open, day.why) == (False, "no visits: harvest")
    with pytest.raises(Refused, match="closed on 17 Jun 2026: no visits: harvest"):
        weigh(visit, ahead(2), "", TODAY)


# --- sizes ---------------------------------------------------------------------------------
def test_a_vehicle_goes_where_its_length_and_height_fit() -> None:
    fleet({"V-1": (10,)})
    VehicleType.objects.update(length_m=6.9, height_m=2.8)
    bay("Short", length_m=6.0, height_m=4.0)
    bay("Low", length_m=9.0, height_m=2.5)
    bay("Long", length_m=6.9, height_m=2.8)
    assert planned().visits.get().bay == "Long"


def test_a_vehicle_that_fits_no_bay_is_named_with_what_would_mend_it() -> None:
    fleet({"V-1": (10,)})
    VehicleType.objects.update(length_m=6.9, height_m=2.8)
    bay("Short", length_m=6.0, height_m=4.0)
    found = planned()
    assert found.visits.count() == 0
    (said,) = [one for one in found.lacking if "V-1" in one]
    assert said == (
        "V-1 fit no bay at Plain: no bay is longer than 6 m, and it has 6.9 m. Correct the sizes "
        "under Bays or those of the type, or send them to an outside workshop."
    )
    bay("Low", length_m=9.0, height_m=2.5)
    (said,) = [one for one in planned().lacking if "V-1" in one]
    assert "no one bay takes its mass, length and height together" in said


def test_a_size_that_is_missing_fits_and_is_said_so() -> None:
    fleet({"V-1": (10,)})
    bay("Lift 1", length_m=6.0)
    found = planned()
    assert found.visits.get().bay == "Lift 1"
    assert "No length is entered of Van: any bay is taken to be enough." in found.lacking
    VehicleType.objects.update(length_m=5.0, height_m=2.8)
    assert planned().lacking[-2:-1] == [
        "No height is entered of Lift 1: any vehicle is taken to fit."
    ]


# --- vehicles to spare ---------------------------------------------------------------------
def test_no_more_of_a_type_come_in_than_can_be_spared() -> None:
    fleet({f"V-{number}": (10,) for number in range(4)})
    free = planned()
    most = max(free.visits.filter(on=one.on).count() for one in free.visits.all())
    assert most > 1
    SparedType.objects.create(depot=scene.depot(), vehicle_type=scene.van_type(), vehicles_a_day=1)
    found = planned()
    assert len({one.on for one in found.visits.all()}) == found.visits.count() == 4
    first, second = found.visits.order_by("on")[:2]
    weighed = weigh(first, second.on, "", TODAY)
    assert "2 Van would be in; the depot can spare 1." in weighed.beyond


@pytest.mark.parametrize(
    ("kept_share", "present_min", "may_min"),
    # by hand: seven tenths of 480 and of 720, half of 481 without its half minute, all of 480
    [(0.3, 480, 336), (0.3, 720, 504), (0.5, 481, 240), (0.0, 480, 480)],
)
def test_plans_take_whole_minutes_of_what_is_not_kept(
    kept_share: float, present_min: float, may_min: int
) -> None:
    assert Workshop(kept_share=kept_share).may_plan(present_min) == may_min
