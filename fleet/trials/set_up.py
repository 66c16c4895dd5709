"""Set up a trial: two products, a service, and how many vehicles it takes."""

import secrets
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from django.db import transaction
from django.db.models import Min, Q
from django.utils.text import slugify

from fleet.calc import trial_power
from fleet.calc.trial_cells import RUN_IN_KM
from fleet.calc.trial_power import OutOfReach, Plan
from fleet.due.models import Limit, Service
from fleet.faults import Fault, Forbidden
from fleet.people.actor import Actor
from fleet.people.roles import Right, may
from fleet.stores.models import Product
from fleet.trials.models import Rating, Trial, TrialGroup
from fleet.trials.note import note
from fleet.vehicles.models import CompartmentKind
from fleet.workorders.fluids_in import acceptance

QUESTION = "How well does it feel to drive?"
NEVER_LONGER = (
    CompartmentKind.BRAKE,
    CompartmentKind.CLUTCH,
    CompartmentKind.COOLING,
    CompartmentKind.BATTERY_COOLING,
)
LONGEST_KM = 1_000_000.0  # beyond any fluid's life; our choice
OUR_CHOICE = "our choice, until 30 ratings of an earlier trial exist"


@dataclass(frozen=True)
class Costs:
    """What one change costs beside the fluid [minor units]."""

    labour_minor: int = 0
    materials_minor: int = 0
    visit_minor: int = 0


@dataclass(frozen=True)
class SetUp:
    """What a person decides before a trial begins."""

    name: str
    service: Service
    usual: Product
    tried: Product
    usual_price_minor_per_l: int
    tried_price_minor_per_l: int
    starts_on: date
    ends_on: date
    source: str
    costs: Costs = field(default_factory=Costs)
    pairs: bool = False
    within_depots: bool = True
    blinded: bool = True
    question: str = QUESTION
    interval_km: float | None = None  # default: the shortest limit of the service
    proposed_interval_km: float | None = None
    smallest_difference: float = 1.0
    ratings_per_vehicle: int = 8
    missing_share: float = 0.1
    quantity_ml: int | None = None  # default: the compartment's service refill
    seed: int | None = None  # default: drawn here, and recorded


def set_up(actor: Actor, given: SetUp) -> Trial:
    """Record a trial and the number of vehicles it needs; the draw is a step of its own.

    Raises
    ------
    Fault
        What does not fit together, and what to do.
    """
    if actor.person is not None and not may(actor.person, Right.RUN_TRIAL):
        raise Forbidden(f"{actor.person} may not {Right.RUN_TRIAL}: ask a person who may.")
    _check(given)
    interval_km = _shortest_km(given) if given.interval_km is None else given.interval_km
    _check_intervals(interval_km, given.proposed_interval_km)
    plan, spreads_source = planned(given)
    seed = secrets.randbits(31) if given.seed is None else given.seed
    with transaction.atomic():
        trial = Trial.objects.create(
            slug=_free_slug(given.name),
            name=given.name.strip(),
            service=given.service,
            question=given.question.strip() or QUESTION,
            starts_on=given.starts_on,
            ends_on=given.ends_on,
            blinded=given.blinded,
            assignment=Trial.Assignment.PAIRS if given.pairs else Trial.Assignment.RANDOM,
            within_depots=given.within_depots,
            seed=seed,
            interval_km=interval_km,
            proposed_interval_km=given.proposed_interval_km,
            smallest_difference=plan.difference,
            ratings_per_vehicle=plan.ratings,
            missing_share=plan.missing,
            usual_mean=plan.mean,
            between_sd=plan.between_sd,
            within_sd=plan.within_sd,
            spreads_source=spreads_source,
            effect_left=trial_power.effect_left(plan),
            needed_per_group=needed(plan),
            quantity_ml=given.quantity_ml or _refill_ml(given.service),
            labour_minor=given.costs.labour_minor,
            materials_minor=given.costs.materials_minor,
            visit_minor=given.costs.visit_minor,
            source=given.source.strip(),
        )
        _deal_letters(trial, given)
        note(actor, trial, "set up", f"seed {seed}")
    return trial


def planned(given: SetUp) -> tuple[Plan, str]:
    """What the power answer rests on, with the spreads of past ratings where there are enough."""
    past = list(
        Rating.objects.filter(
            trial_vehicle__trial__service__compartment__kind=given.service.compartment.kind,
            age_km__gt=RUN_IN_KM,
        ).values_list("trial_vehicle_id", "value", "trial_vehicle__group__tried")
    )
    found = trial_power.spreads([row[0] for row in past], [row[1] for row in past])
    between, within = found or (trial_power.BETWEEN_SD, trial_power.WITHIN_SD)
    usual = [value for _, value, tried in past if not tried]
    plan = Plan(
        difference=given.smallest_difference,
        pairs=given.pairs,
        ratings=given.ratings_per_vehicle,
        missing=given.missing_share,
        mean=float(np.mean(usual)) if found and usual else Plan.mean,
        between_sd=between,
        within_sd=max(within, 0.1),
    )
    return plan, f"{len(past)} past ratings" if found else OUR_CHOICE


def needed(plan: Plan) -> int | None:
    """Vehicles per group, or None where no fleet has as many."""
    try:
        return trial_power.vehicles_needed(plan)
    except OutOfReach:
        return None


def plan_of(trial: Trial) -> Plan:
    """What the number of vehicles rested on."""
    return Plan(
        difference=trial.smallest_difference,
        pairs=trial.assignment == Trial.Assignment.PAIRS,
        ratings=trial.ratings_per_vehicle,
        missing=trial.missing_share,
        mean=trial.usual_mean,
        between_sd=trial.between_sd,
        within_sd=trial.within_sd,
    )


def needed_in_all(trial: Trial) -> int | None:
    """Vehicles of both groups together: the power answer, at least the smallest design."""
    return None if trial.needed_per_group is None else 2 * trial.needed_per_group


def _check(given: SetUp) -> None:
    if not given.name.strip() or not given.source.strip():
        raise Fault("A trial needs a name, and the source of its prices and intervals.")
    if given.usual == given.tried:
        raise Fault("A trial compares two products: name another one to try.")
    if given.ends_on <= given.starts_on:
        raise Fault("A trial ends after it starts: correct the dates.")
    if given.service.kind != Service.Kind.CHANGE:
        raise Fault(f"{given.service} changes no fluid: choose a service that does.")
    if not 0 < given.smallest_difference <= trial_power.BEST - trial_power.WORST:
        raise Fault("The smallest difference that matters lies above 0 and not above 4.")
    if not 1 <= given.ratings_per_vehicle <= 200 or not 0 <= given.missing_share < 1:
        raise Fault("Expect 1 to 200 ratings per vehicle, and a share missing from 0 to below 1.")
    if given.proposed_interval_km and given.service.compartment.kind in NEVER_LONGER:
        raise Fault(
            f"{given.service.compartment.kind} fluid ages by moisture and time: its interval is "
            "never made longer here. Leave the proposed interval out."
        )
    found = acceptance(given.service.compartment, given.tried)
    if not found.accepted:
        raise Fault(f"{found.why} A supervisor may approve a substitute, with reason and source.")


def _check_intervals(interval_km: float, proposed_km: float | None) -> None:
    if not RUN_IN_KM < interval_km <= LONGEST_KM:
        raise Fault(
            f"Fluid ages are compared from {RUN_IN_KM:,.0f} km on, so the interval lies above that "
            f"and not above {LONGEST_KM:,.0f} km; {interval_km:,.0f} km does not: correct it."
        )
    if proposed_km is not None and not interval_km < proposed_km <= LONGEST_KM:
        raise Fault(
            f"The longer interval to be shown lies above the {interval_km:,.0f} km compared and "
            f"not above {LONGEST_KM:,.0f} km: correct it, or leave it out."
        )


def _shortest_km(given: SetUp) -> float:
    """The shorter of the two products' intervals, by the service's limits and their own."""
    either = Q(product=None) | Q(product__in=[given.usual, given.tried])
    limits = Limit.objects.filter(either, service=given.service)
    found = limits.aggregate(km=Min("limit_km"))["km"]
    if found is None:
        raise Fault(f"{given.service} has no limit in km: say over how many km to compare.")
    return float(found)


def _refill_ml(service: Service) -> int:
    compartment = service.compartment
    litres = compartment.service_refill_with_filter_l or compartment.service_refill_l
    if not litres:
        raise Fault(f"{compartment} has no refill quantity: say how many litres go in.")
    return round(litres * 1_000)


def _free_slug(name: str) -> str:
    slug = slugify(name)[:40] or "trial"
    if Trial.objects.filter(slug=slug).exists():
        raise Fault(f"There is a trial “{slug}” already: choose another name.")
    return slug


def _deal_letters(trial: Trial, given: SetUp) -> None:
    """Which letter is the tried product is drawn, so that B does not mean better."""
    tried_is_a = bool(np.random.default_rng(trial.seed).integers(2))
    for letter, tried in (("A", tried_is_a), ("B", not tried_is_a)):
        TrialGroup.objects.create(
            trial=trial,
            letter=letter,
            tried=tried,
            product=given.tried if tried else given.usual,
            price_minor_per_l=given.tried_price_minor_per_l
            if tried
            else given.usual_price_minor_per_l,
        )
