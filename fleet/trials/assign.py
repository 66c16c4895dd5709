"""Draw the vehicles of a trial into its groups, and set days apart that do not count."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from django.db import transaction

from fleet.bulk import Array
from fleet.calc.trial_draw import LEFT_OUT, draw_groups, match_pairs
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.trials.models import ExcludedPeriod, Trial, TrialVehicle
from fleet.trials.note import must, note
from fleet.usage.models import UsageState
from fleet.vehicles.models import Vehicle


@dataclass(frozen=True)
class Drawn:
    """Who takes part, and who is left over because nobody is there to compare with."""

    vehicles: int
    left_over: tuple[str, ...]  # fleet numbers


def assign(actor: Actor, trial: Trial, vehicles: Sequence[Vehicle]) -> Drawn:
    """Draw vehicles into the groups, once, by the trial's own seed.

    Raises
    ------
    Refused
        The groups are drawn already: who takes part is never changed afterwards.
    Fault
        A vehicle of another type, or too few.
    """
    ordered = sorted({one.pk: one for one in vehicles}.values(), key=lambda one: one.pk)
    for depot_id in {one.depot_id for one in ordered}:
        actor.must(Right.RUN_TRIAL, depot_id)
    _check(trial, ordered)
    stratum = _strata(trial, ordered)
    kept = np.flatnonzero(stratum != LEFT_OUT)
    if len(kept) < 2:
        raise Fault("No two of these vehicles can be compared: name more of them.")
    tried = draw_groups(stratum[kept], trial.seed)
    groups = {group.tried: group for group in trial.groups.all()}
    left_over = tuple(one.fleet_number for one, at in zip(ordered, stratum, strict=True) if at < 0)
    with transaction.atomic():
        locked = Trial.objects.select_for_update().get(pk=trial.pk)
        if locked.vehicles.exists():
            raise Refused(f"The groups of {trial} are drawn already; set up another trial.")
        TrialVehicle.objects.bulk_create(
            TrialVehicle(
                trial=trial,
                vehicle=ordered[at],
                group=groups[bool(is_tried)],
                stratum=int(stratum[at]),
            )
            for at, is_tried in zip(kept, tried, strict=True)
        )
        note(actor, trial, "groups drawn", f"{len(kept)} vehicles, seed {trial.seed}")
    return Drawn(len(kept), left_over)


def _check(trial: Trial, vehicles: Sequence[Vehicle]) -> None:
    other = [
        one.fleet_number
        for one in vehicles
        if one.vehicle_type_id != trial.service.vehicle_type_id or one.status == "sold"
    ]
    if other:
        raise Fault(
            f"{', '.join(other[:10])} cannot take part: {trial} is about "
            f"{trial.service.vehicle_type} still in the fleet. Leave them out."
        )


def _strata(trial: Trial, vehicles: Sequence[Vehicle]) -> Array:
    """Number of the depot or pair of each vehicle, -1 for one without a counterpart."""
    depots = np.array([one.depot_id for one in vehicles])
    block = np.unique(depots, return_inverse=True)[1] if trial.within_depots else 0 * depots
    if trial.assignment == Trial.Assignment.PAIRS:
        return match_pairs(block, _km_per_day(vehicles))
    alone = np.bincount(block)[block] < 2 if len(block) else block < 0
    return np.where(alone, LEFT_OUT, block)


def _km_per_day(vehicles: Sequence[Vehicle]) -> Array:
    states = UsageState.objects.filter(meter__kind="km", vehicle__in=vehicles)
    rates = {
        vehicle_id: rate * mu
        for vehicle_id, rate, mu in states.values_list("vehicle_id", "rate_km_per_day", "mu")
    }
    return np.array(
        [rates.get(one.pk, one.vehicle_type.expected_km_per_day) for one in vehicles], np.float64
    )


def exclude(
    actor: Actor,
    trial: Trial,
    *,
    from_on: date,
    until_on: date,
    reason: str,
    vehicle: Vehicle | None = None,
) -> ExcludedPeriod:
    """Leave days out of the comparison, for one vehicle or for all; ratings stay on record."""
    must(actor, trial, Right.RUN_TRIAL)
    if not reason.strip() or until_on < from_on:
        raise Fault("An excluded period needs a reason, and ends on or after its first day.")
    if vehicle is not None and not trial.vehicles.filter(vehicle=vehicle).exists():
        raise Fault(f"{vehicle} takes no part in {trial}: name a vehicle that does.")
    with transaction.atomic():
        period, new = ExcludedPeriod.objects.get_or_create(
            trial=trial,
            vehicle=vehicle,
            from_on=from_on,
            until_on=until_on,
            defaults={"reason": reason.strip()},
        )
        if new:
            whose = vehicle or "every vehicle"
            note(actor, trial, "period excluded", f"{whose}, {from_on} to {until_on}: {reason}")
    return period
