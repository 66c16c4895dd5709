"""Which months, items and proposals the tables hold, and how they add up; by hand."""

from datetime import date, timedelta

import pytest

from fleet.consumables.listing import (
    Unknown,
    demand_rows,
    proposals,
    run_out_days,
    to_order_by,
    transfer_proposals,
    unknown_history,
    waste_by_month,
)
from fleet.consumables.models import MonthlyDemand, OrderProposal, TransferProposal
from fleet.due.models import DueDate, Service
from fleet.stores.models import Item
from fleet.vehicles.models import Depot, Vehicle
from tests import scene
from tests.consumables.test_propose import TODAY, kept
from tests.stores import shelf

pytestmark = pytest.mark.django_db


def forecast(item: Item, year: int, month: int, mean: float, at: Depot | None = None) -> None:
    MonthlyDemand.objects.create(
        depot=at or scene.depot(),
        item=item,
        month_on=date(year, month, 1),
        mean=mean,
        p50=1,
        p80=2,
        p95=3,
    )


# --- months ------------------------------------------------------------------------------------
def test_months_are_shown_from_the_present_one_as_far_as_is_asked_for() -> None:
    oil = shelf.item("oil")
    for year, month in ((2026, 5), (2026, 6), (2026, 7), (2026, 8), (2026, 12), (2027, 5)):
        forecast(oil, year, month, month)
    forecast(oil, 2026, 9, 0)  # about nothing
    assert [row.month for row in demand_rows(TODAY, ["plain"], 2)] == ["2026-06", "2026-07"]
    assert [row.month for row in demand_rows(TODAY, None, 3)][-1] == "2026-08"
    shown = [row.month for row in demand_rows(TODAY, ["plain"])]
    assert shown == ["2026-06", "2026-07", "2026-08"]  # six: to November
    assert len(demand_rows(TODAY, ["plain"], 12)) == 5  # to May of the next year
    MonthlyDemand.objects.filter(month_on=date(2026, 6, 1)).update(mean=0.2)  # of a rare piece
    assert demand_rows(TODAY, ["plain"])[0].mean == 0.2
    assert demand_rows(TODAY, ["far"], 12) == []


def test_every_depot_and_item_has_its_own_rows_in_order() -> None:
    near, far = scene.depot(), scene.depot("far")
    seal, oil = shelf.item("seal"), shelf.item("oil")
    for item, depot in ((seal, near), (oil, near), (oil, far)):
        for month in (7, 6):
            forecast(item, 2026, month, 100 * month, depot)
    found = [
        (row.depot, row.item, row.month, row.cumulative) for row in demand_rows(TODAY, None, 12)
    ]
    assert found == [
        ("far", "oil", "2026-06", 600),
        ("far", "oil", "2026-07", 1_300),
        ("plain", "oil", "2026-06", 600),
        ("plain", "oil", "2026-07", 1_300),
        ("plain", "seal", "2026-06", 600),
        ("plain", "seal", "2026-07", 1_300),
    ]


def test_a_row_tells_a_tenth_and_what_one_pack_holds() -> None:
    for item in (shelf.item("oil", packs=(4_000,)), shelf.item("seal", packs=())):
        for month in (6, 7):
            forecast(item, 2026, month, 12.34)
    found = [(row.item, row.mean, row.cumulative, row.pack) for row in demand_rows(TODAY)]
    # by hand: 12.34 and 24.68
    assert found == [
        ("oil", 12.3, 12.3, 4_000),
        ("oil", 12.3, 24.7, 4_000),
        ("seal", 12.3, 12.3, None),
        ("seal", 12.3, 24.7, None),
    ]


def test_shelves_that_last_are_left_out_of_the_days_on_which_they_run_out() -> None:
    oil, much = shelf.item("oil"), shelf.item("much")
    kept(oil, 3_000)
    kept(much, 2_000)
    MonthlyDemand.objects.filter(item=much).update(mean=1_000)
    # by hand: 6,000 in 16 days are 375 a day; of the other just the whole forecast is there
    assert run_out_days(TODAY, ["plain"]) == {("plain", "oil"): TODAY + timedelta(days=8)}


def test_used_fluid_adds_up_by_class_and_month() -> None:
    oil, gear = (
        shelf.item("oil", waste_class="used oil"),
        shelf.item("gear", waste_class="used oil"),
    )
    brake = shelf.item("brake", waste_class="brake fluid")
    filters = shelf.item("filter", unit="pieces", kind="filter", waste_class="used oil")
    for item in (oil, gear, brake, filters, shelf.item("wash")):
        for year, month in ((2026, 5), (2026, 6), (2026, 11), (2026, 12)):
            forecast(item, year, month, 10.5 * month)
    # by hand: two oils, each 10.5 by the month's number; May is over, December the seventh month
    assert waste_by_month(TODAY, ["plain"]) == {
        "used oil": {"2026-06": 126, "2026-11": 231},
        "brake fluid": {"2026-06": 63, "2026-11": 115.5},
    }
    assert list(waste_by_month(TODAY, ["plain"], 1)["used oil"]) == ["2026-06"]


# --- what to order -----------------------------------------------------------------------------
def test_the_most_pressing_proposal_comes_first_and_counts_on_its_day() -> None:
    far = scene.depot("far")
    for name, days, depot in (("b", 3, None), ("a", 3, None), ("c", 1, None), ("d", 0, far)):
        OrderProposal.objects.create(
            depot=depot or scene.depot(),
            item=shelf.item(name),
            packs=1,
            quantity=1_000,
            needed=1_000,
            on_hand=0,
            on_order=0,
            order_by_on=TODAY + timedelta(days=days),
        )
        TransferProposal.objects.create(
            depot=depot or scene.depot(),
            from_depot=scene.depot("spare"),
            item=Item.objects.get(slug=name),
            quantity=1_000,
            needed=1_000,
            usable=0,
            on_order=0,
            order_by_on=TODAY + timedelta(days=days),
        )
    for found in (proposals(["plain"]), transfer_proposals(["plain"])):
        assert [row.item.slug for row in found] == ["c", "a", "b"]
    pressing = [
        [row.item.slug for row in to_order_by(["plain"], TODAY + timedelta(days=days))]
        for days in (0, 1, 2, 3)
    ]
    assert pressing == [[], ["c"], ["c"], ["c", "a", "b"]]


# --- what is left out --------------------------------------------------------------------------
def due(service: Service, van: Vehicle, *, known: bool) -> None:
    DueDate.objects.create(
        vehicle=van,
        depot=van.depot,
        service=service,
        history_known=known,
        sort_on=TODAY,
        inputs_hash=0,
    )


def test_services_of_unknown_history_are_counted_the_most_frequent_first() -> None:
    engine, gearbox = scene.service("engine"), scene.service("gearbox")
    wheels = Service.objects.create(
        vehicle_type=scene.van_type(),
        compartment=engine.compartment,
        slug="a-check",
        name="A check",
        source=scene.INVENTED,
    )
    vans = [scene.van(f"V-{number}") for number in range(3)]
    vans.append(scene.van("V-9", status="sold"))
    rows = [(engine, vans[:1]), (gearbox, vans), (wheels, vans[:1]), (engine, vans[3:])]
    for service, whose in rows:
        for van in whose:
            due(service, van, known=False)
    due(engine, vans[1], known=True)
    assert unknown_history(["plain"]) == [
        Unknown("Gearbox oil", "gearbox-oil", 3),
        Unknown("A check", "a-check", 1),
        Unknown("Engine oil", "engine-oil", 1),
    ]
    assert unknown_history(["far"]) == []
