"""Rows that due dates rest on, read and written: each once, and read as they were meant."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from django.core.exceptions import ValidationError

from fleet import chain
from fleet.due import segments, widening
from fleet.due.baselines import Counted, counted
from fleet.due.choose import Chosen, choose
from fleet.due.differing import differing
from fleet.due.models import CheckFigure, DueDate, GuardFactor, Limit, TopUp
from fleet.due.record import record_top_ups
from fleet.due.rules import NORMAL, SEVERE
from fleet.duty.models import DutyAssessment, DutyOverride
from fleet.people.actor import Actor
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.scene import INVENTED, NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db
TODAY = NOW.date()


@pytest.mark.parametrize("limit", ["pass_from", "pass_to", "watch_from", "watch_to"])
def test_one_limit_says_which_values_are_right(limit: str) -> None:
    assert CheckFigure(**{limit: 0.0}).has_limits
    assert not CheckFigure().has_limits


def test_a_limit_allows_nothing_beyond_it_unless_it_says_so() -> None:
    limit = scene.service(km=20_000, months=12).limits.get()
    assert (limit.tolerance_km, limit.tolerance_d) == (0, 0)


@pytest.mark.parametrize(
    "figures",
    [
        {"limit_km": 20_000},
        {"limit_months": 12},
        {"limit_h": 500},
        {"yearly_month": 10, "yearly_day": 1},
    ],
)
def test_any_one_figure_makes_a_limit_and_none_makes_none(figures: dict[str, float]) -> None:
    given = {"service": scene.service(), "duty_class": "severe", "source": INVENTED}
    Limit(**given, **figures).full_clean()
    with pytest.raises(ValidationError, match="a_limit_has_at_least_one_figure"):
        Limit(**given).full_clean()


def test_what_limits_count_is_said_for_each_service() -> None:
    by_km, by_hours = scene.service(km=60_000, months=36), scene.service("engine", km=None)
    scene.service("engine", km=None, duty_class="severe", limit_h=500)
    assert counted([by_km.pk, by_hours.pk]) == {
        by_km.pk: Counted(km=True, hours=False),
        by_hours.pk: Counted(km=False, hours=True),
    }


def test_a_top_up_sent_twice_is_there_once() -> None:
    van = scene.van()
    given = {
        "vehicle": van,
        "compartment": van.vehicle_type.compartments.get(slug="engine"),
        "topped_up_at": NOW,
        "quantity_ml": 500,
        "source": INVENTED,
    }
    record_top_ups([TopUp(**given, client_key="phone-1")])
    record_top_ups([TopUp(**given, client_key="phone-1"), TopUp(**given, client_key="phone-2")])
    assert TopUp.objects.count() == 2


def test_bands_are_as_wide_as_the_newest_version_says() -> None:
    assert widening.in_force() == 1
    for month_end_on, factor in (
        (date(2026, 3, 31), 1.0),
        (date(2026, 4, 30), 1.3),
        (date(2026, 5, 31), 1.3),
        (date(2026, 6, 30), 1.1),
    ):
        widening.put_in_force(month_end_on, factor, 400, 0.7)
        assert widening.in_force() == factor
    assert list(GuardFactor.objects.values_list("month_end_on", "factor")) == [
        (date(2026, 4, 30), 1.3),
        (date(2026, 6, 30), 1.1),
    ]


def test_as_much_of_a_long_reason_is_kept_as_there_is_room_for() -> None:
    van = scene.van()
    given = Chosen(
        vehicle=van,
        compartment=van.vehicle_type.compartments.get(slug="engine"),
        product=shelf.product(),
        because="colder routes, " * 40,
        source="letter of the maker, " * 40,
        from_on=TODAY,
    )
    (row,) = choose(Actor(None, "test", NOW), [given])
    assert row.because == ("colder routes, " * 40)[:300]
    assert row.source == ("letter of the maker, " * 40)[:300]


def test_a_stored_date_that_nothing_gives_is_named_and_no_other() -> None:
    van, other = scene.van(), scene.van("V-2")
    oil = scene.service()
    scene.done(van, oil, date(2026, 1, 1), 10_000)
    scene.readings(van, scene.steady(10_000, 700, 24))
    chain.refresh([van.pk, other.pk], NOW)
    both = np.array([van.pk, other.pk])
    assert list(differing(both, TODAY)) == []  # V-2 has neither date nor distance, both times
    row = DueDate.objects.get(vehicle=van)
    DueDate.objects.filter(pk=row.pk).update(p50=row.p50 + timedelta(days=1))
    (said,) = differing(both, TODAY)
    assert said == (
        f"V-1, gearbox-oil: expected {row.p50 + timedelta(days=1)}, from scratch {row.p50}."
    )
    row.delete()
    assert list(differing(both, TODAY)) == ["V-1, gearbox-oil: it has no due date yet."]


# --- classes in force since a day ------------------------------------------------------------
def assessed(van: Vehicle, compartment: str, **classes: str) -> None:
    for month, duty_class in classes.items():
        DutyAssessment.objects.create(
            vehicle=van,
            compartment=van.vehicle_type.compartments.get(slug=compartment),
            from_on=datetime.strptime(month, "from_%Y_%m").replace(tzinfo=UTC).date(),
            duty_class=duty_class,
            evidence=[],
        )


def stretches(van: Vehicle, compartment: str, since: date) -> list[tuple[date, int]]:
    every = np.array(sorted(Vehicle.objects.values_list("pk", flat=True)))
    place = van.vehicle_type.compartments.get(slug=compartment).pk
    offsets, from_d, duty_class = segments.gather(every, TODAY).stretches(
        np.array([van.pk]), np.array([place]), np.array([since], "M8[D]").astype(np.int64)
    )
    assert offsets.tolist() == [0, len(from_d)]
    return list(zip(from_d.astype("M8[D]").tolist(), duty_class.tolist(), strict=True))


def test_classes_follow_each_other_from_the_last_service_on_each_in_its_compartment() -> None:
    first, unknown, last = scene.van("V-1"), scene.van("V-2"), scene.van("V-3")
    assessed(first, "engine", from_2025_01="normal", from_2026_03="severe")
    assessed(first, "gearbox", from_2025_01="normal")
    assessed(last, "engine", from_2025_01="severe")
    assessed(last, "gearbox", from_2025_01="normal", from_2026_02="severe", from_2026_05="normal")
    assert stretches(last, "gearbox", date(2026, 2, 20)) == [
        (date(2026, 2, 20), SEVERE),
        (date(2026, 5, 1), NORMAL),
    ]
    assert stretches(last, "engine", date(2026, 2, 20)) == [(date(2026, 2, 20), SEVERE)]
    assert stretches(first, "gearbox", date(2026, 2, 20)) == [(date(2026, 2, 20), NORMAL)]
    DutyOverride.objects.create(
        vehicle=first,
        compartment=first.vehicle_type.compartments.get(slug="engine"),
        from_on=date(2026, 4, 1),
        until_on=date(2026, 4, 30),
        duty_class="normal",
        reason="lent to another depot",
    )
    since = date(2026, 1, 10)
    assert stretches(first, "engine", since) == [
        (since, NORMAL),
        (date(2026, 3, 1), SEVERE),
        (date(2026, 4, 1), NORMAL),
        (date(2026, 5, 1), SEVERE),
    ]
    assert stretches(first, "engine", date(2026, 3, 1)) == [
        (date(2026, 3, 1), SEVERE),
        (date(2026, 4, 1), NORMAL),
        (date(2026, 5, 1), SEVERE),
    ]
    assert stretches(first, "gearbox", since) == [(since, NORMAL)]
    assert stretches(unknown, "engine", since) == [(since, NORMAL)]
    assert stretches(last, "engine", since) == [(since, SEVERE)]
