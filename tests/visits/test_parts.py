"""What services take from stores: planned when it is there, and what they wait for is named."""

from datetime import date, timedelta

import pytest

from fleet.due.models import Fill, Service
from fleet.stores.models import Arrival, Item, Specification, Stock
from fleet.vehicles.models import Vehicle
from fleet.visits.listing import told
from fleet.visits.models import Mechanic, Plan, PlannedService
from fleet.visits.weigh import weigh
from fleet.workorders.models import Job, Material, Procedure, WorkOrder
from tests import scene
from tests.stores import shelf as shelves
from tests.visits.depot import TODAY, fleet, planned

pytestmark = pytest.mark.django_db


def ahead(days: int) -> date:
    return TODAY + timedelta(days=days)


def by_vehicle(found: Plan) -> dict[str, PlannedService]:
    rows = found.services.select_related("visit", "vehicle")
    return {one.vehicle.fleet_number: one for one in rows}


@pytest.fixture
def washer() -> Item:
    """Two washers per gearbox oil; one van is overdue, one due in a week."""
    fleet({"V-1": (-5,), "V-2": (7,)})
    return washers()


def washers() -> Item:
    item = Item.objects.create(slug="washer", name="Washer", kind="seal", unit="pieces")
    procedure = Procedure.objects.create(
        service=Service.objects.get(slug="gearbox-oil"), family="other", minutes=60,
        source="invented", edition="1",
    )  # fmt: skip
    Material.objects.create(
        procedure=procedure, kind="seal", name="Washer", pieces=2, item=item, source="invented"
    )
    return item


def shelf(item: Item, on_hand: int, lead_time_d: int = 14) -> None:
    Stock.objects.create(depot=scene.depot(), item=item, on_hand=on_hand, lead_time_d=lead_time_d)


def on_order(item: Item, quantity: int, due: int) -> None:
    Arrival.objects.create(
        depot=scene.depot(), item=item, quantity=quantity, ordered_on=ahead(-20), due_on=ahead(due)
    )


def test_where_there_is_enough_nothing_waits(washer: Item) -> None:
    shelf(washer, 4)
    assert "part" not in {one.reason for one in by_vehicle(planned()).values()}


def test_what_is_there_goes_to_who_needs_it_most_and_the_other_waits(washer: Item) -> None:
    shelf(washer, 3)
    found = planned()
    rows = by_vehicle(found)
    first, second = rows["V-1"], rows["V-2"]
    assert first.visit is not None
    assert (first.visit.on, first.reason) == (TODAY, "on time")
    # ordered today it comes in 14 days: Monday 29 June
    assert second.visit is not None
    assert (second.visit.on, second.reason) == (ahead(14), "part")
    assert second.detail == "Washer, about 29 Jun 2026"
    (said,) = [one for one in told(found) if "Washer" in one]
    assert said == (
        "Washer: this plan could take 4 pieces; usable at Plain: 3 pieces. Order it: ordered today "
        "it comes about 29 Jun 2026."
    )


def test_nothing_comes_before_the_day_its_part_was_promised_for(washer: Item) -> None:
    shelf(washer, 0, lead_time_d=3)
    on_order(washer, 2, due=9)
    found = planned()
    rows = by_vehicle(found)
    # both wait till 24 June: what is ordered today comes not before what is on order
    assert {one.visit.on for one in rows.values() if one.visit} == {ahead(9)}
    assert {one.detail for one in rows.values()} == {"Washer, about 24 Jun 2026"}
    assert (
        "Washer: this plan could take 4 pieces; usable at Plain: 0 pieces. On order: 2 pieces on "
        "24 Jun 2026. Ask for it sooner, or order it elsewhere."
    ) in told(found)


def test_what_is_promised_for_today_can_be_planned_with_today(washer: Item) -> None:
    shelf(washer, 0)
    on_order(washer, 4, due=0)
    rows = by_vehicle(planned())
    assert rows["V-1"].visit is not None
    assert (rows["V-1"].visit.on, rows["V-1"].reason) == (TODAY, "on time")


def test_of_two_arrivals_the_one_that_it_waits_for_is_named(washer: Item) -> None:
    shelf(washer, 0)
    on_order(washer, 2, due=4)
    on_order(washer, 10, due=20)
    first = by_vehicle(planned())["V-1"]
    assert first.visit is not None
    assert (first.visit.on, first.detail) == (ahead(4), "Washer, about 19 Jun 2026")


def test_a_part_that_never_comes_leaves_it_out_and_is_named(washer: Item) -> None:
    shelf(washer, 0, lead_time_d=365)
    found = planned()
    assert {(one.visit, one.reason) for one in by_vehicle(found).values()} == {(None, "part")}
    (said,) = [one for one in told(found) if "Washer" in one]
    assert said.endswith(
        "No more comes within the plan: order it elsewhere, or allow a substitute."
    )


def test_what_should_have_come_is_not_counted_and_asked_for(washer: Item) -> None:
    shelf(washer, 0)
    on_order(washer, 100, due=-2)
    found = planned()
    assert {one.reason for one in by_vehicle(found).values()} == {"part"}
    assert "More should have come by 13 Jun 2026: ask for it, or receive it." in " ".join(
        told(found)
    )


def test_an_order_with_a_day_has_its_part_first(washer: Item) -> None:
    shelf(washer, 2)
    van = Vehicle.objects.get(fleet_number="V-2")
    service = Service.objects.get(slug="gearbox-oil")
    order = WorkOrder.objects.create(
        number="W-1", vehicle=van, depot=van.depot, planned_on=ahead(8)
    )
    Job.objects.create(order=order, vehicle=van, service=service, title="Oil", minutes=60)
    rows = by_vehicle(planned())
    assert rows["V-1"].reason == "part"
    assert rows["V-1"].visit is not None
    assert rows["V-1"].visit.on == ahead(14)


def test_what_stands_below_zero_limits_nothing_and_is_to_be_counted(washer: Item) -> None:
    shelf(washer, -3)
    found = planned()
    assert "part" not in {one.reason for one in by_vehicle(found).values()}
    assert "Washer stands below zero at Plain: count it. The plan takes it as there." in told(found)


def test_what_is_used_only_where_needed_limits_nothing(washer: Item) -> None:
    Material.objects.update(only_when_recorded=True)
    shelf(washer, 0)
    assert "part" not in {one.reason for one in by_vehicle(planned()).values()}


def test_what_the_depot_does_not_keep_limits_nothing(washer: Item) -> None:
    assert "part" not in {one.reason for one in by_vehicle(planned()).values()}


def test_a_plan_follows_when_the_part_is_received(washer: Item) -> None:
    shelf(washer, 0)
    before = planned()
    Stock.objects.update(on_hand=10)
    after = planned()
    assert after.pk != before.pk
    assert "part" not in {one.reason for one in by_vehicle(after).values()}


def test_it_waits_for_the_very_product_that_the_vehicle_gets() -> None:
    """Both oils are accepted; V-1 has the one that the shelf lacks."""
    vans = fleet({"V-1": (-5,), "V-2": (7,)})
    service = Service.objects.get(slug="gearbox-oil")
    wanted = Specification.objects.create(slug="gl-4", name="GL-4", source="invented")
    service.compartment.accepted_fluids.create(specification=wanted, source="invented")
    for name, on_hand in (("kept", 20_000), ("other", 0)):
        product = shelves.product(name)
        product.claims.create(specification=wanted, source="invented")
        shelf(shelves.item(f"{name}-item", product=product), on_hand)
    procedure = Procedure.objects.create(
        service=service, family="other", minutes=60, source="invented", edition="1"
    )
    procedure.materials.create(kind="fluid", name="Gear oil", quantity_ml=1_500, source="invented")
    Fill.objects.create(
        vehicle=vans[0], compartment=service.compartment, filled_on=ahead(-200),
        origin="product", product=product, source="invented",
    )  # fmt: skip
    rows = by_vehicle(planned())
    assert rows["V-1"].reason == "part"
    assert rows["V-1"].detail.endswith("about 29 Jun 2026")
    assert rows["V-2"].reason != "part"


def test_moving_a_visit_before_its_part_comes_says_so(washer: Item) -> None:
    shelf(washer, 2)
    Mechanic.objects.create(depot=scene.depot(), name="Ada", source="invented")
    found = planned()
    visit = by_vehicle(found)["V-2"].visit
    assert visit is not None
    short = "Of Washer too little is there by then for what it takes."
    assert short in weigh(visit, ahead(3), "", TODAY).beyond
    assert short not in weigh(visit, ahead(15), "", TODAY).beyond
