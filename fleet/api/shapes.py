"""Shapes that more than one resource answers with."""

from datetime import UTC, datetime
from typing import Any

from rest_framework import serializers

from fleet.due.listing import STATES
from fleet.due.models import BindingLimit, Service
from fleet.duty.models import DutyClass
from fleet.vehicles.models import Meter, Vehicle

DAY_S = 86_400


def instant(days: float | None) -> datetime | None:
    """An instant of its days since 1970-01-01 UTC, to the second."""
    return None if days is None else datetime.fromtimestamp(round(days * DAY_S), UTC)


class DueShape(serializers.Serializer[Any]):
    vehicle = serializers.CharField(help_text="Fleet number")
    registration = serializers.CharField()
    vehicle_status = serializers.ChoiceField(Vehicle.Status.choices)
    depot = serializers.SlugField()
    depot_name = serializers.CharField()
    compartment = serializers.SlugField()
    compartment_name = serializers.CharField()
    service = serializers.SlugField()
    service_name = serializers.CharField()
    kind = serializers.ChoiceField(Service.Kind.choices)
    today = serializers.DateField(help_text="At the depot; the state is decided against it")
    state = serializers.ChoiceField(STATES)
    out_of_tolerance = serializers.BooleanField()
    p10 = serializers.DateField(allow_null=True, help_text="Earliest likely")
    p50 = serializers.DateField(allow_null=True, help_text="Expected, 50:50")
    p90 = serializers.DateField(allow_null=True, help_text="Latest likely")
    calendar_on = serializers.DateField(allow_null=True)
    bring_in_by = serializers.DateField(allow_null=True)
    take_a_reading_first = serializers.BooleanField()
    binding_limit = serializers.ChoiceField(BindingLimit.choices)
    binding_probability = serializers.FloatField(allow_null=True)
    life_used = serializers.FloatField(allow_null=True, help_text="1 is the whole interval")
    remaining_km = serializers.FloatField(allow_null=True)
    remaining_h = serializers.FloatField(allow_null=True)
    duty_class = serializers.ChoiceField(DutyClass.choices)
    provisional = serializers.BooleanField()


DUE_KEYS = tuple(DueShape().fields)


class MeterShape(serializers.Serializer[Any]):
    kind = serializers.ChoiceField(Meter.Kind.choices)
    unit = serializers.CharField(help_text="As the instrument shows it: km, mi or h")
    readings = serializers.IntegerField(help_text="Accepted so far")
    last_at = serializers.DateTimeField(allow_null=True, help_text="Last accepted reading")
    total_km = serializers.FloatField(allow_null=True)
    total_h = serializers.FloatField(allow_null=True)
    provisional = serializers.BooleanField()
