"""Meter values that vehicles and machines send by themselves, decoded without guessing.

Three sources: SAE J1939 (little-endian), OBD-II service 01 PID A6 (big-endian) and the records of
ISO 15143-3. A range check cannot tell one byte order from the other, so each source has its own
function and the caller must know which it holds; the verdict on a reading compares rates later.
A decoder answers with a reading, with None when the sender says it has none, or with FrameError.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from fleet.units import UnitError, distance_km, hours_h

Kind = Literal["km", "hours"]


class FrameError(ValueError):
    """A frame that carries no usable reading; its text is written for the person."""


@dataclass(frozen=True, slots=True)
class FrameReading:
    """One meter value as a vehicle sent it."""

    kind: Kind
    value: float  # [km] or [h], after conversion
    given: float  # in the unit as sent
    unit: str  # as sent
    taken_at: datetime | None  # UTC; None when the frame carries no time


@dataclass(frozen=True, slots=True)
class MachineRecord:
    """The meters of one ISO 15143-3 record, each with its own time."""

    distance: FrameReading | None
    operating: FrameReading | None
    idle: FrameReading | None


@dataclass(frozen=True, slots=True)
class _Parameter:
    name: str
    kind: Kind
    per_bit: Callable[[int], float]  # raw -> km or h, rounded once
    first_byte: int  # of the parameter in its 8-byte group


# Resolutions and positions: SAE J1939-71 as quoted in a fleet gateway's manual. Written as
# divisions by whole numbers, so that a decimal comes out as the nearest float.
_PARAMETERS = {
    245: _Parameter("total vehicle distance", "km", lambda raw: raw / 8, 4),
    917: _Parameter("high-resolution total vehicle distance", "km", lambda raw: raw / 200, 0),
    247: _Parameter("engine total hours", "hours", lambda raw: raw / 20, 0),
}
# The range ends at 0xFAFFFFFF (the same manual); meaning of the bytes above it: from memory.
_HIGHEST = 0xFAFFFFFF
_NOT_AVAILABLE = 0xFF
_FAULT = 0xFE
_SHORT, _WHOLE_GROUP = 4, 8
_ODOMETER_ANSWER = bytes.fromhex("41A6")
_ALL_ONES = 0xFFFFFFFF
_PLAIN_DECIMAL = re.compile(r"[0-9]{1,15}(\.[0-9]{1,9})?")
_UNITS: dict[Kind, str] = {"km": "km", "hours": "h"}


def payload(text: str) -> bytes:
    """Bytes of a hexadecimal dump such as "E8 03 00 00"."""
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise FrameError(f"“{text[:40]}” is not a row of hexadecimal bytes.") from None


def from_j1939(spn: int, data: bytes) -> FrameReading | None:
    """Decode SPN 245, 917 or 247 from its four bytes or from its group's eight."""
    parameter = _PARAMETERS.get(spn)
    if parameter is None:
        raise FrameError(f"SPN {spn} is no meter: send SPN 245, 917 or 247.")
    raw = int.from_bytes(_own_bytes(parameter, data), "little")
    top = raw >> 24
    if top == _NOT_AVAILABLE:
        return None
    if top == _FAULT:
        raise FrameError(f"The vehicle reports a fault of its {parameter.name}: read it by hand.")
    if raw > _HIGHEST:
        raise FrameError(f"The {parameter.name} 0x{raw:08X} is beyond the range of the standard.")
    return _sent(parameter.kind, parameter.per_bit(raw))


def _own_bytes(parameter: _Parameter, data: bytes) -> bytes:
    if len(data) == _SHORT:
        return data
    if len(data) == _WHOLE_GROUP:
        return data[parameter.first_byte : parameter.first_byte + _SHORT]
    raise FrameError(f"The {parameter.name} has 4 bytes, its group 8; {len(data)} came.")


def from_obd2(data: bytes) -> FrameReading | None:
    """Decode the odometer, service 01 PID A6, with or without the answer's head 41 A6.

    SAE J1979 (2017) and ISO 15031-5 by a public table of PIDs: four bytes, most significant
    first, tenths of a km.
    """
    body = data.removeprefix(_ODOMETER_ANSWER) if len(data) == _SHORT + 2 else data
    if len(body) != _SHORT:
        raise FrameError(
            f"An odometer answer has 4 bytes, or 6 beginning with 41 A6; {data[:12].hex(' ')!r} "
            f"({len(data)} bytes) came."
        )
    raw = int.from_bytes(body, "big")
    return None if raw == _ALL_ONES else _sent("km", raw / 10)


def _sent(kind: Kind, value: float) -> FrameReading:
    return FrameReading(kind, value, value, _UNITS[kind], None)


def from_iso15143(record: object) -> MachineRecord:
    """Decode Distance, CumulativeOperatingHours and CumulativeIdleHours of one record.

    Absent fields are None. Field names are matched in any case, as senders differ.
    """
    fields = _fields(record, "The record")
    found = MachineRecord(
        distance=_distance(fields.get("distance")),
        operating=_running(fields.get("cumulativeoperatinghours"), "CumulativeOperatingHours"),
        idle=_running(fields.get("cumulativeidlehours"), "CumulativeIdleHours"),
    )
    if found.idle and found.operating and found.idle.value > found.operating.value:
        raise FrameError(
            f"Idle hours ({found.idle.value:g}) exceed operating hours "
            f"({found.operating.value:g}): the sender has mixed them up."
        )
    return found


def _fields(record: object, what: str) -> dict[str, object]:
    if not isinstance(record, Mapping):
        raise FrameError(f"{what} must be an object with named fields.")
    return {str(name).casefold(): value for name, value in record.items()}


def _distance(block: object) -> FrameReading | None:
    fields = {} if block is None else _fields(block, "Distance")
    given = _decimal(fields.get("odometer"), "Odometer")
    if given is None:
        return None
    unit = fields.get("odometerunits")
    if not isinstance(unit, str):
        raise FrameError("Distance has no OdometerUnits: send kilometre or mile.")
    return _reading("km", given, unit, fields)


def _running(block: object, name: str) -> FrameReading | None:
    fields = {} if block is None else _fields(block, name)
    given = _decimal(fields.get("hour"), f"Hour of {name}")
    return None if given is None else _reading("hours", given, "hour", fields)


def _reading(kind: Kind, given: float, unit: str, fields: dict[str, object]) -> FrameReading:
    convert = distance_km if kind == "km" else hours_h
    try:
        value = convert(given, unit)
    except UnitError as error:
        raise FrameError(str(error)) from None
    return FrameReading(kind, value, given, unit, _instant(fields.get("datetime")))


def _decimal(value: object, name: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, str) and _PLAIN_DECIMAL.fullmatch(value):
        return float(value)
    try:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise OverflowError
        plain = float(value)
    except OverflowError:
        plain = math.nan
    if not math.isfinite(plain):
        raise FrameError(f"{name} must be a plain number, not {str(value)[:40]!r}.")
    return plain


def _instant(value: object) -> datetime | None:
    if value is None:
        return None
    try:
        instant = datetime.fromisoformat(str(value))
        if instant.tzinfo is None:
            raise ValueError
        return instant.astimezone(UTC)
    except (ValueError, OverflowError):
        raise FrameError(
            f"datetime “{str(value)[:40]}” must be an ISO 8601 instant with its offset, "
            "such as 2026-03-01T12:00:00Z."
        ) from None
