"""What is decided again in place is seen by the night."""

from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import pytest
from django.db.models import F

from fleet import chain
from fleet.due import stamps
from fleet.due.forecast import forecast
from fleet.due.models import Limit, Service
from fleet.due.rules import gather_basis
from fleet.duty import assess
from fleet.duty.models import DutyAssessment, DutyOverride
from fleet.vehicles.models import Closure, Vehicle, VehicleType
from tests import scene
from tests.scene import INVENTED, NOW

pytestmark = pytest.mark.django_db

TODAY = NOW.date()


@pytest.fixture
def vehicle() -> Vehicle:
    """A van with three months of classes in its gearbox, and three decisions by hand."""
    oil, found = scene.service(), scene.van()
    place = {"vehicle": found, "compartment": oil.compartment}
    scene.done(found, oil, date(2025, 6, 1), 10_000)
    scene.readings(found, scene.steady(10_000, 700, 20))
    chain.refresh([found.pk], NOW)
    DutyAssessment.objects.all().delete()
    for month, duty_class in ((1, "normal"), (2, "normal"), (3, "severe")):
        DutyAssessment.objects.create(
            **place, from_on=date(2026, month, 1), duty_class=duty_class, evidence=[]
        )
        DutyOverride.objects.create(
            **place,
            from_on=date(2025, 6 + month, 1),
            until_on=date(2025, 6 + month, 20),
            duty_class=duty_class,
            reason="seen on the road",
        )
    forecast(np.array([found.pk]), TODAY)
    assert seen() == []
    return found


def seen(today: date = TODAY) -> list[int]:
    """Asked of all, and of each."""
    basis = gather_basis()
    found: list[int] = stamps.changed(today, basis, assess.rules_stamp()).dates.tolist()
    ids = np.array(Vehicle.objects.order_by("pk").values_list("pk", flat=True))
    assert stamps.changed_dates(ids, today, basis).tolist() == found
    return found


def set_classes(*classes: str) -> None:
    for row, duty_class in zip(DutyOverride.objects.order_by("from_on"), classes, strict=True):
        DutyOverride.objects.filter(pk=row.pk).update(duty_class=duty_class)


@pytest.mark.parametrize(
    "classes",
    [
        ("severe", "severe", "normal"),  # ids 1 + 2 for 3: a sum of ids would not see it
        ("severe", "normal", "normal"),
        ("normal", "normal", "normal"),
        ("normal", "severe", "severe"),
    ],
)
def test_a_class_decided_again_in_place_is_seen(vehicle: Vehicle, classes: tuple[str, ...]) -> None:
    set_classes(*classes)
    assert seen() == [vehicle.pk]
    set_classes("normal", "normal", "severe")
    assert seen() == []


def assess_again() -> None:
    ids = np.array(Vehicle.objects.order_by("pk").values_list("pk", flat=True))
    since_on = date(2026, 1, 1)
    assess.assess(ids, TODAY.replace(day=1), assess.rules_stamp(), since_on)


def test_classes_are_asked_for_once_a_month_and_again_by_other_rules(vehicle: Vehicle) -> None:
    def asked(today: date, criteria: int) -> list[int]:
        found: list[int] = stamps.changed(today, gather_basis(), criteria).classes.tolist()
        return found

    rules = assess.rules_stamp()
    assess_again()  # of June
    days = (date(2026, 5, 31), date(2026, 6, 1), date(2026, 6, 30), date(2026, 7, 1))
    assert [asked(day, rules) for day in days] == [[vehicle.pk], [], [], [vehicle.pk]]
    assert asked(TODAY, rules + 1) == [vehicle.pk]


def another_class(vehicle: Vehicle) -> None:
    DutyAssessment.objects.filter(vehicle=vehicle).update(duty_class="severe")


def one_more(vehicle: Vehicle) -> None:
    first = DutyAssessment.objects.filter(vehicle=vehicle).earliest("from_on")
    first.pk, first.from_on = None, TODAY.replace(day=1) + timedelta(days=1)
    first.save()


@pytest.mark.parametrize("change", [another_class, one_more])
def test_classes_that_are_assessed_otherwise_are_seen_once(
    vehicle: Vehicle, change: Callable[[Vehicle], None]
) -> None:
    assess_again()
    other = scene.van("V-2")
    forecast(np.array([vehicle.pk, other.pk]), TODAY)
    assess_again()
    assert seen() == [other.pk]  # it got its first classes
    forecast(np.array([other.pk]), TODAY)
    change(vehicle)
    assert seen() == []  # nobody does that but whoever assesses
    assess_again()
    assert seen() == [vehicle.pk]
    forecast(np.array([vehicle.pk]), TODAY)
    assess_again()
    assert seen() == []


@pytest.mark.parametrize("name", ["from_on", "until_on"])
def test_other_days_of_a_decision_by_hand_are_seen(vehicle: Vehicle, name: str) -> None:
    DutyOverride.objects.filter(from_on=date(2025, 7, 1)).update(
        **{name: F(name) + timedelta(days=1)}
    )
    assert seen() == [vehicle.pk]


def test_a_decision_that_begins_or_ends_is_seen_on_that_day(vehicle: Vehicle) -> None:
    DutyOverride.objects.filter(from_on=date(2025, 9, 1)).update(
        from_on=TODAY + timedelta(days=3), until_on=TODAY + timedelta(days=5)
    )
    forecast(np.array([vehicle.pk]), TODAY)
    days = [TODAY + timedelta(days=ahead) for ahead in range(8)]
    found = []
    for day in days:
        if seen(day):
            found.append((day - TODAY).days)
            forecast(np.array([vehicle.pk]), day)
    assert found == [3, 6]


def test_a_vehicle_that_nobody_computed_yet_is_seen(vehicle: Vehicle) -> None:
    other = scene.van("V-2")
    assert seen() == [other.pk]


def follow() -> None:
    ids = Vehicle.objects.exclude(status="sold").order_by("pk").values_list("pk", flat=True)
    forecast(np.array(ids), TODAY)
    assert seen() == []


def test_other_limits_are_seen_of_the_type_and_other_days_of_the_depot(vehicle: Vehicle) -> None:
    hill = scene.van("V-2", scene.depot("hill"))
    lorry_type = VehicleType.objects.get(pk=vehicle.vehicle_type_id)
    lorry_type.pk, lorry_type.slug, lorry_type.name = None, "lorry", "Lorry"
    lorry_type.save()
    lorry = scene.van("L-1", hill.depot)
    Vehicle.objects.filter(pk=lorry.pk).update(vehicle_type=lorry_type)
    follow()
    Limit.objects.update(limit_km=F("limit_km") + 1)
    assert seen() == [vehicle.pk, hill.pk]
    follow()
    Closure.objects.create(depot=hill.depot, on=TODAY + timedelta(days=3))
    assert seen() == [hill.pk]  # of the lorry nothing falls due
    follow()
    Vehicle.objects.filter(pk=lorry.pk).update(vehicle_type=vehicle.vehicle_type_id)
    assert seen() == [lorry.pk]


def test_two_new_services_that_are_alike_do_not_hide_each_other(vehicle: Vehicle) -> None:
    place = Service.objects.get().compartment
    for slug in ("first", "second"):  # without limits: due only when something calls for them
        Service.objects.create(
            vehicle_type=place.vehicle_type,
            compartment=place,
            slug=slug,
            name=slug,
            source=INVENTED,
        )
    assert seen() == [vehicle.pk]


def test_a_vehicle_that_was_sold_is_seen_once_it_is_back(vehicle: Vehicle) -> None:
    Limit.objects.update(limit_km=F("limit_km") + 1)
    Vehicle.objects.update(status="sold")
    assert seen() == []
    forecast(np.array([vehicle.pk]), TODAY)
    Vehicle.objects.update(status="in use")
    assert seen() == [vehicle.pk]
    follow()
