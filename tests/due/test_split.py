"""How much of a service's life was used in each duty class."""

from datetime import date

import pytest

from fleet import chain
from fleet.due.explain import explain
from fleet.due.models import Limit, Service
from fleet.due.split import Part, split, words
from fleet.duty.models import DutyOverride
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.kept import kept
from tests.scene import NOW

pytestmark = pytest.mark.django_db
TODAY = NOW.date()
Due = tuple[Vehicle, Service]


@kept
def due() -> Due:
    """Done 1 January at 10,000 km; a reading every week, 700 km apart, from 5 January on."""
    oil, vehicle = scene.service(km=20_000, months=48), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    chain.refresh([vehicle.pk], NOW)
    return vehicle, oil


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ([], ""),
        ([Part("normal", date(2026, 1, 1), None, 0.4)], ""),
        ([Part("severe", date(2026, 1, 1), date(2026, 2, 9), 0.4),
          Part("normal", date(2026, 2, 10), date(2026, 3, 1), 0.006),
          Part("severe", date(2026, 3, 2), None, 1.2)],
         "Life used: 40 % in severe duty to 9 Feb 2026, 1 % in normal to 1 Mar 2026, "
         "120 % in severe since."),
    ],
)  # fmt: skip
def test_life_is_split_where_the_class_changed(parts: list[Part], said: str) -> None:
    assert words(parts) == said


def test_life_is_split_by_the_limit_that_used_most_of_it(due: Due) -> None:
    vehicle, oil = due
    # by the calendar: 90 days of the 365 of a year, then 75 of 183 in the half year from 1 April
    Limit.objects.update(limit_km=None, limit_months=12)
    scene.service(km=None, months=6, duty_class="severe")
    DutyOverride.objects.create(
        vehicle=vehicle, compartment=oil.compartment, duty_class="severe",
        from_on=date(2026, 4, 1), until_on=date(2027, 4, 1), reason="seen on the road",
    )  # fmt: skip
    by_calendar = explain(vehicle, oil, NOW).life_by_class
    assert [(one.duty_class, one.from_on, one.until_on) for one in by_calendar] == [
        ("normal", date(2026, 1, 1), date(2026, 3, 31)),
        ("severe", date(2026, 4, 1), None),
    ]
    assert [one.life_used for one in by_calendar] == pytest.approx([90 / 365, 75 / 183])
    # by distance: midnight of 1 April is 85.625 days of 100 km after the first reading
    Limit.objects.filter(duty_class="severe").update(limit_km=10_000)
    Limit.objects.filter(duty_class="normal").update(limit_km=20_000)
    by_distance = explain(vehicle, oil, NOW).life_by_class
    km = 8_562.5
    assert [one.life_used for one in by_distance] == pytest.approx(
        [km / 20_000, (16_100 - km) / 10_000], abs=1e-4
    )


def test_classes_that_follow_each_other_alike_are_one_part(due: Due) -> None:
    # under warranty the strictest class stays: severe from 1 February, also after 1 May
    vehicle, oil = due
    Service.objects.update(strictest_under_warranty=True)
    scene.service(km=10_000, months=None, duty_class="severe")
    vehicle.under_warranty_until_on = date(2027, 1, 1)
    vehicle.save()
    for begin, duty_class in ((date(2026, 2, 1), "severe"), (date(2026, 5, 1), "normal")):
        DutyOverride.objects.create(
            vehicle=vehicle, compartment=oil.compartment, duty_class=duty_class,
            from_on=begin, until_on=date(2027, 1, 1), reason="seen on the road",
        )  # fmt: skip
    normal, severe = split(vehicle, oil, TODAY)
    assert (normal.until_on, severe.from_on) == (date(2026, 1, 31), date(2026, 2, 1))
    # by hand: midnight of 1 February is 26.625 days of 100 km after the first reading
    assert normal.life_used == pytest.approx(2_662.5 / 20_000, abs=1e-4)
    assert severe.life_used == pytest.approx((16_100 - 2_662.5) / 10_000, abs=1e-4)


def test_nothing_is_used_of_a_service_done_today_or_never_or_of_another_type(due: Due) -> None:
    vehicle, oil = due
    Limit.objects.update(limit_km=None)
    scene.done(vehicle, oil, TODAY, None)
    (part,) = split(vehicle, oil, TODAY)
    assert (part.from_on, part.life_used) == (TODAY, 0)
    never = scene.service("engine")
    assert split(vehicle, never, TODAY) == []
    assert split(vehicle, Service(pk=oil.pk + 9_999), TODAY) == []
