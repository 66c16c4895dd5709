"""Schedules as tables: which limit is in force in each class, at each occasion and product."""

from datetime import UTC, date, datetime
from itertools import product

import numpy as np
import pytest

from fleet.due.models import GuardFactor, Limit, Service
from fleet.due.rules import (
    ANY_PRODUCT,
    FIRST,
    NORMAL,
    REPEAT,
    SEVERE,
    Rules,
    gather_depots,
    gather_rules,
)
from fleet.due.rules import rules_of as tables_of
from fleet.vehicles.models import Depot
from tests import scene

CLASSES = {"normal": NORMAL, "severe": SEVERE}
OCCASIONS = {"first": FIRST, "repeat": REPEAT}
GRID = list(product(CLASSES, OCCASIONS))
OTHER_CLASS = {"normal": "severe", "severe": "normal"}
OTHER_TIME = {"first": "repeat", "repeat": "first"}


def rules_of(limits: list[Limit], **service: object) -> Rules:
    services = [
        Service(pk=pk, vehicle_type_id=type_id, compartment_id=7, **service)
        for pk, type_id in ((11, 1), (12, 1), (30, 2))
    ]
    return tables_of(services, limits, 1.0)


def in_force(rules: Rules, service: int, what: int) -> list[int | None]:
    """Ids of the limits by class and occasion, as the table of 2 by 2 lists them."""
    names = [(CLASSES[one], OCCASIONS[other]) for one, other in GRID]
    classes, occasions = (np.array(column) for column in zip(*names, strict=True))
    row = rules.limit_rows(np.full(4, service), classes, occasions, np.full(4, what))
    return [None if at < 0 else int(rules.limit_id[at]) for at in row]


@pytest.mark.parametrize("stated", range(16))
def test_what_a_schedule_does_not_state_is_taken_from_what_it_states_next_to_it(
    stated: int,
) -> None:
    """From the other occasion of its class; then from the same occasion of the other class."""
    given = [cell for at, cell in enumerate(GRID) if stated >> at & 1]
    limits = [
        Limit(pk=100 + GRID.index(cell), service_id=12, duty_class=cell[0], occasion=cell[1])
        for cell in given
    ]
    expected = []
    for one, when in GRID:
        other = OTHER_CLASS[one]
        near = [(one, when), (one, OTHER_TIME[when]), (other, when), (other, OTHER_TIME[when])]
        found = [cell for cell in near if cell in given]
        expected.append(100 + GRID.index(found[0]) if found else None)
    rules = rules_of(limits)
    assert in_force(rules, 1, ANY_PRODUCT) == expected
    assert in_force(rules, 0, ANY_PRODUCT) == in_force(rules, 2, ANY_PRODUCT) == [None] * 4
    assert rules.on_call.tolist() == [True, not given, True]


def test_a_products_own_limit_counts_where_its_source_states_it_and_nowhere_else() -> None:
    limits = [
        Limit(pk=1, service_id=11, duty_class="normal", occasion="repeat", limit_km=20_000),
        Limit(pk=2, service_id=11, duty_class="normal", occasion="repeat", product_id=5),
        Limit(pk=3, service_id=11, duty_class="severe", occasion="first", product_id=6),
    ]
    rules = rules_of(limits)
    assert rules.product_specific
    assert not rules_of(limits[:1]).product_specific
    # normal first, normal repeat, severe first, severe repeat
    assert in_force(rules, 0, ANY_PRODUCT) == [1, 1, 1, 1]
    assert in_force(rules, 0, 5) == [1, 2, 1, 1]
    assert in_force(rules, 0, 6) == [1, 1, 3, 1]
    assert in_force(rules, 0, 9) == [1, 1, 1, 1]  # one that no limit names


def test_services_stand_by_type_with_their_shares_and_limits_with_their_figures() -> None:
    limits = [
        Limit(pk=1, service_id=11, duty_class="normal", limit_km=20_000, tolerance_d=14),
        Limit(pk=2, service_id=30, duty_class="severe", yearly_month=10, yearly_day=1),
    ]
    rules = rules_of(limits, early_share=0.1, strictest_under_warranty=True)
    assert {pk: rows.tolist() for pk, rows in rules.of_type.items()} == {1: [0, 1], 2: [2]}
    assert rules.service_id.tolist() == [11, 12, 30]
    assert rules.early_share.tolist() == [0.1] * 3
    assert rules.strictest.tolist() == [True] * 3
    figures = {name: column.tolist() for name, column in rules.figures.items()}
    np.testing.assert_equal(figures["limit_km"], [20_000, np.nan])
    np.testing.assert_equal(figures["yearly_month"], [np.nan, 10])
    assert figures["tolerance_d"] == [14, 0]


def test_a_services_stamp_changes_with_whatever_its_dates_rest_on() -> None:
    def stamps(widening: float = 1.0, share: float = 0.15, **figures: object) -> list[int]:
        given = {"pk": 1, "service_id": 11, "duty_class": "normal", "limit_km": 20_000}
        services = [
            Service(pk=pk, vehicle_type_id=1, compartment_id=7, early_share=share)
            for pk in (11, 12)
        ]
        return tables_of(services, [Limit(**(given | figures))], widening).stamp.tolist()

    before = stamps()
    for name, other in {
        "duty_class": "severe", "occasion": "first", "product_id": 4, "limit_km": 20_001,
        "limit_months": 12, "limit_h": 400, "yearly_month": 3, "yearly_day": 4,
        "tolerance_km": 1, "tolerance_d": 1, "tolerance_h": 1, "pk": 2,
    }.items():  # fmt: skip
        after = stamps(**{name: other})
        assert (after[0] != before[0], after[1] == before[1]) == (True, True), name
    for after in (stamps(widening=1.1), stamps(share=0.2)):
        assert all(one != other for one, other in zip(after, before, strict=True))
    assert stamps() == before


@pytest.mark.django_db
def test_rules_are_read_with_all_limits_and_the_newest_factor() -> None:
    """Limits are entered to and fro between the services; one service has none."""
    assert (gather_rules().service_id.tolist(), gather_rules().widening) == ([], 1.0)
    gearbox = scene.service(km=60_000, months=None)
    engine = scene.service("engine", km=None, months=12)
    scene.service(km=40_000, months=None, duty_class="severe", tolerance_km=500)
    rear = scene.service("engine", km=10_000, months=None, duty_class="severe").compartment
    bare = Service.objects.create(
        vehicle_type=rear.vehicle_type, compartment=rear, slug="bare", name="Bare", source="none",
        early_share=0.25, strictest_under_warranty=True,
    )  # fmt: skip
    rules = gather_rules()
    assert rules.widening == 1.0
    assert rules.service_id.tolist() == [gearbox.pk, engine.pk, bare.pk]
    assert rules.compartment_id.tolist() == [gearbox.compartment_id, *[rear.pk] * 2]
    assert rules.on_call.tolist() == [False, False, True]
    assert rules.strictest.tolist() == [False, False, True]
    assert rules.early_share[2] == 0.25
    assert {pk: rows.tolist() for pk, rows in rules.of_type.items()} == {
        rear.vehicle_type_id: [0, 1, 2]
    }
    each = {
        (at, one): rules.limit_rows(*(np.array([n]) for n in (at, CLASSES[one], REPEAT, 0)))[0]
        for at, one in product(range(3), CLASSES)
    }
    km = {cell: rules.figures["limit_km"][row] for cell, row in each.items() if row >= 0}
    np.testing.assert_equal(
        km, {(0, "normal"): 60_000, (0, "severe"): 40_000, (1, "normal"): np.nan,
             (1, "severe"): 10_000},
    )  # fmt: skip
    assert rules.figures["tolerance_km"][each[0, "severe"]] == 500
    for month, factor in ((2, 1.5), (3, 1.25), (1, 2.0)):
        GuardFactor.objects.create(
            month_end_on=date(2026, month, 28), factor=factor, outcomes=9, inside_share=0.5
        )
    assert gather_rules().widening == 1.25
    assert (gather_rules().stamp != rules.stamp).all()


@pytest.mark.django_db
def test_closed_days_are_known_from_six_years_back_to_ten_years_ahead() -> None:
    depot, year = scene.depot(), datetime.now(UTC).year
    for years, month, day in ((-7, 12, 31), (-6, 1, 1), (0, 7, 1), (10, 12, 31), (11, 1, 1)):
        depot.closures.create(on=date(year + years, month, day))
    (working,) = gather_depots().working.values()
    assert working.closures.tolist() == [
        *(date(year - 6, 1, 1), date(year, 7, 1), date(year + 10, 12, 31)),
    ]


@pytest.mark.django_db
def test_each_depot_has_the_stamp_of_its_own_days() -> None:
    plain = scene.depot("b-plain")
    alone = gather_depots().stamp[plain.pk]
    for slug in ("a-other", "c-other"):
        other = scene.depot(slug)
        other.closures.create(on=datetime.now(UTC).date())
    found = gather_depots()
    stamps = {depot.slug: found.stamp[depot.pk] for depot in Depot.objects.all()}
    assert stamps["b-plain"] == alone != stamps["a-other"] == stamps["c-other"]
    closed = {depot.slug: len(found.working[depot.pk].closures) for depot in Depot.objects.all()}
    assert closed == {"a-other": 1, "b-plain": 0, "c-other": 1}


@pytest.mark.django_db
def test_a_depots_stamp_changes_with_its_zone_its_week_and_its_closed_days() -> None:
    depot = scene.depot()
    stamps = [gather_depots().stamp[depot.pk]]
    for changed in ({"zone": "Asia/Tokyo"}, {"working_days": "1111110"}):
        Depot.objects.update(**changed)
        stamps.append(gather_depots().stamp[depot.pk])
    depot.closures.create(on=datetime.now(UTC).date())
    stamps.append(gather_depots().stamp[depot.pk])
    assert len(set(stamps)) == 4
    assert gather_depots().working[depot.pk].week == (True,) * 6 + (False,)
