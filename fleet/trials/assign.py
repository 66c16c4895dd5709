"""Draw the vehicles of a trial into its groups, and set days apart that do not count."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from django.db import transaction
from django.db.models import Q

from fleet.calc.arrays import Array
from fleet.calc.trial_draw import LEFT_OUT, draw_groups, match_pairs
from fleet.due.choose import Chosen, choose
from fleet.faults import Fault, Question, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.today import day
from fleet.trials.models import ExcludedPeriod, Trial, TrialGroup, TrialVehicle
from fleet.trials.note import must, note
from fleet.trials.set_up import needed_in_all
from fleet.usage.models import UsageState
from fleet.vehicles.models import Vehicle


@dataclass(frozen=True)
class Drawn:
    """Who takes part, and who is left over because nobody is there to compare with."""

    vehicles: int
    left_over: tuple[str, ...]  # fleet numbers


def assign(
    actor: Actor, trial: Trial, vehicles: Sequence[Vehicle], *, few_because: str = ""
) -> Drawn:
    """Draw vehicles into the groups, once, by the trial's own seed.

    Raises
    ------
    Refused
        The groups are drawn already: who takes part is never changed afterwards.
    Fault
        A vehicle of another type, one that is in a trial of this service, or fewer than two.
    Question
        Fewer vehicles than the trial needs; with a reason they are drawn all the same.
    """
    ordered = sorted({one.pk: one for one in vehicles}.values(), key=lambda one: one.pk)
    for depot_id in {one.depot_id for one in ordered}:
        actor.must(Right.RUN_TRIAL, depot_id)
    _check(trial, ordered)
    stratum = _strata(trial, ordered)
    kept = np.flatnonzero(stratum != LEFT_OUT)
    if len(kept) < 2:
        raise Fault("No two of these vehicles can be compared: name more of them.")
    _ask_whether_enough(trial, len(kept), few_because)
    tried = draw_groups(stratum[kept], trial.seed)
    groups = {group.tried: group for group in trial.groups.select_related("product")}
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
        choose(actor, _fluids(trial, groups, ordered, kept, tried))
        few = f"; few, because {few_because.strip()}" if few_because.strip() else ""
        note(actor, trial, "groups drawn", f"{len(kept)} vehicles, seed {trial.seed}{few}")
    return Drawn(len(kept), left_over)


def _fluids(
    trial: Trial,
    groups: dict[bool, TrialGroup],
    vehicles: Sequence[Vehicle],
    kept: Array,
    tried: Array,
) -> list[Chosen]:
    """What each vehicle is to get while the trial runs: cards, stock and demand follow it."""
    return [
        Chosen(
            vehicle=vehicles[at],
            compartment=trial.service.compartment,
            product=groups[bool(is_tried)].product,
            because=f"field trial: {trial}",
            source=source_of(trial),
            from_on=trial.starts_on,
            until_on=trial.ends_on,
        )
        for at, is_tried in zip(kept, tried, strict=True)
    ]


def source_of(trial: Trial) -> str:
    """By which the choices of a trial are found again, should it end early."""
    return f"drawn by field trial {trial.slug}"


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

    _refuse_double(trial, vehicles)


def _refuse_double(trial: Trial, vehicles: Sequence[Vehicle]) -> None:
    """One vehicle's fluid cannot be two products at a time."""
    rows = TrialVehicle.objects.filter(
        vehicle__in=vehicles,
        trial__service=trial.service,
        trial__starts_on__lte=trial.ends_on,
        trial__ends_on__gte=trial.starts_on,
    ).exclude(Q(trial=trial) | Q(trial__results__frozen_at__isnull=False))
    other = rows.select_related("vehicle", "trial").first()
    if other is not None:
        raise Fault(
            f"{other.vehicle} is in {other.trial}, a trial of the same service, until "
            f"{day(other.trial.ends_on)}: leave it out."
        )


def _ask_whether_enough(trial: Trial, count: int, few_because: str) -> None:
    needed = needed_in_all(trial)
    if few_because.strip() or (needed is not None and count >= needed):
        return
    wanted = f"{needed} are needed" if needed else "more than 800 would be needed"
    raise Question(
        f"{count} vehicles can be compared, and {wanted} to show a difference of "
        f"{trial.smallest_difference:g}: name more, or say why fewer are worth trying.",
        about="vehicles",
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
