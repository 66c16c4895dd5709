"""How the cost of a job and the km of a group are put together, row by row; by hand."""

from datetime import UTC, date, datetime
from typing import Any

import pytest

from fleet.calc.costs import JobCost
from fleet.due.models import Service
from fleet.workorders.costs import (
    CostLine,
    _key,
    _km_by,
    _Materials,
    _minutes,
    _of_order,
    _span,
)
from tests import scene

RATES = {"plain": 6_000}  # 60.00 an hour


def row(**given: object) -> dict[str, Any]:
    found = {
        "order_id": 1,
        "minutes": 30,
        "state": "done",
        "spent_min": None,
        "number": "W-1",
        "depot": "plain",
        "where": "own workshop",
        "invoice": None,
        "vehicle_no": "V-1",
        "slug": "oil",
    }
    return found | given


# --- a job -------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("given", "minutes"),
    [
        ({}, 30),
        ({"spent_min": 7}, 30),  # by the book where it was done
        ({"state": "part done", "spent_min": 7}, 7),
        ({"state": "not done", "spent_min": 0}, 0),
        ({"state": "part done"}, None),  # nobody said
    ],
)
def test_minutes_are_of_the_book_where_it_was_done_and_else_those_spent(
    given: dict[str, object], minutes: int | None
) -> None:
    assert _minutes(row(**given)) == minutes


@pytest.mark.parametrize(
    ("given", "labour_minor", "missing"),
    [
        ({}, 3_000, ()),
        ({"minutes": 0}, 0, ("no labour minutes",)),
        ({"state": "not done", "spent_min": 0}, 0, ()),
        ({"state": "not done", "spent_min": 12}, 1_200, ()),
        ({"state": "part done"}, 0, ("no labour minutes",)),
        ({"depot": "far"}, 0, ("no labour rate at far",)),
        ({"depot": "far", "minutes": 0}, 0, ("no labour rate at far", "no labour minutes")),
    ],
)
def test_labour_is_minutes_at_the_rate_of_the_depot_and_says_what_is_missing(
    given: dict[str, object], labour_minor: int, missing: tuple[str, ...]
) -> None:
    assert _of_order([row(**given)], RATES, {}) == [JobCost(0, labour_minor, 0, missing)]


def test_materials_are_shared_out_by_the_minutes_of_the_jobs() -> None:
    rows = [row(minutes=30), row(minutes=10)]
    found = _of_order(rows, RATES, {"W-1": _Materials(4_000, 0), "W-2": _Materials(9_999, 1)})
    assert found == [JobCost(3_000, 3_000, 0, ()), JobCost(1_000, 1_000, 0, ())]
    lacking = ("material without a price",)
    (one,) = _of_order([row()], RATES, {"W-1": _Materials(500, 1)})
    assert one == JobCost(500, 3_000, 0, lacking)


def test_an_invoice_is_shared_out_and_has_neither_labour_nor_materials() -> None:
    rows = [row(where="outside workshop", invoice=8_000, minutes=part) for part in (30, 10)]
    booked = {"W-1": _Materials(4_000, 1)}
    assert _of_order(rows, RATES, booked) == [JobCost(0, 0, 6_000, ()), JobCost(0, 0, 2_000, ())]
    (bare,) = _of_order([row(where="outside workshop")], RATES, booked)
    assert bare == JobCost(0, 0, 0, ("invoice without a cost",))
    (free,) = _of_order([row(where="outside workshop", invoice=0)], RATES, booked)
    assert free.missing == ()  # on goodwill


# --- groups ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("by", "name"),
    [("vehicle", "V-1"), ("class", "severe"), ("depot", "plain"), ("service", "oil")],
)
def test_a_job_counts_to_its_group(by: str, name: str) -> None:
    assert _key(row(), by, {("V-1", "oil"): "severe", ("V-1", "fluid"): "normal"}) == name


def test_what_has_no_service_or_no_class_has_a_group_of_its_own() -> None:
    assert _key(row(slug=None), "service", {}) == "other work"
    assert _key(row(), "class", {("V-2", "oil"): "severe"}) == "not known"
    assert _key(row(slug=None), "class", {("V-1", "oil"): "severe"}) == "other work"


@pytest.mark.django_db
def test_a_group_is_held_against_the_km_of_its_own_vehicles() -> None:
    km_of = {"V-1": 100.0, "V-2": 20.0, "V-3": 3.0}
    scene.service("engine")
    kind = scene.van_type().pk
    vehicles = [("V-1", "plain", kind), ("V-2", "far", kind), ("V-3", "far", kind + 1)]
    class_of = {("V-1", "oil"): "severe", ("V-1", "fluid"): "normal", ("V-2", "oil"): "normal"}
    for by, name, km in (
        ("vehicle", "V-2", 20),
        ("vehicle", "V-9", 0),
        ("depot", "plain", 100),
        ("depot", "far", 23),
        ("class", "severe", 100),
        ("class", "normal", 120),
        ("class", "not known", 123),  # of all
        ("service", "engine-oil", 120),  # of the type that has it
        ("service", "other work", 123),  # of all
    ):
        assert _km_by(by, km_of, vehicles, class_of)(name) == km, (by, name)
    assert Service.objects.get().slug == "engine-oil"
    assert (CostLine.vehicles, CostLine.of_all) == (0, 0)


@pytest.mark.django_db
@pytest.mark.parametrize(("zone", "hours"), [("UTC", 0), ("Asia/Tokyo", 9), (None, 0)])
def test_days_begin_and_end_by_the_clock_of_the_depot(zone: str | None, hours: int) -> None:
    ids = [scene.depot("there", zone).pk] if zone else []
    since, until = _span(ids, date(2026, 6, 1), date(2026, 6, 30))
    # Japan is nine hours ahead of UTC the whole year
    assert since.astimezone(UTC).timestamp() == datetime(2026, 6, 1, tzinfo=UTC).timestamp() - (
        hours * 3_600
    )
    assert until.timestamp() - since.timestamp() == 30 * 86_400
