"""For how many vehicles, and which, a dearer fluid can pay. Vans run 100 km a day."""

import pytest

from fleet.due.models import DueDate, Limit
from fleet.trials.paying import in_words, of_trial
from fleet.usage.models import UsageState
from fleet.vehicles.models import Vehicle
from tests.trials.field import Field, begun

pytestmark = pytest.mark.django_db


@pytest.fixture
def field() -> Field:
    """60,000 km or 36 months in normal duty, 40,000 km or 18 months in severe duty."""
    found = begun(4)
    limit = Limit.objects.get(service=found.trial.service, duty_class="normal")
    Limit.objects.filter(pk=limit.pk).update(limit_months=36)
    Limit.objects.filter(service=found.trial.service, duty_class="severe").delete()
    Limit.objects.create(
        service=found.trial.service,
        duty_class="severe",
        limit_km=40_000,
        limit_months=18,
        source="invented",
    )
    return found


def runs(number: str, km_per_day: float) -> None:
    UsageState.objects.filter(vehicle__fleet_number=number).update(
        rate_km_per_day=km_per_day, mu=1.0
    )


def test_the_calendar_comes_first_for_those_that_drive_little(field: Field) -> None:
    """36 months are 1,095.75 d: 63,620 km take 58.06 km a day."""
    runs("V-1", 58.0)
    runs("V-2", 58.1)
    found = of_trial(field.trial, 63_620 / 60_000)
    assert found.cannot == ("V-1",)
    assert found.can == ("V-2", "V-3", "V-4")
    assert found.break_even_km["normal"] == pytest.approx(63_620)


def test_each_vehicle_is_held_against_its_own_duty_class(field: Field) -> None:
    """At 60 km a day 36 months are 65,745 km, 18 months 32,872 km (by hand): 1.05 × 60,000 is
    reached in normal duty, 1.05 × 40,000 is not in severe duty."""
    runs("V-1", 60.0)
    runs("V-2", 60.0)
    DueDate.objects.filter(vehicle__fleet_number="V-1").update(duty_class="severe")
    found = of_trial(field.trial, 1.05)
    assert found.cannot == ("V-1",)
    assert found.break_even_km == {"normal": 63_000, "severe": 42_000}
    assert found.of_class == {"normal": [3, 3], "severe": [0, 1]}


def test_sold_vehicles_and_those_without_readings_are_told_apart(field: Field) -> None:
    Vehicle.objects.filter(fleet_number="V-3").update(status="sold")
    UsageState.objects.filter(vehicle__fleet_number="V-4").delete()
    found = of_trial(field.trial, 1.1)
    assert found.can == ("V-1", "V-2")
    assert found.not_known == ("V-4",)


def test_it_is_said_in_words() -> None:
    told = in_words({"can": ["V-2"], "cannot": ["V-1"], "not_known": ["V-4"], "break_even_km": {}})
    assert told[0] == "It can pay for 1 of 2 vehicles of the type, each counted in its own duty."
    assert told[1].startswith("It cannot for V-1: the calendar asks")
    assert told[2].startswith("Not known for V-4")
    assert in_words(None) == []
