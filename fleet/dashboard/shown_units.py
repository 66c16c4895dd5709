"""In which units whoever looks reads sums of fluid and temperatures.

What is typed, recorded and measured stays in the unit of its field: only what is added up or read
off is shown otherwise.
"""

from collections.abc import Callable
from contextvars import ContextVar
from typing import Any

from django.http import HttpRequest, HttpResponse

from fleet.dashboard.words import THIN_SPACE, limits_words, plain
from fleet.due.models import CheckFigure
from fleet.people.models import FluidUnit, TemperatureUnit
from fleet.units import temperature_f, volume_us_qt

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
