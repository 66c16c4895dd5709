"""Everything a trial's evaluation rests on, as arrays: vehicles, ratings, fluid ages."""

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.calc.trial_cells import BEYOND, IN_RUN_IN, Ages, band_of
from fleet.calc.trial_inference import Groups
from fleet.trials.ages import FluidAges, fluid_ages
from fleet.trials.models import Rating, Trial, TrialGroup

COUNTS, EXCLUDED, NO_AGE, OTHER_FLUID, RUN_IN, TOO_OLD = range(6)
SIDES = USUAL, TRIED = ("usual", "tried")


@dataclass(frozen=True)
class Vehicles:
    """Vehicles of a trial, by fleet number."""

    place_id: Array  # of the trial's own row
    vehicle_id: Array
    fleet_number: tuple[str, ...]
    tried: Array  # bool
    stratum: Array

    def side(self, name: str) -> Array:
        """Which vehicles belong to the usual or the tried product."""
        return np.asarray(self.tried if name == TRIED else ~self.tried)

    def named(self, rows: Array) -> list[str]:
        """Fleet numbers of some rows."""
        return [self.fleet_number[row] for row in np.flatnonzero(rows)]


@dataclass(frozen=True)
class Felt:
    """Ratings up to a day."""

    id: Array
    row: Array  # of the vehicle
    at_d: Array
    value: Array
    cold: Array  # bool, below 15 °C
    with_warmth: Array  # bool


@dataclass(frozen=True)
class Gathered:
    """One trial."""

    trial: Trial
    groups: dict[str, TrialGroup]  # by side
    vehicles: Vehicles
    felt: Felt
    fluid: FluidAges  # at each rating
    excluded: Array  # (ratings,) bool

    @property
    def ages(self) -> Ages:
        """Run-in period and interval of the trial."""
        return Ages(self.trial.interval_km, self.trial.run_in_km, self.trial.run_in_d)

    @property
    def drawn(self) -> Groups:
        """How the vehicles were drawn."""
        return Groups(self.vehicles.tried, self.vehicles.stratum)

    @cached_property
    def band(self) -> Array:
        """Band of fluid age of each rating, below 0 outside the comparison."""
        return band_of(self.fluid.age_km, self.fluid.age_d, self.ages)

    @cached_property
    def standing(self) -> Array:
        """Whether each rating counts, and if not why not."""
        own = np.array([self.groups[side].product_id for side in SIDES])
        wanted = own[self.vehicles.tried[self.felt.row].astype(int)]
        reasons = [
            (self.excluded, EXCLUDED),
            (np.isnan(self.fluid.age_km) | np.isnan(self.fluid.age_d), NO_AGE),
            (self.fluid.product_id != wanted, OTHER_FLUID),
            (self.band == IN_RUN_IN, RUN_IN),
            (self.band == BEYOND, TOO_OLD),
        ]
        applies, names = zip(*reasons, strict=True)
        return np.select(list(applies), list(names), COUNTS)


def gather(trial: Trial, until: datetime) -> Gathered:
    """Read a trial with the ratings given until an instant."""
    groups = {SIDES[group.tried]: group for group in trial.groups.select_related("product")}
    vehicles = _vehicles(trial)
    felt = _felt(vehicles, until)
    vehicle_id = vehicles.vehicle_id[felt.row]
    return Gathered(
        trial=trial,
        groups=groups,
        vehicles=vehicles,
        felt=felt,
        fluid=fluid_ages(trial.service, vehicle_id, felt.at_d),
        excluded=_excluded(trial, vehicle_id, felt.at_d),
    )


def _vehicles(trial: Trial) -> Vehicles:
    rows = list(
        trial.vehicles.order_by("vehicle__fleet_number").values_list(
            "pk", "vehicle_id", "vehicle__fleet_number", "group__tried", "stratum"
        )
    )
    return Vehicles(
        place_id=np.array([row[0] for row in rows], np.int64),
        vehicle_id=np.array([row[1] for row in rows], np.int64),
        fleet_number=tuple(row[2] for row in rows),
        tried=np.array([row[3] for row in rows], bool),
        stratum=np.array([row[4] for row in rows], np.int64),
    )


def _felt(vehicles: Vehicles, until: datetime) -> Felt:
    where, params = bulk.among("trial_vehicle_id", vehicles.place_id)
    sql = f"""
        SELECT id, trial_vehicle_id, {bulk.instant_d("rated_at")}, value,
            warmth IN ('freezing', 'cool'), warmth <> ''
        FROM trials_rating WHERE {where} AND {bulk.instant_d("rated_at")} <= %s
            AND id NOT IN (SELECT corrects_id FROM trials_rating WHERE corrects_id IS NOT NULL)
        ORDER BY id"""  # noqa: S608
    kinds = {"id": "i8", "place_id": "i8", "at_d": "f8", "value": "f8"}
    columns = bulk.read(
        sql, [*params, until.timestamp() / 86_400], kinds | {"cold": "?", "with_warmth": "?"}
    )
    order = np.argsort(vehicles.place_id)
    place = columns.pop("place_id")
    row = order[np.searchsorted(vehicles.place_id, place, sorter=order)]
    return Felt(row=row, **columns)


def _excluded(trial: Trial, vehicle_id: Array, at_d: Array) -> Array:
    """Whether each instant lies on a day that was set apart, first and last day included."""
    excluded = np.zeros(len(at_d), bool)
    day = np.floor(at_d).astype(np.int64).astype("M8[D]")
    for period in trial.excluded.all():
        inside = (day >= np.datetime64(period.from_on)) & (day <= np.datetime64(period.until_on))
        whose = True if period.vehicle_id is None else vehicle_id == period.vehicle_id
        excluded |= inside & whose
    return excluded


def keep_ages(gathered: Gathered) -> int:
    """Bring the ages kept with the ratings up to the odometer readings that came since."""
    columns = {
        "id": gathered.felt.id,
        "age_km": gathered.fluid.age_km,
        "age_d": gathered.fluid.age_d,
    }
    return bulk.update(Rating, columns)
