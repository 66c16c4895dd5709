"""Figures in the unit that a vehicle's own meter shows: km, miles or hours.

Everything is stored and computed in km (or h); a person reads and types what the instrument says.
"""

from collections.abc import Collection

from django.db.models import OuterRef, Subquery, Value
from django.db.models.functions import Coalesce

from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.units import distance_km, distance_mi, hours_h
from fleet.vehicles.models import Meter

SPACE = "\N{NARROW NO-BREAK SPACE}"


@reader
def units_of(vehicle_ids: Collection[int]) -> Read[dict[int, str]]:
    """The unit of each vehicle's odometer; one query; left out where it has none yet."""
    rows = _odometers(vehicle_ids)
    yield [rows]
    return dict(rows)


@prepared
def _odometers(vehicle_ids: Ids) -> Rows:
    meters = Meter.objects.filter(vehicle__in=vehicle_ids, kind=Meter.Kind.KM)
    return meters.values_list("vehicle_id", "unit")


def unit_column(vehicle: str = "vehicle") -> Coalesce:
    """The same as a column of a query, by what names the vehicle there."""
    meters = Meter.objects.filter(vehicle=OuterRef(vehicle), kind=Meter.Kind.KM)
    return Coalesce(Subquery(meters.values("unit")[:1]), Value("km"))


def odometer_unit(vehicle_id: int) -> str:
    """The unit of a vehicle's odometer; km where it has none yet."""
    return units_of([vehicle_id]).get(vehicle_id, "km")


def in_own(value: float, unit: str) -> float:
    """A value in km (or h) as an instrument of this unit shows it."""
    return distance_mi(value) if unit == "mi" else value


def from_own(value: float, unit: str) -> float:
    """A value as given, in km (or h).

    Raises
    ------
    fleet.units.UnitError
        The unit measures neither distance nor hours.
    """
    return hours_h(value, unit) if unit == "h" else distance_km(value, unit)


def figures(value: float, unit: str) -> str:
    """A value in km (or h) as '14,900 mi' within a sentence."""
    return f"{in_own(value, unit):,.0f} {unit}"


def in_words(value: float, unit: str) -> str:
    """A value in km (or h) as '14,900 mi'; hours to a tenth where they have one."""
    own = in_own(value, unit)
    digits = 1 if unit == "h" and abs(own - round(own)) >= 0.05 else 0
    return f"{own:,.{digits}f}{SPACE}{unit}"
