"""What records say of the time between services, counted by hand or drawn at a known rate."""

from datetime import UTC, date, datetime, timedelta
from itertools import count

import numpy as np
import pytest

from fleet.calc.breakage import event_rate
from fleet.consumables.learn import Learnt, learn
from fleet.consumables.recipes import gather_recipes
from fleet.consumables.watched import Stretch, Watched
from fleet.due.models import TopUp
from fleet.stores.models import Item
from fleet.vehicles.models import Depot, DepotStay, Vehicle
from fleet.workorders.models import WorkOrder
from tests import scene
from tests.scene import INVENTED, NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db
TODAY = NOW.date()
MIDNIGHT = datetime(2026, 6, 15, tzinfo=UTC)
keys = count()


@pytest.fixture
def oil() -> Item:
    return shelf.item("top-oil", product=shelf.product("top-oil"))


def topped_up(van: Vehicle, oil: Item, days_ago: float, ml: int = 500) -> TopUp:
    return TopUp.objects.create(
        vehicle=van,
        compartment=van.vehicle_type.compartments.get(slug="engine"),
        topped_up_at=MIDNIGHT - timedelta(days=days_ago),
        quantity_ml=ml,
        product=oil.product,
        source=INVENTED,
        client_key=f"key-{next(keys)}",
    )


def order(van: Vehicle, days_ago: float, **changes: object) -> WorkOrder:
    """An order of the depot's own workshop that was drafted two days before it was finished."""
    at = MIDNIGHT - timedelta(days=days_ago)
    given = {"state": "finished", "finished_at": at, "depot": van.depot} | changes
    row = WorkOrder.objects.create(number=f"W-{next(keys)}", vehicle=van, **given)
    WorkOrder.objects.filter(pk=row.pk).update(created_at=at - timedelta(days=2))
    return row


def kept_since(days_ago: int, depot: Depot | None = None) -> None:
    """The depot says since when it records what is poured in."""
    at = depot or scene.depot()
    at.use_recorded_since_on = TODAY - timedelta(days=days_ago)
    at.save()


def learnt() -> Learnt:
    return learn(TODAY, gather_recipes())


def exposure() -> float:
    return learnt().exposure.get(scene.van_type().pk, 0.0)


def faded(begin: float, end: float = 0) -> float:
    """Days from so long ago to so long ago as [30 vehicle-days], each halved after 180 days; by
    the sum over the days, where the program has an integral."""
    middle = np.arange(end, begin) + 0.5
    return float((0.5 ** (middle / 180)).sum()) / 30


# --- the true rate is found again ------------------------------------------------------------
VEHICLES = 200
SEEDS = 50


def drawn(rng: np.random.Generator, rate: float, vans: list[Vehicle], oil: Item) -> date:
    """A year of top-ups at a rate per 30 vehicle-days; give the day of the first."""
    place = vans[0].vehicle_type.compartments.get(slug="engine")
    number = rng.poisson(rate * VEHICLES * 365 / 30)
    at_d = np.sort(rng.uniform(0, 365, number))
    whose = rng.integers(0, VEHICLES, number)
    begin = MIDNIGHT - timedelta(days=400)
    TopUp.objects.all().delete()
    TopUp.objects.bulk_create(
        TopUp(
            vehicle=vans[who],
            compartment=place,
            topped_up_at=begin + timedelta(days=float(at)),
            quantity_ml=500,
            product=oil.product,
            source=INVENTED,
            client_key=f"drawn-{at}",
        )
        for at, who in zip(at_d, whose, strict=True)
    )
    return (begin + timedelta(days=float(at_d[0]))).date()


def old_fleet(vehicles: int = VEHICLES) -> list[Vehicle]:
    """Vehicles that joined years before anybody recorded what was poured in."""
    return Vehicle.objects.bulk_create(
        Vehicle(
            fleet_number=f"V-{number}",
            vehicle_type=scene.van_type(),
            depot=scene.depot(),
            joined_on=date(2019 + number % 5, 1, 1),
        )
        for number in range(vehicles)
    )


@pytest.mark.parametrize("rate", [0.05, 0.1])
def test_the_rate_of_top_ups_is_right_from_the_first_month_on(oil: Item, rate: float) -> None:
    vans, recipes = old_fleet(), gather_recipes()
    key, spans = (vans[0].vehicle_type_id, oil.pk), (30, 90, 365)
    ratio = np.empty((SEEDS, len(spans)))
    for seed in range(SEEDS):
        first = drawn(np.random.default_rng(seed), rate, vans, oil)
        for at, days in enumerate(spans):
            found = learn(first + timedelta(days=days), recipes)
            shape, per = event_rate(found.events[key].count, found.exposure[key[0]])
            ratio[seed, at] = shape / per / rate
    assert np.all((ratio.mean(axis=0) >= 0.9) & (ratio.mean(axis=0) <= 1.1)), ratio.mean(axis=0)


# --- which days count ------------------------------------------------------------------------
def test_days_count_from_when_records_are_kept_and_not_from_joining() -> None:
    for number, joined in (("V-1", 3000), ("V-2", 2000), ("V-3", 20)):
        scene.van(number, joined_on=TODAY - timedelta(days=joined))
    kept_since(100)
    # by hand: two vehicles for the 100 days, the third for the 20 since it joined
    assert exposure() == pytest.approx(2 * faded(100) + faded(20), rel=1e-5)


def test_without_a_word_of_the_depot_the_day_after_the_first_record_begins_it(oil: Item) -> None:
    van, other = scene.van(), scene.van("V-2")
    topped_up(van, oil, 40.3)
    topped_up(other, oil, 40.1)  # the same day
    topped_up(other, oil, 12, ml=750)
    found = learnt()
    # by hand: 41 days ago the day began, 40 days ago the next; what was poured on it is not counted
    assert found.exposure[van.vehicle_type_id] == pytest.approx(2 * faded(40), rel=1e-5)
    events = found.events[van.vehicle_type_id, oil.pk]
    assert events.quantities == [750]
    assert events.count == events.weights[0] == pytest.approx(0.5 ** (12 / 180))


def test_a_finished_order_of_the_own_workshop_begins_it_too(oil: Item) -> None:
    van = scene.van()
    order(van, 60.5)
    topped_up(van, oil, 30)
    assert exposure() == pytest.approx(faded(60), rel=1e-5)
    assert learnt().events[van.vehicle_type_id, oil.pk].quantities == [500]


@pytest.mark.parametrize(
    "changes",
    [{"state": "started"}, {"where": "outside workshop"}, {"state": "cancelled"}],
)
def test_no_other_order_begins_it(changes: dict[str, object]) -> None:
    order(scene.van(), 60.5, **changes)
    assert exposure() == 0


def test_an_order_that_was_loaded_from_before_does_not_begin_it() -> None:
    row = order(scene.van(), 60.5)
    WorkOrder.objects.filter(pk=row.pk).update(created_at=row.finished_at + timedelta(days=50))
    assert exposure() == 0
    # one written down on the evening of its day is no old one
    WorkOrder.objects.filter(pk=row.pk).update(created_at=row.finished_at + timedelta(hours=9))
    assert exposure() == pytest.approx(faded(60), rel=1e-5)


def test_the_depots_word_stands_above_the_first_record(oil: Item) -> None:
    van = scene.van()
    topped_up(van, oil, 50)
    topped_up(van, oil, 5)
    kept_since(10)
    found = learnt()
    assert found.exposure[van.vehicle_type_id] == pytest.approx(faded(10), rel=1e-5)
    assert len(found.events[van.vehicle_type_id, oil.pk].quantities) == 1
    kept_since(90)  # it is the first of 90 days, and no reason to begin: both are counted
    assert len(learnt().events[van.vehicle_type_id, oil.pk].quantities) == 2


def test_nothing_is_counted_where_nobody_records() -> None:
    scene.van()
    assert learnt().exposure == {}


def test_a_move_takes_a_vehicle_among_those_of_its_new_depot(oil: Item) -> None:
    far, near = scene.depot("far"), scene.depot()
    van = scene.van(at=near)
    for depot, days_ago in ((far, 90), (near, 30)):
        DepotStay.objects.create(vehicle=van, depot=depot, from_on=TODAY - timedelta(days=days_ago))
    topped_up(van, oil, 110.5)  # before its first stay it was there already
    topped_up(van, oil, 80)
    topped_up(van, oil, 20.5)
    topped_up(van, oil, 5)
    found = learnt()
    # by hand: far from 110 to 30 days ago, near from the day after its own first record
    expected = faded(110, 30) + faded(20)
    assert found.exposure[van.vehicle_type_id] == pytest.approx(expected, rel=1e-5)
    weights = found.events[van.vehicle_type_id, oil.pk].weights
    assert weights == pytest.approx([0.5 ** (80 / 180), 0.5 ** (5 / 180)])


def test_of_many_stays_each_lasts_until_the_next_one() -> None:
    van = scene.van(at=scene.depot())
    for slug, days_ago in (("far", 90), ("plain", 70), ("farther", 40), ("plain", 10)):
        depot = scene.depot(slug)
        DepotStay.objects.create(vehicle=van, depot=depot, from_on=TODAY - timedelta(days=days_ago))
    kept_since(300)
    # by hand: at the only depot that records from 70 to 40 days ago, and since 10 days ago
    assert exposure() == pytest.approx(faded(70, 40) + faded(10), rel=1e-5)


def test_a_sold_vehicle_counts_on_neither_side(oil: Item) -> None:
    kept, sold = scene.van(), scene.van("V-2", status="sold")
    kept_since(50)
    topped_up(sold, oil, 20)
    found = learnt()
    assert found.exposure[kept.vehicle_type_id] == pytest.approx(faded(50), rel=1e-5)
    assert found.events == {}


@pytest.mark.parametrize(
    ("at_d", "held"),
    [(9.99, False), (10.0, True), (19.99, True), (20.0, False), (30.0, True), (40.0, False)],
)
def test_a_record_counts_from_the_first_moment_of_a_stretch_to_before_its_end(
    at_d: float, held: bool
) -> None:
    rows = {7: [Stretch(1, 10.0, 20.0), Stretch(1, 30.0, 40.0)]}
    assert Watched(rows, 50).holds(7, at_d) is held
    assert not Watched(rows, 50).holds(8, at_d)


@pytest.mark.parametrize(("hours_late", "begins"), [(23, True), (24, False), (25, False)])
def test_an_order_written_down_within_a_day_of_its_end_begins_it(
    hours_late: int, begins: bool
) -> None:
    row = order(scene.van(), 60.5)
    late = row.finished_at + timedelta(hours=hours_late)
    WorkOrder.objects.filter(pk=row.pk).update(created_at=late)
    assert (exposure() > 0) is begins


def test_what_is_poured_in_today_counts_with_today(oil: Item) -> None:
    van = scene.van()
    kept_since(50)
    topped_up(van, oil, -0.3)
    topped_up(van, oil, 0.001)
    assert len(learnt().events[van.vehicle_type_id, oil.pk].quantities) == 1


def test_of_two_items_of_one_product_the_older_one_is_meant(oil: Item) -> None:
    shelf.item("a-second-name", product=oil.product)
    van = scene.van()
    kept_since(90)
    topped_up(van, oil, 3)
    found = learnt().events
    assert [item_id for _, item_id in found] == [oil.pk]
