"""Shapes that more than one resource answers with."""

from dataclasses import fields
from datetime import UTC, date, datetime
from functools import cache
from types import NoneType, UnionType
from typing import Any, get_args, get_origin, get_type_hints

from rest_framework import serializers

from fleet.due.listing import STATES
from fleet.due.models import BindingLimit, Service
from fleet.duty.models import DutyClass
from fleet.vehicles.models import Meter, Vehicle

DAY_S = 86_400


def instant(days: float | None) -> datetime | None:
    """An instant of its days since 1970-01-01 UTC, to the second."""
    return None if days is None else datetime.fromtimestamp(round(days * DAY_S), UTC)


PLAIN = {
    str: serializers.CharField,
    int: serializers.IntegerField,
    float: serializers.FloatField,
    bool: serializers.BooleanField,
    date: serializers.DateField,
    datetime: serializers.DateTimeField,
}


@cache
def shape_of(shown: type[Any]) -> type[serializers.Serializer[Any]]:
    """The schema of a frozen dataclass that is shown as it is."""
    hints = get_type_hints(shown)
    own = {item.name: _field(hints[item.name]) for item in fields(shown)}
    return type(f"{shown.__name__}Shape", (serializers.Serializer,), own)


def _field(hint: Any, **options: Any) -> Any:
    if isinstance(hint, UnionType):
        (inner,) = [one for one in get_args(hint) if one is not NoneType]
        return _field(inner, allow_null=True, **options)
    if get_origin(hint) is tuple:
        inner = get_args(hint)[0]
        many = inner not in PLAIN
        return shape_of(inner)(many=True) if many else serializers.ListField(child=PLAIN[inner]())
    if get_origin(hint) is dict:
        return serializers.DictField(**options)
    return PLAIN[hint](**options) if hint in PLAIN else shape_of(hint)(**options)


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
    odometer_unit = serializers.CharField(help_text="What the vehicle's own odometer shows")
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
    shown_km = serializers.FloatField(
        allow_null=True, help_text="By the meter itself: not the total where one was replaced"
    )
    shown_h = serializers.FloatField(allow_null=True)
    provisional = serializers.BooleanField()
