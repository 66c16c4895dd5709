"""In which units whoever looks reads sums of fluid, temperatures and torques.

Fluid and temperatures are typed in the unit of their field: only what is added up or read off is
shown otherwise. A torque is typed in the unit it is read in, too (``orders/typed_torques.py``).
"""

import re
from collections.abc import Callable
from contextvars import ContextVar
from typing import Any

from django.http import HttpRequest, HttpResponse

from fleet.dashboard import words
from fleet.dashboard.words import THIN_SPACE, limits_words, plain
from fleet.due.models import CheckFigure
from fleet.people.models import FluidUnit, TemperatureUnit, TorqueUnit
from fleet.units import temperature_f, volume_us_qt

# a torque in a sentence, as '39.3 N·m' or '20 to 100 N·m'
_NM = r"(?<![\d.])(\d{1,5}(?:\.\d{1,4})?)"
_IN_NM = re.compile(rf"{_NM}(?: to {_NM})?\s?N·m")
_reader: ContextVar[Any] = ContextVar("reader", default=None)


class OfReader:
    """Notes who looks, for as long as a request is answered; nobody is looked up for it."""

    def __init__(self, answer: Callable[[HttpRequest], HttpResponse]) -> None:
        self.answer = answer

    def __call__(self, request: HttpRequest) -> HttpResponse:
        before = _reader.set(request.user)
        try:
            return self.answer(request)
        finally:
            _reader.reset(before)


def fluid_unit() -> str:
    """L or US qt."""
    return str(getattr(_reader.get(), "fluid_unit", FluidUnit.LITRES))


def temperature_unit() -> str:
    """°C or °F."""
    return str(getattr(_reader.get(), "temperature_unit", TemperatureUnit.CELSIUS))


def volume(volume_l: float) -> float:
    """A volume in the unit of whoever looks."""
    return volume_us_qt(volume_l) if fluid_unit() == FluidUnit.US_QUARTS else volume_l


def temperature(temperature_c: float) -> float:
    """A temperature in the unit of whoever looks."""
    fahrenheit = temperature_unit() == TemperatureUnit.FAHRENHEIT
    return temperature_f(temperature_c) if fahrenheit else temperature_c


def torque_unit() -> str:
    """N·m or lbf·ft."""
    return str(getattr(_reader.get(), "torque_unit", TorqueUnit.NEWTON_METRES))


def torque(least_nm: float, most_nm: float | None = None) -> str:
    """A torque or a range of it in the unit of whoever looks, as '29 lbf·ft (39.3 N·m)'."""
    in_nm = words.torque_in(least_nm, most_nm, TorqueUnit.NEWTON_METRES)
    if torque_unit() == TorqueUnit.NEWTON_METRES:
        return in_nm
    return f"{torque_first(least_nm, most_nm)} ({in_nm})"


def torque_first(least_nm: float, most_nm: float | None) -> str:
    """The figure of a fastener in the unit of whoever looks, the same on every card."""
    return words.torque_in(least_nm, most_nm, torque_unit())


def torque_beside(least_nm: float, most_nm: float | None, stated_unit: str) -> str:
    """What stands in brackets beside it: N·m, and the figure as its source states it."""
    first = torque_unit()
    units = [one for one in (TorqueUnit.NEWTON_METRES, stated_unit) if one != first]
    others = dict.fromkeys(units or [TorqueUnit.POUND_FEET])
    return ", ".join(words.torque_in(least_nm, most_nm, one) for one in others)


def as_typed(typed: str, torque_nm: float) -> str:
    """How a torque was typed, behind it, where whoever looks does not read just that already."""
    if not typed or typed.replace(" ", THIN_SPACE) == torque_first(torque_nm, None):
        return ""
    return f" as typed: {typed}"


def torques_in_text(text: str) -> str:
    """A text in which torques stand in N·m, with each as whoever looks reads it."""
    if torque_unit() == TorqueUnit.NEWTON_METRES:
        return text
    return _IN_NM.sub(_as_read, text)


def _as_read(found: re.Match[str]) -> str:
    return torque(float(found[1]), float(found[2]) if found[2] else None)


def measured(value: float, figure: CheckFigure) -> str:
    """A measured value with its unit, a temperature in that of whoever looks."""
    if figure.unit != TemperatureUnit.CELSIUS:
        return f"{plain(value)}{THIN_SPACE}{figure.unit}"
    return f"{plain(round(temperature(value), 1))}{THIN_SPACE}{temperature_unit()}"


def limits(figure: CheckFigure) -> str:
    """Which values pass and which want watching, likewise."""
    if figure.unit != TemperatureUnit.CELSIUS:
        return limits_words(figure, figure.unit, float)
    return limits_words(figure, temperature_unit(), lambda value: round(temperature(value), 1))
