"""Change the particulars of a vehicle."""

from collections.abc import Mapping
from typing import Any

from fleet.people.models import Person
from fleet.vehicles.models import Vehicle

EDITABLE = (
    "registration",
    "status",
    "declared_use",
    "under_warranty_until_on",
    "note",
)


def edit(vehicle: Vehicle, changes: Mapping[str, Any], *, person: Person, channel: str) -> bool:
    """Change what differs and keep one row of history; False when nothing differs."""
    different = {name: value for name, value in changes.items() if getattr(vehicle, name) != value}
    if unknown := set(different) - set(EDITABLE):
        raise ValueError(f"not editable: {', '.join(sorted(unknown))}")
    if not different:
        return False
    for name, value in different.items():
        setattr(vehicle, name, value)
    vehicle._history_user = person  # type: ignore[attr-defined]
    vehicle._change_reason = channel  # type: ignore[attr-defined]
    vehicle.save(update_fields=list(different))
    return True
