"""Lab samples with top-ups on the way, from real rows."""

from datetime import timedelta

import pytest

from fleet.due.models import TopUp
from fleet.trials.evaluate import evaluate
from fleet.trials.models import TrialVehicle
from fleet.trials.rate import LabLimits, Measured, add_samples, name_property
from tests.kept import kept
from tests.scene import NOW
from tests.trials.field import PROGRAM, STARTS_ON, Field, noon

pytestmark = pytest.mark.django_db


@kept
def field(two: Field) -> Field:
    return two


def top_up(place: TrialVehicle, days: float, share: float) -> None:
    TopUp.objects.create(
        vehicle=place.vehicle,
        compartment=place.trial.service.compartment,
        topped_up_at=noon(STARTS_ON) + timedelta(days=days),
        quantity_ml=round(share * 1_500),
        source="invented",
        client_key=f"top-up-{place.pk}-{days}",
    )


def iron_rate(field: Field, *samples: tuple[int, float], gathers: bool = True) -> dict[str, object]:
    iron = name_property(
        *(PROGRAM, field.trial),
        LabLimits(
            **{
                "name": "Iron",
                "slug": "iron",
                "unit": "mg/kg",
                "high": 500.0,
                "source": "invented",
            },
            gathers=gathers,
        ),
    )
    place = field.places[0]
    rows = [
        Measured(place, iron, STARTS_ON + timedelta(days=day), value, "report", f"s-{day}")
        for day, value in samples
    ]
    add_samples(PROGRAM, rows)
    told = evaluate(field.trial, NOW).details["lab"][0]
    found: dict[str, object] = told["tried" if place.group.tried else "usual"]
    return found


def test_a_fifth_added_half_way_is_balanced(field: Field) -> None:
    """A-09: 100 km a day, 20 % at 5,000 km, 40 at 10,000 km is 42.2705 undiluted; with 4.22705
    at 1,000 km the slope is 4.22705 per 1,000 km."""
    top_up(field.places[0], 50, 0.2)
    found = iron_rate(field, (10, 4.22705), (100, 40.0))
    assert found["per_1000_km"] == pytest.approx(4.22705, rel=1e-4)
    assert found["not corrected"] == 0
    (told,) = evaluate(field.trial, NOW).details["lab"]
    assert told["correction"] == "corrected for top-ups by the mass balance of the fluid"
    assert (told["property"], told["unit"], told["low"], told["high"]) == (
        *("Iron", "mg/kg", None, 500),
    )


def test_what_does_not_gather_is_never_corrected(field: Field) -> None:
    top_up(field.places[0], 50, 0.2)
    found = iron_rate(field, (10, 4.0), (100, 40.0), gathers=False)
    assert found["per_1000_km"] == pytest.approx(4.0)
    (told,) = evaluate(field.trial, NOW).details["lab"]
    assert told["correction"] == "not corrected for top-ups"


def test_half_a_refill_at_once_cannot_be_balanced_and_is_left_out(field: Field) -> None:
    top_up(field.places[0], 50, 0.5)
    found = iron_rate(field, (10, 4.0), (40, 16.0), (100, 40.0))
    assert found["not corrected"] == 1
    assert found["per_1000_km"] == pytest.approx(4.0)


def test_a_top_up_after_the_sample_plays_no_part(field: Field) -> None:
    top_up(field.places[0], 120, 0.2)
    assert iron_rate(field, (10, 4.0), (100, 40.0))["per_1000_km"] == pytest.approx(4.0)
