"""Whether every vehicle of both groups began with a fresh change of its own fluid."""

from datetime import datetime, timedelta
from typing import Any

import numpy as np

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.trials.gather import SIDES, Gathered

BEFORE, AFTER = timedelta(days=14), timedelta(days=60)  # around the start; our choice
APART = 0.2  # by which the shares changed may differ between the groups; our choice


def of_trial(gathered: Gathered, as_of: datetime) -> dict[str, Any]:
    """Shares of each group that got its own fluid at the start, and who did not.

    ``unequal`` marks a trial in which one group was changed and the other was not.
    """
    begun = _begun(gathered, as_of)
    vehicles = gathered.vehicles
    shares = {side: float(begun[vehicles.side(side)].mean()) if len(begun) else 0 for side in SIDES}
    return {
        "share changed": shares,
        "unequal": abs(shares["usual"] - shares["tried"]) > APART,
        "not changed": {side: vehicles.named(vehicles.side(side) & ~begun) for side in SIDES},
    }


def _begun(gathered: Gathered, as_of: datetime) -> Array:
    trial, vehicles = gathered.trial, gathered.vehicles
    first, last = trial.starts_on - BEFORE, min(trial.starts_on + AFTER, as_of.date())
    where, params = bulk.among("vehicle_id", vehicles.vehicle_id)
    sql = f"""
        SELECT vehicle_id, product_id FROM due_fill
        WHERE {where} AND compartment_id = %s AND full_change AND product_id IS NOT NULL
            AND filled_on >= %s AND filled_on <= %s"""  # noqa: S608
    found = bulk.read(
        sql,
        [*params, trial.service.compartment_id, first, last],
        {"vehicle_id": "i8", "product_id": "i8"},
    )
    begun = np.zeros(len(vehicles.tried), bool)
    for side in SIDES:
        own = found["vehicle_id"][found["product_id"] == gathered.groups[side].product_id]
        begun |= vehicles.side(side) & np.isin(vehicles.vehicle_id, own)
    return begun
