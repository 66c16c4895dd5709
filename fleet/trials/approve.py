"""A longer interval for the tried product: what must be shown first, and a supervisor's decision.

How a fluid feels decides preference only. The requirements here are about the laboratory, hard use,
open findings and the maker's consent; the vehicle maker's current data come first.
"""

from collections.abc import Collection
from dataclasses import asdict, dataclass
from datetime import datetime

import numpy as np
from django.db import transaction
from django.db.models import Q

from fleet.due.models import Limit
from fleet.duty.models import DutyAssessment, DutyClass, DutyOverride
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.trials.lab import Samples, gather_samples, within
from fleet.trials.models import LabProperty, LongerInterval, Trial
from fleet.trials.note import must, note
from fleet.trials.set_up import NEVER_LONGER
from fleet.vehicles.models import Vehicle
from fleet.workorders.models import Finding

LEAST_SAMPLED = 4  # vehicles with every property inside its limits at the end; our choice
LEAST_SEVERE = 3  # of them in the severe class; our choice
CALENDAR = ("limit_months", "limit_h", "yearly_month", "yearly_day")
TOLERANCES = ("tolerance_km", "tolerance_d", "tolerance_h")


@dataclass(frozen=True)
class Requirement:
    """One thing that must be shown before an interval may be longer."""

    what: str
    met: bool
    told: str  # what was found, in a sentence


def requirements(trial: Trial, as_of: datetime, consent: str = "") -> list[Requirement]:
    """Every requirement of a longer interval, with what meets it or what is missing."""
    sampled = _sampled_to_the_end(trial, as_of)
    return [
        _compartment(trial),
        _longer(trial),
        _lab(trial, sampled),
        _severe(trial, sampled),
        _findings(trial),
        _warranty(trial, as_of, consent),
    ]


def approve(actor: Actor, trial: Trial, *, reason: str, consent: str = "") -> LongerInterval:
    """Write the longer interval as a limit of the tried product, if all of it is shown.

    Raises
    ------
    Refused
        With the first condition that is not met.
    """
    must(actor, trial, Right.APPROVE_INTERVAL)
    if actor.person is None or not reason.strip():
        raise Fault("A longer interval is a person's decision: say who decides and why.")
    if trial.longer_intervals.filter(interval_km=trial.proposed_interval_km or 0.0).exists():
        raise Refused("This interval is approved already; its limit stands with the service.")
    found = requirements(trial, actor.at, consent)
    for one in found:
        if not one.met:
            raise Refused(f"A longer interval is not shown to last. {one.what}: {one.told}")
    with transaction.atomic():
        decision = LongerInterval.objects.create(
            trial=trial,
            interval_km=trial.proposed_interval_km or 0.0,
            reason=reason.strip(),
            consent=consent.strip(),
            grounds=[asdict(one) for one in found],
            person=actor.person,
            decided_at=actor.at,
        )
        decision.limits.set(_write_limits(trial, decision))
        note(actor, trial, "longer interval approved", f"{decision.interval_km:,.0f} km: {reason}")
    return decision


def _write_limits(trial: Trial, decision: LongerInterval) -> list[Limit]:
    """Limits in km of the tried product; what the calendar asks for stays as it was."""
    product = trial.groups.get(tried=True).product
    shorter = _shorter_limits(trial)
    return [
        Limit.objects.update_or_create(
            service=trial.service,
            duty_class=one.duty_class,
            occasion=Limit.Occasion.REPEAT,
            product=product,
            defaults={
                **{name: getattr(one, name) for name in (*CALENDAR, *TOLERANCES)},
                "limit_km": decision.interval_km,
                "source": f"field trial {trial.slug}, approved by {decision.person} on "
                f"{decision.decided_at:%Y-%m-%d}: {decision.reason}"[:300],
            },
        )[0]
        for one in shorter
    ]


def _shorter_limits(trial: Trial) -> list[Limit]:
    """Limits of the service that the proposed interval would go beyond, one per duty class."""
    rows = Limit.objects.filter(
        service=trial.service,
        product=None,
        occasion=Limit.Occasion.REPEAT,
        limit_km__lt=trial.proposed_interval_km or 0.0,
    )
    return list(rows.order_by("duty_class"))


# --- requirements --------------------------------------------------------------------------
def _compartment(trial: Trial) -> Requirement:
    kind = trial.service.compartment.kind
    allowed = kind not in NEVER_LONGER
    told = (
        f"{kind.capitalize()} fluid may be tried longer."
        if allowed
        else f"{kind.capitalize()} fluid ages by moisture and time: its interval is never made "
        "longer here."
    )
    return Requirement("Kind of fluid", allowed, told)


def _longer(trial: Trial) -> Requirement:
    km = trial.proposed_interval_km
    if km is None:
        return Requirement(
            "Proposed interval", False, "None was proposed when the trial was set up."
        )
    classes = [str(one.duty_class) for one in _shorter_limits(trial)]
    told = (
        f"{km:,.0f} km, longer than the limit in {' and '.join(classes)} duty."
        if classes
        else f"{km:,.0f} km is not longer than any limit of this service."
    )
    return Requirement("Proposed interval", bool(classes), told)


def _sampled_to_the_end(trial: Trial, as_of: datetime) -> dict[int, np.datetime64]:
    """Vehicles with every property inside its limits at the end of the proposed interval.

    Gives the day of the newest such sample by vehicle; a value outside a limit rules a vehicle out.
    """
    properties = list(trial.properties.all())
    if not properties or trial.proposed_interval_km is None:
        return {}
    samples = gather_samples(trial, as_of)
    product_id = trial.groups.get(tried=True).product_id
    passed: set[int] | None = None
    days: dict[int, np.datetime64] = {}
    for one in properties:
        kept = _kept(trial, one, samples, product_id, days)
        passed = kept if passed is None else passed & kept
    return {vehicle_id: days[vehicle_id] for vehicle_id in passed or ()}


def _kept(
    trial: Trial,
    one: LabProperty,
    samples: Samples,
    product_id: int,
    days: dict[int, np.datetime64],
) -> set[int]:
    own = samples.of(one, product_id, tried=True)
    late = own & (samples.fluid.age_km >= (trial.proposed_interval_km or np.inf))
    outside = own & ~within(one, samples.value)
    kept = set(samples.vehicle_id[late].tolist()) - set(samples.vehicle_id[outside].tolist())
    for vehicle_id, drawn_d in zip(samples.vehicle_id[late], samples.drawn_d[late], strict=True):
        days[int(vehicle_id)] = np.datetime64(int(drawn_d), "D")
    return kept


def _lab(trial: Trial, sampled: Collection[int]) -> Requirement:
    if not trial.properties.exists():
        return Requirement("Laboratory", False, "No property with limits and a source was named.")
    told = (
        f"{len(sampled)} vehicles kept every limit at the end of the interval, with no value "
        f"outside on the way; {LEAST_SAMPLED} are needed."
    )
    return Requirement("Laboratory", len(sampled) >= LEAST_SAMPLED, told)


def _severe(trial: Trial, sampled: dict[int, np.datetime64]) -> Requirement:
    count = sum(_was_severe(trial, vehicle_id, day) for vehicle_id, day in sampled.items())
    told = (
        f"{count} of these {len(sampled)} vehicles had the {trial.service.compartment.name} in "
        f"severe duty; {LEAST_SEVERE} are needed."
    )
    return Requirement("Severe duty", count >= LEAST_SEVERE, told)


def _was_severe(trial: Trial, vehicle_id: int, day: np.datetime64) -> bool:
    where = {"vehicle_id": vehicle_id, "compartment_id": trial.service.compartment_id}
    on = day.astype(object)
    override = DutyOverride.objects.filter(**where, from_on__lte=on, until_on__gte=on).last()
    found = override or DutyAssessment.objects.filter(**where, from_on__lte=on).last()
    return found is not None and found.duty_class == DutyClass.SEVERE


def _findings(trial: Trial) -> Requirement:
    tried = trial.vehicles.filter(group__tried=True).values("vehicle")
    open_ones = Finding.objects.filter(
        Q(compartment=trial.service.compartment_id) | Q(compartment=None),
        vehicle__in=tried,
        closed_at=None,
    )
    numbers = sorted(set(open_ones.values_list("vehicle__fleet_number", flat=True)))
    told = f"Open on {', '.join(numbers)}: settle them first." if numbers else "None is open."
    return Requirement("Related findings", not numbers, told)


def _warranty(trial: Trial, as_of: datetime, consent: str) -> Requirement:
    under = Vehicle.objects.filter(
        vehicle_type=trial.service.vehicle_type, under_warranty_until_on__gte=as_of.date()
    ).exclude(status=Vehicle.Status.SOLD)
    count = under.count()
    if not count:
        return Requirement("Warranty", True, "No vehicle of this type is under warranty.")
    if consent.strip():
        return Requirement("Warranty", True, f"The maker consents in writing: {consent.strip()}")
    told = f"{count} vehicles of this type are under warranty: name the maker's written consent."
    return Requirement("Warranty", False, told)
