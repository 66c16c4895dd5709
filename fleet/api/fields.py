"""Fields that take what the schema says and nothing that merely looks like it."""

import math
from datetime import UTC, date, datetime
from typing import Any

from drf_spectacular.extensions import OpenApiSerializerExtension
from rest_framework import serializers
from rest_framework.request import Request

from fleet.api.errors import QueryFault

FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2199, 12, 31)  # that a call may name; our choice


class Text(serializers.CharField):
    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.fail("invalid")
        return super().to_internal_value(data)


class Number(serializers.FloatField):
    """A finite JSON number: no text, no true or false, no overflow to infinity."""

    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, bool) or not isinstance(data, int | float):
            self.fail("invalid")
        try:
            value = float(data)
        except OverflowError:
            value = math.inf
        if not math.isfinite(value):
            self.fail("invalid")
        return value


class Instant(serializers.DateTimeField):
    """An instant with its offset; without one nobody knows which instant is meant."""

    default_error_messages = {
        "invalid": "Write an ISO 8601 instant with its offset, such as 2026-03-01T12:00:00Z.",
    }

    def to_internal_value(self, value: Any) -> datetime:
        try:
            instant = datetime.fromisoformat(value)
            if instant.tzinfo is None:
                self.fail("invalid")
            return instant.astimezone(UTC)
        except (TypeError, ValueError, OverflowError):
            self.fail("invalid")


class Day(serializers.DateField):
    """An ISO 8601 date with four digits of year, no further away than days are counted from."""

    default_error_messages = {"too_far": "Name a day between {first} and {last}."}

    def to_internal_value(self, value: Any) -> date:
        if not isinstance(value, str) or len(value) != len("2026-03-01"):
            self.fail("invalid", format="YYYY-MM-DD")
        found: date = super().to_internal_value(value)
        if not FIRST_DAY <= found <= LAST_DAY:
            self.fail("too_far", first=FIRST_DAY, last=LAST_DAY)
        return found


class Strict(serializers.Serializer[Any]):
    """A body in which a misspelt name is a fault instead of a silence."""

    default_error_messages = {"unknown": "There is no {name}; there is {names}."}

    def get_fields(self) -> dict[str, Any]:
        """The fields; one that offers a choice says what it offers."""
        found = super().get_fields()
        for field in found.values():
            if isinstance(field, serializers.ChoiceField):
                offered = ", ".join(str(choice) for choice in field.choices)
                field.error_messages["invalid_choice"] = f"“{{input}}” is none of these: {offered}."
        return found

    def to_internal_value(self, data: Any) -> Any:
        unknown = [name for name in data if name not in self.fields] if _named(data) else []
        if unknown:
            raise serializers.ValidationError({name: [self._unknown(name)] for name in unknown})
        return super().to_internal_value(data)

    def _unknown(self, name: str) -> serializers.ErrorDetail:
        names = ", ".join(self.fields)
        text = self.default_error_messages["unknown"].format(name=str(name)[:40], names=names)
        return serializers.ErrorDetail(text, code="unknown")


def _named(data: Any) -> bool:
    return hasattr(data, "keys")


class StrictShape(OpenApiSerializerExtension):  # type: ignore[no-untyped-call]
    target_class = Strict
    match_subclasses = True

    def map_serializer(self, auto_schema: Any, direction: str) -> Any:
        shape = auto_schema._map_serializer(self.target, direction, bypass_extensions=True)
        return {**shape, "additionalProperties": False} if direction == "request" else shape


def query(request: Request, shape: type[Strict]) -> dict[str, Any]:
    """The parameters behind the question mark, or a fault for each that cannot be used."""
    given = request.query_params.copy()
    given.pop("format", None)  # chosen already
    serializer = shape(data=given, context={"request": request})
    if not serializer.is_valid():
        raise QueryFault(serializer.errors)
    return dict(serializer.validated_data)


def body(request: Request, shape: type[Strict], **options: Any) -> Any:
    serializer = shape(data=request.data, **options)
    serializer.is_valid(raise_exception=True)
    return serializer.validated_data
