"""Which bay takes which vehicle, by rated load, length and height; and what is missing to tell.

A size that is not entered, of the vehicle type or of the bay, fits.
"""

from collections.abc import Sequence

import numpy as np

from fleet.calc.arrays import Array
from fleet.vehicles.models import Vehicle, VehicleType
from fleet.visits.places import Places


def fits(vehicles: Sequence[Vehicle], places: Places) -> Array:
    """Whether each vehicle may stand in each bay, (v, b)."""
    types = [one.vehicle_type for one in vehicles]
    inside = np.ones((len(types), len(places.bays)), dtype=bool)
    for asked, given in _sizes(types, places):
        inside &= asked[:, None] <= given[None, :]
    return inside


def _sizes(types: Sequence[VehicleType], places: Places) -> list[tuple[Array, Array]]:
    """Mass, length and height: of vehicle types, 0 where unknown, and of bays."""
    return [
        (np.array([one.gross_mass_kg or 0.0 for one in types]), places.rated_kg),
        (np.array([one.length_m or 0.0 for one in types]), places.length_m),
        (np.array([one.height_m or 0.0 for one in types]), places.height_m),
    ]


def why_none(vehicle_type: VehicleType, places: Places) -> str:
    """What no bay has for a type, as "no bay is longer than 6 m, and it has 7.2 m"."""
    words = (("is rated for more than", "kg"), ("is longer than", "m"), ("is higher than", "m"))
    told = []
    for (asked, given), (verb, unit) in zip(_sizes([vehicle_type], places), words, strict=True):
        if asked[0] > given.max(initial=0.0):
            told.append(
                f"no bay {verb} {given.max(initial=0.0):g} {unit}, and it has {asked[0]:g} {unit}"
            )
    return "; ".join(told) or "no one bay takes its mass, length and height together"


def unsaid(vehicles: Sequence[Vehicle], places: Places) -> list[str]:
    """Sizes that are entered on one side only, and what was taken."""
    types = {one.vehicle_type_id: one.vehicle_type for one in vehicles}
    told = []
    for name, of_bays in (("length", places.length_m), ("height", places.height_m)):
        has = [getattr(one, f"{name}_m") for one in types.values()]
        lack = sorted(one.name for one, size in zip(types.values(), has, strict=True) if not size)
        bays = [bay for bay, size in zip(places.bays, of_bays, strict=True) if np.isinf(size)]
        if len(bays) < len(places.bays) and lack:
            told.append(
                f"No {name} is entered of {', '.join(lack)}: any bay is taken to be enough."
            )
        if any(has) and bays and any(bays):
            told.append(f"No {name} is entered of {', '.join(bays)}: any vehicle is taken to fit.")
    return told
