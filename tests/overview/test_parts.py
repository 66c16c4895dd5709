"""Weeks ahead that follow what changed are those that are counted from the beginning."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import chain
from fleet.calc.demand import counts_before, levels_before
from fleet.calc.level_paths import moments_ahead
from fleet.consumables.ahead import Ways
from fleet.consumables.gather import gather
from fleet.due.models import Limit, Service
from fleet.due.rules import gather_rules
from fleet.overview import weeks
from fleet.overview.models import VehicleAhead, WorkAhead
from fleet.vehicles.models import Depot, Vehicle
from fleet.workorders.models import Job, Procedure, WorkOrder
from tests import scene
from tests.kept import kept
from tests.scene import INVENTED, NOW

pytestmark = pytest.mark.django_db

LATER = NOW + timedelta(hours=1)
TODAY = NOW.date()  # Monday, 15 June 2026


@kept
def vans() -> list[Vehicle]:
    """Eight vans at two depots with two services each, some near, some far, some late."""
    gearbox, engine = (
        scene.service(km=20_000, months=48),
        scene.service("engine", km=None, months=12),
    )
    depots = scene.depot(), scene.depot("hill")
    vans = [scene.van(f"V-{at}", depots[at % 2]) for at in range(8)]
    for at, van in enumerate(vans):
        scene.done(van, gearbox, date(2026, 1, 1), 10_000)
        scene.done(van, engine, date(2025, 5, 20) + timedelta(days=40 * at), None)
        scene.readings(van, scene.jittered(at, 10_000, 24), until=NOW - timedelta(days=3))
    chain.refresh([van.pk for van in vans], NOW)
    return vans


def ahead(on: date = TODAY) -> list[dict[str, object]]:
    weeks.forecast_weeks(on, list(Depot.objects.values_list("pk", flat=True)))
    return list(WorkAhead.objects.order_by("depot").values())


def anew(on: date = TODAY) -> list[dict[str, object]]:
    WorkAhead.objects.all().delete()
    VehicleAhead.objects.all().delete()
    return ahead(on)


def read(vans: list[Vehicle]) -> None:
    scene.readings(vans[3], [scene.jittered(3, 10_000, 24)[-1] + 900], until=NOW)
    chain.refresh([vans[3].pk], NOW)


def do(vans: list[Vehicle]) -> None:
    scene.done(vans[0], Service.objects.get(slug="engine-oil"), TODAY, None)
    chain.refresh([vans[0].pk], NOW)


def sell(vans: list[Vehicle]) -> None:
    Vehicle.objects.filter(pk=vans[5].pk).update(status=Vehicle.Status.SOLD)


def move(vans: list[Vehicle]) -> None:
    vans[4].depot = vans[1].depot
    vans[4].save()
    chain.refresh([vans[4].pk], NOW)


def move_back(vans: list[Vehicle]) -> None:
    """Another one, the other way."""
    vans[5].depot = vans[0].depot
    vans[5].save()
    chain.refresh([vans[5].pk], NOW)


def shorten(vans: list[Vehicle]) -> None:
    Limit.objects.filter(limit_km=20_000).update(limit_km=15_000)
    chain.refresh([van.pk for van in vans], NOW)


def plan(vans: list[Vehicle]) -> None:
    order = WorkOrder.objects.create(
        number="W-1",
        vehicle=vans[2],
        depot=vans[2].depot,
        state=WorkOrder.State.RELEASED,
        planned_on=TODAY + timedelta(days=20),
    )
    service = Service.objects.get(slug="engine-oil")
    Job.objects.create(order=order, vehicle=vans[2], service=service, title="Oil")


def rewrite_the_book(vans: list[Vehicle]) -> None:
    service = Service.objects.get(slug="engine-oil")
    Procedure.objects.create(service=service, family="other", minutes=95, source=INVENTED)


CHANGES = (read, do, sell, move, shorten, plan, rewrite_the_book)


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_is_followed_exactly(
    change: Callable[[list[Vehicle]], None], vans: list[Vehicle]
) -> None:
    before = ahead()
    change(vans)
    followed = ahead()
    assert followed != before
    assert followed == anew()


@pytest.mark.parametrize("seed", range(6))
def test_nights_that_follow_each_other_are_as_if_counted_from_the_beginning(
    seed: int, vans: list[Vehicle]
) -> None:
    rng = np.random.default_rng(seed)
    for change in rng.permutation(np.array(CHANGES, dtype=object)):
        ahead()
        change(vans)
    on = TODAY + timedelta(days=int(rng.integers(0, 12)))
    followed = ahead(on)
    assert followed == anew(on)


def test_days_that_pass_are_followed_exactly(vans: list[Vehicle]) -> None:
    for day in range(10):  # over a Sunday, and over expected days of some services
        on = TODAY + timedelta(days=day)
        followed, parts = ahead(on), list(VehicleAhead.objects.order_by("vehicle").values("part"))
        again = anew(on)
        assert followed == again
        assert parts == list(VehicleAhead.objects.order_by("vehicle").values("part"))


def test_only_what_changed_is_worked_out(
    monkeypatch: pytest.MonkeyPatch, vans: list[Vehicle]
) -> None:
    ahead()
    read(vans)
    seen: list[int] = []

    def watched(ground_of: dict[int, weeks.Ground], now: weeks.Changed) -> list[object]:
        seen.extend(now.vehicle_id.tolist())
        return []

    monkeypatch.setattr(weeks.parts, "parts_of", watched)
    ahead()
    assert seen == [vans[3].pk]


@pytest.mark.parametrize(
    ("at_once", "written"), [(1, 1), (2, 2), (3, 3), (1, 1_000), (2, 1_000), (3, 1_000)]
)
def test_depots_are_followed_however_many_at_once(
    at_once: int, written: int, monkeypatch: pytest.MonkeyPatch, vans: list[Vehicle]
) -> None:
    ahead()
    for change in (read, do, move, move_back):
        change(vans)
    monkeypatch.setattr(weeks, "WRITTEN_AT_ONCE", written)
    monkeypatch.setattr(weeks.parts, "VEHICLES_AT_ONCE", at_once)
    monkeypatch.setattr(weeks.parts, "PARTS_AT_ONCE", at_once)
    followed, again = ahead(), anew()
    monkeypatch.undo()
    assert followed == again == anew()


def test_at_first_all_are_looked_at_that_have_dates(
    monkeypatch: pytest.MonkeyPatch, vans: list[Vehicle]
) -> None:
    sell(vans)
    scene.van("V-9", vans[0].depot)  # of which nobody knows what was done
    seen: list[int] = []

    def watched(ground_of: dict[int, weeks.Ground], now: weeks.Changed) -> list[object]:
        seen.extend(now.vehicle_id.tolist())
        return []

    monkeypatch.setattr(weeks.parts, "parts_of", watched)
    ahead()
    assert sorted(seen) == [van.pk for van in vans if van is not vans[5]]


def test_a_vehicle_that_moved_brings_nothing_until_its_dates_have_followed(
    vans: list[Vehicle],
) -> None:
    before, van = ahead(), vans[4]
    assert VehicleAhead.objects.get(vehicle=van).part != {}
    Vehicle.objects.filter(pk=van.pk).update(depot=vans[1].depot)
    followed = ahead()
    assert followed != before
    assert [one.part for one in VehicleAhead.objects.filter(vehicle=van)] == [{}]
    assert followed == anew()
    chain.refresh([van.pk], NOW)
    ahead()
    (there,) = VehicleAhead.objects.filter(vehicle=van)
    assert there.depot == vans[1].depot
    assert there.part != {}


@pytest.mark.parametrize("first", [0, 1])
def test_depots_follow_a_move_one_after_the_other(first: int, vans: list[Vehicle]) -> None:
    ahead()
    move(vans)
    for depot in (vans[first].depot, vans[1 - first].depot):
        weeks.forecast_weeks(TODAY, [depot.pk])
    followed = list(WorkAhead.objects.order_by("depot").values())
    assert followed == anew()


def test_what_becomes_late_within_a_week_is_followed(vans: list[Vehicle]) -> None:
    monday, tuesday = date(2026, 6, 29), date(2026, 6, 30)  # twelve months of an engine, and over
    before = ahead(monday)
    brought = VehicleAhead.objects.get(vehicle=vans[1]).part
    followed = ahead(tuesday)
    assert VehicleAhead.objects.get(vehicle=vans[1]).part != brought
    assert followed != before
    assert followed == anew(tuesday)


def test_an_order_that_goes_to_another_day_is_followed(vans: list[Vehicle]) -> None:
    plan(vans)
    before = ahead()
    WorkOrder.objects.update(planned_on=TODAY + timedelta(days=41))
    followed = ahead()
    assert followed != before
    assert followed == anew()


def test_a_second_depot_costs_no_more_statements(vans: list[Vehicle]) -> None:
    ahead()
    read(vans)  # at one depot
    with CaptureQueriesContext(connection) as one:
        ahead()
    scene.readings(vans[3], [scene.jittered(3, 10_000, 24)[-1] + 1900], until=LATER)
    scene.readings(vans[2], [scene.jittered(2, 10_000, 24)[-1] + 900], until=LATER)
    chain.refresh([van.pk for van in vans[2:4]], LATER)
    with CaptureQueriesContext(connection) as two:
        ahead()
    assert VehicleAhead.objects.filter(depot=vans[2].depot).exists()
    assert len(two) <= len(one) + 1  # the whole distribution of few vehicles is each depot's own


def test_levels_before_are_the_first_levels_of_what_is_counted(vans: list[Vehicle]) -> None:
    """The whole count, of which the first time is one, finds the same levels, earliest first."""
    calendar = weeks.weeks_from(TODAY)
    for depot in Depot.objects.all():
        for group in gather(depot.pk, gather_rules()):
            ways = Ways.of(group, calendar, 0.0, 1.0)
            given = group.services, ways.km, ways.hours, calendar.today_d, calendar.edges_d
            due = counts_before(*given) > 0
            assert (levels_before(*given) == due.sum(axis=2)).all()
            assert (np.diff(due.astype(int), axis=2) <= 0).all()


def test_a_vehicle_that_brings_nothing_is_not_looked_at_again(vans: list[Vehicle]) -> None:
    later = scene.van("V-9", vans[0].depot)  # due on 20 September, two weeks after the last one
    scene.done(later, Service.objects.get(slug="engine-oil"), date(2025, 9, 20), None)
    chain.refresh([later.pk], NOW)
    ahead()
    assert VehicleAhead.objects.get(vehicle=later).part == {}
    assert weeks.forecast_weeks(TODAY, list(Depot.objects.values_list("pk", flat=True))) == 0


def test_vehicles_are_tied_to_what_they_share_by_the_formula(vans: list[Vehicle]) -> None:
    """Spread of the factor (.08 until learnt) by that of the distance to the middle of a week, at
    most .9, in steps of .02 (Vasicek 2002, as in ``calc.common_factor``)."""
    ahead()
    kept = dict(VehicleAhead.objects.exclude(part={}).values_list("vehicle", "part"))
    calendar, told = weeks.weeks_from(TODAY), 0
    for depot in Depot.objects.all():
        for group in gather(depot.pk, gather_rules()):
            ways = Ways.of(group, calendar, 0.0, 1.0)
            ahead_d = calendar.edges_d - 3.5 - ways.km.start_d[:, None]
            mean, var = moments_ahead(ways.law, ahead_d)
            steps = np.minimum(0.08 * mean / np.sqrt(var), 0.9) / 0.02
            for at, pk in enumerate(group.vehicle_id.tolist()):
                if pk in kept:
                    told += 1
                    assert kept[pk]["rho"] == pytest.approx(steps[group.km_of[at]], abs=1.5)
                    assert max(kept[pk]["rho"]) > 3
    assert told >= 4


def test_the_ends_of_a_week_of_many_are_those_of_the_normal_law(
    monkeypatch: pytest.MonkeyPatch, vans: list[Vehicle]
) -> None:
    monkeypatch.setattr(weeks, "FEW", -1)
    ahead()
    every = [week for row in WorkAhead.objects.all() for week in row.weeks]
    assert sum(week["var_min"] > 1 for week in every) >= 3
    for week in every:
        ends = 1.2816 * week["var_min"] ** 0.5  # normal quantile of .9, from a table
        assert week["low_min"] == pytest.approx(max(week["mean_min"] - ends, 0), abs=0.1)
        assert week["high_min"] == pytest.approx(week["mean_min"] + ends, abs=0.1)


def test_counting_anew_that_was_cut_short_begins_again(
    monkeypatch: pytest.MonkeyPatch, vans: list[Vehicle]
) -> None:
    monkeypatch.setattr(weeks, "WRITTEN_AT_ONCE", 2)
    ahead()
    whole, written = weeks.parts.record, []

    def cut(*given: Any) -> None:
        if len(written) == 2:
            raise KeyboardInterrupt
        written.append(given)
        whole(*given)

    with monkeypatch.context() as patch:
        patch.setattr(weeks.parts, "record", cut)
        with pytest.raises(KeyboardInterrupt):
            ahead(TODAY + timedelta(days=7))
    followed = ahead(TODAY + timedelta(days=8))
    monkeypatch.undo()
    assert followed == anew(TODAY + timedelta(days=8))


def test_what_weeks_rest_on_is_one_number_for_each_depot(vans: list[Vehicle]) -> None:
    here, there = Depot.objects.order_by("pk")
    ahead()
    before = dict(WorkAhead.objects.values_list("depot", "inputs"))
    assert before[here.pk] == before[there.pk]  # nothing tells them apart
    Depot.objects.filter(pk=there.pk).update(zone="Asia/Tokyo")
    ahead()
    after = dict(WorkAhead.objects.values_list("depot", "inputs"))
    assert after[here.pk] == before[here.pk]
    assert after[there.pk] != before[there.pk]


def test_what_a_class_of_a_depot_shares_ties_its_own_vehicles_alone(
    monkeypatch: pytest.MonkeyPatch, vans: list[Vehicle]
) -> None:
    """At the depots in turn twice as much as the usual spread of .08."""
    ahead()
    usual = ties()
    depots = list(Depot.objects.order_by("pk"))
    for depot in depots:
        learnt = {(depot.pk, vans[0].vehicle_type_id): 0.16}
        monkeypatch.setattr(weeks, "sigmas", lambda _, learnt=learnt: learnt)
        ahead()
        more = {key for key, steps in ties().items() if max(steps) > max(usual[key])}
        assert more == {key for key in usual if key[0] == depot.pk}
        assert all(ties()[key] == steps for key, steps in usual.items() if key not in more)


def ties() -> dict[tuple[int, int], list[int]]:
    """How much each vehicle goes with what its class shares, where it goes with it at all."""
    rows = VehicleAhead.objects.exclude(part={}).values_list("depot", "vehicle", "part")
    return {(at, pk): part["rho"] for at, pk, part in rows if any(part["rho"])}
