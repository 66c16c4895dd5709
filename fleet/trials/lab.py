"""How what the laboratory measures changes with fluid age, and whether it keeps its limits."""

from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from fleet.calc.arrays import Array
from fleet.calc.trial_lab import slope, thinned, undiluted
from fleet.due.models import TopUp
from fleet.trials.ages import FluidAges, Odometers, fluid_ages, gather_odometers
from fleet.trials.gather import SIDES, TRIED, Gathered
from fleet.trials.models import LabProperty, LabSample, Trial

NOON_D = 0.5
OLDEST_FILL = timedelta(days=10 * 366)  # before the start; older top-ups belong to no fill here
UNCORRECTED = "not corrected for top-ups"
CORRECTED = "corrected for top-ups by the mass balance of the fluid"
MOST_ADDED = 0.5  # of the refill in one top-up, from which on the balance does not hold; our choice


@dataclass(frozen=True)
class Samples:
    """All samples of a trial, in order of drawing."""

    property_id: Array
    vehicle_id: Array
    tried: Array  # bool
    drawn_d: Array
    value: Array
    fluid: FluidAges

    def of(self, one: LabProperty, product_id: int, *, tried: bool) -> Array:
        """Samples of one property and side with its own product inside and a known age."""
        return np.asarray(
            (self.property_id == one.pk)
            & (self.tried == tried)
            & (self.fluid.product_id == product_id)
            & np.isfinite(self.fluid.age_km)
        )


def gather_samples(trial: Trial, until: datetime) -> Samples:
    """Read a trial's samples drawn until a day, with the fluid's age at each."""
    rows = list(
        LabSample.objects.filter(
            trial_vehicle__trial=trial, drawn_on__lte=until.date(), taken_back_at=None
        )
        .order_by("drawn_on", "id")
        .values_list(
            "property_id",
            "trial_vehicle__vehicle_id",
            "trial_vehicle__group__tried",
            "drawn_on",
            "value",
        )
    )
    vehicle_id = np.array([row[1] for row in rows], np.int64)
    days = np.array([row[3] for row in rows], "M8[D]").astype(np.float64) + NOON_D
    return Samples(
        property_id=np.array([row[0] for row in rows], np.int64),
        vehicle_id=vehicle_id,
        tried=np.array([row[2] for row in rows], bool),
        drawn_d=days,
        value=np.array([row[4] for row in rows], np.float64),
        fluid=fluid_ages(trial.service, vehicle_id, days),
    )


def of_trial(gathered: Gathered, as_of: datetime) -> list[dict[str, Any]]:
    """Slope per 1,000 km of each property and group, with an intercept for each fill."""
    trial = gathered.trial
    properties = list(trial.properties.order_by("slug"))
    if not properties:
        return []
    samples = gather_samples(trial, as_of)
    corrected = _undiluted(trial, samples)
    return [
        {
            "property": one.name,
            "unit": one.unit,
            "low": one.low,
            "high": one.high,
            "source": one.source,
            "correction": CORRECTED if one.gathers else UNCORRECTED,
            **{side: _side(gathered, one, samples, corrected, side) for side in SIDES},
        }
        for one in properties
    ]


def _side(
    gathered: Gathered, one: LabProperty, samples: Samples, corrected: Array, side: str
) -> dict[str, Any]:
    own = samples.of(one, gathered.groups[side].product_id, tried=side == TRIED)
    unbalanced = own & np.isnan(corrected)  # as measured would flatten the slope: left out
    if one.gathers:
        own &= ~unbalanced
    value = (corrected if one.gathers else samples.value)[own]
    found = slope(samples.fluid.change_id[own], samples.fluid.age_km[own], value)
    plain = {
        name: None if isinstance(number, float) and np.isnan(number) else number
        for name, number in asdict(found).items()
    }
    points = zip(samples.fluid.age_km[own].tolist(), samples.value[own].tolist(), strict=True)
    outside = ~within(one, samples.value[own])
    of_side = (samples.property_id == one.pk) & (samples.tried == (side == TRIED))
    return {
        **plain,
        "points": [list(point) for point in points],
        "outside": int(outside.sum()),
        "not usable": int((of_side & ~own).sum()),
        "not corrected": int(unbalanced.sum()) if one.gathers else 0,
    }


def within(one: LabProperty, value: Array) -> Array:
    """Whether values keep the limits of a property."""
    low = -np.inf if one.low is None else one.low
    high = np.inf if one.high is None else one.high
    return np.asarray((value >= low) & (value <= high))


@dataclass(frozen=True)
class TopUps:
    """Fluid added to the vehicles of a trial, in order of time."""

    vehicle_id: Array
    at_d: Array
    total_km: Array  # of the vehicle then; NaN where it is not known
    share: Array  # of the service refill

    def between(self, vehicle_id: int, from_d: float, until_d: float) -> Array:
        """Rows of one vehicle from one instant until another."""
        later = (self.at_d > from_d) & (self.at_d < until_d)
        return np.flatnonzero((self.vehicle_id == vehicle_id) & later)


def top_ups(trial: Trial, odometers: Odometers) -> TopUps:
    """Read the fluid added to some vehicles, with their odometers at that time."""
    rows = list(
        TopUp.objects.filter(
            compartment_id=trial.service.compartment_id,
            vehicle_id__in=odometers.vehicle_id.tolist(),
            topped_up_at__date__gte=trial.starts_on - OLDEST_FILL,
        )
        .order_by("topped_up_at", "id")
        .values_list("vehicle_id", "topped_up_at", "quantity_ml")
    )
    vehicle_id = np.array([row[0] for row in rows], np.int64)
    at_d = np.array([row[1].timestamp() / 86_400 for row in rows], np.float64)
    share = np.array([row[2] for row in rows], np.float64) / trial.quantity_ml
    return TopUps(vehicle_id, at_d, odometers.total_km(vehicle_id, at_d), share)


def _undiluted(trial: Trial, samples: Samples) -> Array:
    """Every value as it would be had nothing been topped up; NaN where that cannot be told."""
    odometers = gather_odometers(np.unique(samples.vehicle_id))
    added = top_ups(trial, odometers)
    now_km = odometers.total_km(samples.vehicle_id, samples.drawn_d)
    changed_d = samples.drawn_d - samples.fluid.age_d
    corrected = samples.value.copy()
    for at in np.flatnonzero(np.isin(samples.vehicle_id, added.vehicle_id)):
        rows = added.between(int(samples.vehicle_id[at]), changed_d[at], samples.drawn_d[at])
        if len(rows):
            age_km = samples.fluid.age_km[at]
            marks_km = [now_km[at] - age_km, *added.total_km[rows], now_km[at]]
            corrected[at] = _balanced(samples.value[at], np.diff(marks_km), added.share[rows])
    return corrected


def _balanced(value: float, driven_km: Array, share: Array) -> float:
    if not np.isfinite(driven_km).all() or (driven_km < 0).any() or share.max() >= MOST_ADDED:
        return float("nan")
    return undiluted(value, thinned(driven_km, share), float(driven_km.sum()))
