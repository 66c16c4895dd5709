"""A meter's figure as it is typed into a field, with its unit beside it or behind the number."""

from collections.abc import Collection

from fleet.faults import Fault
from fleet.readings.cells import typed_figure, unit_of
from fleet.readings.enter import KINDS
from fleet.units import UnitError


def right_value(text: str, unit: str) -> tuple[float | None, str | None]:
    """The value that a person knows to be right, and its unit: as typed behind it, else the
    field's; nothing typed: None."""
    if not text.strip():
        return None, None
    value, written = meter_figure(text, unit, "value")
    return value, written or None


def meter_figure(
    text: str, unit: str, about: str, named: str = "", among: Collection[str] = tuple(KINDS)
) -> tuple[float, str]:
    """A figure that must be there, in one of some units, and its unit likewise."""
    try:
        given = typed_figure(text)
    except UnitError as error:
        raise Fault(f"{named}{error}", about=about) from error
    written = unit_of(given.unit) if given.unit else unit
    if written is None or (given.unit and written not in among):
        wrong = f"“{given.unit}” is no unit of this meter: write {' or '.join(among)}."
        raise Fault(f"{named}{wrong}", about=about)
    return given.value, written
