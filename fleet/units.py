"""The one unit registry: text or a number with its unit in, plain floats out.

Numbers travel inside the program as plain floats in km, litres, N·m, °C, hours and kPa. This is
the only place where other units are accepted, and only spellings that mean one thing: a bare
"quart", "C" or "m" is refused with the words to write instead. Pint supplies the conversion
factors; it never sees typed text, because it reads "5 000 km" as 0 km and "ftlb" as a mass.
Months and years are no units here: calendar intervals are added to a date.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from threading import Lock
from typing import TYPE_CHECKING, Literal, NamedTuple

from fleet.calc.letters import LONGEST as LONGEST_TEXT
from fleet.calc.letters import mistyped

if TYPE_CHECKING:
    import pint

DecimalMark = Literal[".", ","]


class UnitError(ValueError):
    """A number or unit that cannot be taken safely; its text is written for the person."""


class Given(NamedTuple):
    """A number as written, and the unit written behind it (None when there is none)."""

    value: float
    unit: str | None


@dataclass(frozen=True, slots=True)
class _Kind:
    name: str
    target: str  # Pint's name of the unit the program computes in
    remedy: str  # the spellings a person is told to use
    spellings: dict[str, str]  # compact spelling -> Pint's name
    below_zero: bool = False


def _spell(words_by_unit: dict[str, str]) -> dict[str, str]:
    """Turn {Pint's name: its spellings} into {spelling: Pint's name}."""
    return {word: unit for unit, words in words_by_unit.items() for word in words.split()}


# Spellings are compact (no spaces, dots, hyphens) and lower case unless the case decides.
_LBF_FT = "force_pound * foot"
_DISTANCE = {
    "kilometer": "km kms kilometre kilometres kilometer kilometers",
    "mile": "mi mile miles statutemile statutemiles",
    "meter": "metre metres meter meters",
}
_VOLUME = {
    "liter": "l litre litres liter liters dm3",
    "milliliter": "ml cc cm3 millilitre millilitres milliliter milliliters",
    "centiliter": "cl",
    "deciliter": "dl",
    "meter ** 3": "m3",
    "US_liquid_quart": "usqt usquart usquarts usliquidquart",
    "US_pint": "uspt uspint uspints usliquidpint",
    "US_liquid_gallon": "usgal usgallon usgallons",
    "US_fluid_ounce": "usfloz usfluidounce usfluidounces",
    "imperial_quart": "impqt impquart imperialquart imperialquarts ukquart",
    "imperial_pint": "imppt imppint imperialpint imperialpints ukpint",
    "imperial_gallon": "impgal impgallon imperialgallon imperialgallons ukgallon",
    "imperial_fluid_ounce": "impfloz imperialfluidounce imperialfluidounces",
}
_TORQUE = {
    "newton * meter": "Nm newtonmetre newtonmetres newtonmeter newtonmeters",
    "decanewton * meter": "daNm",
    "kilogram_force * meter": "kgfm kgm mkg mkgf kpm",
    "kilogram_force * centimeter": "kgfcm kgcm cmkg",
    _LBF_FT: "lbfft lbft lbsft ftlb ftlbs ftlbf footpound footpounds poundfoot poundfeet",
    "force_pound * inch": "lbfin lbin lbsin inlb inlbs inlbf inchpound inchpounds poundinch",
}
_TEMPERATURE = {"degC": "°c degc celsius", "degF": "°f degf fahrenheit", "kelvin": "K kelvin"}
_DIFFERENCE = {
    "delta_degC": "°c degc celsius K kelvin δ°c deltadegc δk",
    "delta_degF": "°f degf fahrenheit δ°f deltadegf",
}
_RUNNING_TIME = {
    "hour": "h hr hrs hour hours",
    "minute": "min mins minute minutes",
    "second": "s sec second seconds",
    "day": "d day days",
}
_PRESSURE = {
    "kilopascal": "kpa",
    "bar": "bar bars",
    "millibar": "mbar",
    "psi": "psi",
    "pascal": "Pa",
    "megapascal": "MPa",
}
_KINEMATIC = {"centistokes": "cst centistoke centistokes", "millimeter ** 2 / second": "mm2/s"}
_DYNAMIC = {"millipascal * second": "mPas", "centipoise": "cp centipoise"}
_BELOW_ZERO = True

_KINDS = {
    name: _Kind(name, target, remedy, _spell(words), *below_zero)
    for name, target, remedy, words, *below_zero in (
        ("distance", "kilometer", "km, mi or metre", _DISTANCE),
        ("volume", "liter", "L, mL, US qt or imp qt", _VOLUME),
        ("torque", "newton * meter", "N·m, lbf·ft, lbf·in or kgf·m", _TORQUE),
        ("temperature", "degC", "°C, °F or K", _TEMPERATURE, _BELOW_ZERO),
        ("temperature difference", "delta_degC", "°C, °F or K", _DIFFERENCE, _BELOW_ZERO),
        ("running time", "hour", "h, min or d", _RUNNING_TIME),
        ("pressure", "kilopascal", "kPa, bar or psi", _PRESSURE),
        ("kinematic viscosity", "millimeter ** 2 / second", "mm2/s or cSt", _KINEMATIC),
        ("dynamic viscosity", "millipascal * second", "mPa·s or cP", _DYNAMIC),
    )
}

# Volumes in these sentences: NIST SP 811 B.8, rounded to three decimals.
_REFUSED = {
    word: why
    for why, words in {
        "write US qt (0.946 L) or imp qt (1.137 L)": "qt qts quart quarts",
        "write US pt (0.473 L) or imp pt (0.568 L)": "pt pts pint pints",
        "write US gal (3.785 L) or imp gal (4.546 L)": "gal gals gallon gallons",
        "an ounce alone is a mass: write US fl oz or imp fl oz": (
            "oz ounce ounces floz fluidounce fluidounces"
        ),
        "a month or a year has no fixed length: give a calendar limit in months instead": (
            "mo mon month months a y yr yrs year years"
        ),
        "a joule is energy although its dimensions are those of torque: write N·m": (
            "j joule joules"
        ),
        "barrels differ from 119 L to 159 L: write L": "bbl barrel barrels",
        "a dry quart is no measure of fluid: write US qt or L": "usdryqt dryquart usdryquart",
        "meters count statute miles: write mi": "surveymile ussurveymile",
        "it can mean nanometre or nautical mile: write N·m for a torque, km for a distance": "nm",
        "it can mean metres or miles: write metre or mi": "m",
        "it is a coulomb: write °C": "c",
        "it is a farad: write °F": "f",
    }.items()
    for word in words.split()
}

TORQUE_UNITS = ("N·m", "lbf·ft", "lbf·in", "kgf·m")  # in which sources state torque
_SPACES = dict.fromkeys(map(ord, "\u00a0\u2007\u2008\u2009\u200a\u202f\t"), " ")
_SIGNS = _SPACES | {ord("\u2212"): "-", ord("\u2019"): "'", ord("\u02bc"): "'", ord("º"): "°"}
_NUMBER = re.compile(
    r"(?P<sign>[+-]?)(?P<body>[0-9.,](?:[0-9.,' ]*[0-9.,])?)(?P<exponent>[eE][+-]?[0-9]{1,3})?"
    r"\s*(?P<unit>[^0-9\s].*)?"
)
_WHOLE = re.compile(r"[0-9]*|[1-9][0-9]{0,2}(?P<mark>[ ',.])[0-9]{3}(?:(?P=mark)[0-9]{3})*")
_SEPARATORS = re.compile(r"[\s·⋅•*._\-]+")

_registry_lock = Lock()


@cache
def _build() -> pint.UnitRegistry[Decimal]:
    import pint

    units: pint.UnitRegistry[Decimal] = pint.UnitRegistry(non_int_type=Decimal)
    pint.set_application_registry(units)  # type: ignore[no-untyped-call]
    return units


def registry() -> pint.UnitRegistry[Decimal]:
    """Return the process's only registry, built on first use; it computes in decimals.

    Quantities of two registries refuse to work together, so nothing else may build one.
    """
    with _registry_lock:
        return _build()


def number(text: str, decimal_mark: DecimalMark | None = None) -> Given:
    """Read a number as spreadsheets write it, with the unit written behind it, if any.

    Spaces, narrow spaces, apostrophes and the other mark may group thousands. "1,234" can mean
    two numbers and is refused unless the caller knows the sheet's decimal mark.

    Raises UnitError when there is no number, the grouping is broken or two readings remain.
    """
    sign, body, exponent, unit = _parts(text)
    point, comma = (_read(body + exponent, mark) for mark in (".", ","))
    if decimal_mark is not None:
        read = point if decimal_mark == "." else comma
        if read is None:
            raise UnitError(_broken(text, decimal_mark, comma if decimal_mark == "." else point))
    else:
        read = _only(text, point, comma)
    value = float(read)
    if not math.isfinite(value):
        raise UnitError(f"“{text}” is too large to be a number of this kind.")
    return Given(-value if sign == "-" else value, unit)


def _parts(text: str) -> tuple[str, str, str, str | None]:
    cleaned = text.translate(_SIGNS).strip()
    found = _NUMBER.fullmatch(cleaned) if len(cleaned) <= LONGEST_TEXT else None
    if asked := mistyped(cleaned):
        raise UnitError(asked)
    if found is None:
        raise UnitError(f"“{text[:LONGEST_TEXT]}” is not a number: write digits, as in 12500.")
    unit = found["unit"]
    return found["sign"], found["body"], found["exponent"] or "", unit.strip() if unit else None


def _read(digits: str, mark: str) -> Decimal | None:
    """Read digits with this decimal mark, or None when they cannot be written with it."""
    body, _, exponent = digits.lower().partition("e")
    whole, point, fraction = body.partition(mark)
    grouping = _WHOLE.fullmatch(whole)
    if grouping is None or grouping["mark"] == mark or not (whole or fraction):
        return None
    if point and not (fraction.isascii() and fraction.isdigit()):
        return None
    plain = re.sub("[ ',.]", "", whole) or "0"
    return Decimal(f"{plain}.{fraction or '0'}E{exponent or '0'}")


def _only(text: str, point: Decimal | None, comma: Decimal | None) -> Decimal:
    if point is not None and comma is not None and point != comma:
        raise UnitError(_ambiguous(text, point, comma))
    read = comma if point is None else point
    if read is None:
        raise UnitError(f"“{text}” is not a number: its thousands are grouped irregularly.")
    return read


def _ambiguous(text: str, *readings: Decimal) -> str:
    small, large = (format(float(r), ".15g") for r in sorted(readings))
    return (
        f"“{text}” can mean {small} or {large}: write {large} without a thousands mark, "
        f"or {small} with another number of decimals."
    )


def _broken(text: str, decimal_mark: str, other: Decimal | None) -> str:
    meant = f" (written the other way it would be {float(other):.15g})" if other is not None else ""
    return (
        f"“{text}” is not a number with the decimal mark “{decimal_mark}”{meant}: "
        "write it without a thousands mark."
    )


def distance_km(value: object, unit: str | None = None, decimal_mark: DecimalMark = ".") -> float:
    """Distance [km] of text, or of a number and its unit; never negative."""
    return _take("distance", value, unit, decimal_mark)


def volume_l(value: object, unit: str | None = None, decimal_mark: DecimalMark = ".") -> float:
    """Volume [L] of text, or of a number and its unit; a quart must say which."""
    return _take("volume", value, unit, decimal_mark)


def torque_nm(value: object, unit: str | None = None, decimal_mark: DecimalMark = ".") -> float:
    """Torque [N·m] of text, or of a number and its unit; energy is refused."""
    return _take("torque", value, unit, decimal_mark)


def temperature_c(value: object, unit: str | None = None, decimal_mark: DecimalMark = ".") -> float:
    """Temperature [°C] of text, or of a number and its unit; not below absolute zero."""
    celsius = _take("temperature", value, unit, decimal_mark)
    if celsius < -273.15:
        raise UnitError(f"{value} is below absolute zero (-273.15 °C).")
    return celsius


def hours_h(value: object, unit: str | None = None, decimal_mark: DecimalMark = ".") -> float:
    """Running time [h] of text, or of a number and its unit; no months, no years."""
    return _take("running time", value, unit, decimal_mark)


def torque_lbfft(torque_nm: float) -> float:
    """Torque [lbf·ft] of one in N·m, for display beside it."""
    return _convert(torque_nm, "newton * meter", _LBF_FT)


def torque_in(torque_nm: float, unit: str) -> float:
    """Torque in a unit of torque, of one in N·m: back to the figure a source states."""
    return _convert(torque_nm, "newton * meter", _pint_name(_KINDS["torque"], unit))


def torque_unit(text: str) -> str:
    """One of ``TORQUE_UNITS`` by any of its spellings; UnitError for everything else."""
    kind = _KINDS["torque"]
    meant = _pint_name(kind, text)
    for spelling in TORQUE_UNITS:
        if _pint_name(kind, spelling) == meant:
            return spelling
    raise UnitError(f"“{text}” states no torque here: write {kind.remedy}.")


def distance_mi(distance_km: float) -> float:
    """Distance [statute miles] of one in km, for display beside it."""
    return _convert(distance_km, "kilometer", "mile")


def volume_us_qt(volume_l: float) -> float:
    """Volume [US quarts] of one in litres, for display."""
    return _convert(volume_l, "liter", "US_liquid_quart")


def temperature_f(temperature_c: float) -> float:
    """Temperature [°F] of one in °C, for display."""
    return _convert(temperature_c, "degC", "degF")


def _take(kind_name: str, value: object, unit: str | None, decimal_mark: DecimalMark) -> float:
    kind = _KINDS[kind_name]
    given = _given(kind, value, unit, decimal_mark)
    if given.unit is None:
        raise UnitError(f"“{value}” has no unit: write {kind.remedy} behind the number.")
    taken = _convert(given.value, _pint_name(kind, given.unit), kind.target)
    if not math.isfinite(taken):
        raise UnitError(f"A {kind.name} must be a finite number, not {value}.")
    if given.value < 0 and not kind.below_zero:
        raise UnitError(f"A {kind.name} cannot be negative: {value}.")
    return taken


def _given(kind: _Kind, value: object, unit: str | None, decimal_mark: DecimalMark) -> Given:
    if not isinstance(value, str):
        return Given(_plain(kind, value), unit)
    written = number(value, decimal_mark)
    _refuse_decimals_like_thousands(value, written.value)
    if written.unit is None or unit is None:
        return Given(written.value, written.unit or unit)
    if _pint_name(kind, written.unit) != _pint_name(kind, unit):
        raise UnitError(f"“{value}” is expected in {unit}: write it in {unit}, or drop one unit.")
    return written


def _plain(kind: _Kind, value: object) -> float:
    try:
        if isinstance(value, (bool, bytes, bytearray)):
            raise TypeError
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        raise UnitError(f"A {kind.name} must be a number, not {value!r}.") from None


def _refuse_decimals_like_thousands(text: str, value: float) -> None:
    _, body, exponent, _ = _parts(text)
    readings = [r for r in (_read(body + exponent, mark) for mark in ".,") if r is not None]
    if abs(value) < max(float(r) for r in readings):
        raise UnitError(_ambiguous(text, *readings))


def _compact(unit: str) -> str:
    return _SEPARATORS.sub("", unicodedata.normalize("NFKC", unit.translate(_SIGNS)))


def _pint_name(kind: _Kind, unit: str) -> str:
    compact = _compact(unit)
    folded = compact.casefold()
    name = kind.spellings.get(compact) or kind.spellings.get(folded)
    if name is None:
        raise UnitError(_why_not(kind, unit, compact, folded))
    return name


def _why_not(kind: _Kind, unit: str, compact: str, folded: str) -> str:
    if folded in _REFUSED:
        return f"“{unit}” is not accepted for a {kind.name}: {_REFUSED[folded]}."
    for other in _KINDS.values():
        if compact in other.spellings or folded in other.spellings:
            return f"“{unit}” is a unit of {other.name}, not of {kind.name}: write {kind.remedy}."
    return f"“{unit}” is not a known unit of {kind.name}: write {kind.remedy}."


def _convert(value: float, unit: str, target: str) -> float:
    slope, offset = _line(unit, target)
    return float(Decimal(repr(float(value))) * slope + offset)


@cache
def _line(unit: str, target: str) -> tuple[Decimal, Decimal]:
    """Slope and offset of a conversion; exact in decimals, so it is rounded once, at output."""
    quantity = registry().Quantity
    offset = quantity(Decimal(0), unit).to(target).magnitude
    return quantity(Decimal(1), unit).to(target).magnitude - offset, offset


def plain(number: float) -> str:
    """A number without zeros that say nothing, below zero with a minus sign, as '−31.8'."""
    return f"{number:g}".replace("-", "\N{MINUS SIGN}")


def percent(share: float) -> str:
    """A share as '64 %', which no line breaks apart."""
    return f"{share * 100:.0f}\N{NARROW NO-BREAK SPACE}%"
