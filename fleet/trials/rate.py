"""Take in how a vehicle felt, and what the laboratory found. Rows are only added."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, timedelta
from typing import TypeVar

import numpy as np
from django.db import transaction
from django.db.models import QuerySet

from fleet.calc.trial_power import BEST, WORST
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.today import day, today_at
from fleet.trials.ages import fluid_ages
from fleet.trials.blind import why_not_rate
from fleet.trials.models import LabProperty, LabSample, Rating, Trial, TrialVehicle
from fleet.trials.note import must, note
from fleet.trials.outcome import frozen_of
from fleet.vehicles.models import Alias, Depot

Places = dict[str, TrialVehicle]
Kept = TypeVar("Kept", Rating, LabSample)

AHEAD = timedelta(minutes=5)  # by which a phone's clock may be wrong; our choice
COLDEST_C, HOTTEST_C = -60.0, 60.0
WARMTH = ((0.0, Rating.Warmth.FREEZING), (15.0, Rating.Warmth.COOL), (30.0, Rating.Warmth.WARM))


@dataclass(frozen=True)
class Felt:
    """One rating, ready to be recorded."""

    trial_vehicle: TrialVehicle  # with its vehicle and trial
    value: int
    rated_at: datetime
    client_key: str
    temperature_c: float | None = None
    warmth: str = ""
    by: str = ""


@dataclass(frozen=True)
class Measured:
    """One property of one sample, ready to be recorded."""

    trial_vehicle: TrialVehicle
    property: LabProperty
    drawn_on: date
    value: float
    report: str
    client_key: str


def rate(actor: Actor, given: Sequence[Felt]) -> list[Rating]:
    """Record ratings of one trial, each once per key; give them in order, new or not.

    Raises
    ------
    Fault
        A grade, a time or a temperature that cannot be.
    """
    for depot_id in {one.trial_vehicle.vehicle.depot_id for one in given}:
        actor.must(Right.RATE, depot_id)
    for one in given:
        check_rating(one, actor.now)
        _refuse_who_knows(actor, one)
    ages = _ages(given)
    rows = [
        Rating(
            client_key=one.client_key,
            person=actor.person,
            channel=actor.channel,
            trial_vehicle=one.trial_vehicle,
            rated_at=one.rated_at,
            value=one.value,
            temperature_c=one.temperature_c,
            warmth=one.warmth or warmth_of(one.temperature_c),
            by=one.by[:80],
            age_km=age_km,
            age_d=age_d,
        )
        for one, (age_km, age_d) in zip(given, ages, strict=True)
    ]
    Rating.objects.bulk_create(rows, ignore_conflicts=True)
    kept = Rating.objects.in_bulk([row.client_key for row in rows], field_name="client_key")
    return [_same(kept[row.client_key], row) for row in rows]


def _refuse_who_knows(actor: Actor, one: Felt) -> None:
    """A rating without another person's name is the sender's own, and must be blind."""
    if actor.person is None or one.by.strip():
        return
    why = why_not_rate(actor.person, one.trial_vehicle, one.rated_at)
    if why:
        raise Forbidden(why)


def warmth_of(temperature_c: float | None) -> str:
    """The band of the thermometer that a temperature falls in."""
    if temperature_c is None:
        return ""
    bands = (warmth for below_c, warmth in WARMTH if temperature_c < below_c)
    return next(bands, Rating.Warmth.HOT)


def places_of(trial: Trial, depots: QuerySet[Depot] | None) -> Places:
    """Vehicles of a trial at some depots (all of them: None), by fleet number in capitals."""
    rows = trial.vehicles.select_related("vehicle__depot", "trial__service", "group")
    if depots is not None:
        rows = rows.filter(vehicle__depot__in=depots)
    by_vehicle = {row.vehicle_id: row for row in rows}
    former = Alias.objects.filter(vehicle__in=by_vehicle)
    aliases = {one.fleet_number.upper(): by_vehicle[one.vehicle_id] for one in former}
    return aliases | {row.vehicle.fleet_number.upper(): row for row in by_vehicle.values()}


def check_rating(one: Felt, now: datetime) -> None:
    """Refuse a grade, a time or a temperature that cannot be."""
    trial = one.trial_vehicle.trial
    if not WORST <= one.value <= BEST:
        raise Fault(f"A rating is a whole number from {WORST} (worst) to {BEST} (best).")
    if one.rated_at > now + AHEAD:
        raise Fault("This rating is dated in the future: correct its date.")
    zone = one.trial_vehicle.vehicle.depot.zone
    if not trial.starts_on <= today_at(zone, one.rated_at) <= trial.ends_on + timedelta(days=1):
        raise Fault(
            f"{trial} runs from {day(trial.starts_on)} to {day(trial.ends_on)}: a rating of "
            f"{day(one.rated_at)} is not part of it."
        )
    frozen = frozen_of(trial)
    if frozen is not None and frozen.frozen_at and one.rated_at > frozen.frozen_at:
        raise Fault(
            f"{trial} was evaluated on {day(frozen.as_of_on)}: later ratings are no part of it."
        )
    if one.temperature_c is not None and not COLDEST_C <= one.temperature_c <= HOTTEST_C:
        raise Fault("The temperature lies between −60 and 60 °C: correct it or leave it out.")
    if one.warmth and one.warmth not in Rating.Warmth.values:
        raise Fault(f"It was {', '.join(Rating.Warmth.values)}: choose one of them.")


def _ages(given: Sequence[Felt]) -> list[tuple[float | None, float | None]]:
    if not given:
        return []
    found = fluid_ages(
        given[0].trial_vehicle.trial.service,
        np.array([one.trial_vehicle.vehicle_id for one in given]),
        np.array([one.rated_at.timestamp() / 86_400 for one in given]),
    )
    return [
        (None if np.isnan(km) else float(km), None if np.isnan(days) else float(days))
        for km, days in zip(found.age_km, found.age_d, strict=True)
    ]


@dataclass(frozen=True, kw_only=True)
class LabLimits:
    """What samples are tested for, within which limits, and who says so."""

    name: str
    slug: str
    unit: str
    source: str
    low: float | None = None
    high: float | None = None
    gathers: bool = False  # in the fluid as it ages


def name_property(actor: Actor, trial: Trial, limits: LabLimits) -> LabProperty:
    """Say what samples of a trial are tested for."""
    must(actor, trial, Right.RUN_TRIAL)
    if limits.low is None and limits.high is None or not limits.source.strip():
        raise Fault("A lab property needs a lower or an upper limit, and the source of it.")
    with transaction.atomic():
        found, new = LabProperty.objects.get_or_create(
            trial=trial,
            slug=limits.slug,
            defaults=asdict(replace(limits, source=limits.source.strip())),
        )
        if new:
            note(actor, trial, "lab property named", f"{found}, {limits.source}")
    return found


def add_samples(actor: Actor, given: Sequence[Measured]) -> list[LabSample]:
    """Record lab samples, each once per key; give them in order, new or not."""
    for depot_id in {one.trial_vehicle.vehicle.depot_id for one in given}:
        actor.must(Right.RUN_TRIAL, depot_id)
    for one in given:
        check_sample(one, actor.now)
    rows = [
        LabSample(
            client_key=one.client_key,
            person=actor.person,
            channel=actor.channel,
            trial_vehicle=one.trial_vehicle,
            property=one.property,
            drawn_on=one.drawn_on,
            value=one.value,
            report=one.report.strip()[:120],
        )
        for one in given
    ]
    LabSample.objects.bulk_create(rows, ignore_conflicts=True)
    kept = LabSample.objects.in_bulk([row.client_key for row in rows], field_name="client_key")
    return [_same(kept[row.client_key], row, "drawn_on", "property_id") for row in rows]


def _same(kept: Kept, given: Kept, *also: str) -> Kept:
    """The record that stands under a key; refuse what is another record under the same key."""
    for name in ("trial_vehicle_id", "value", *also):
        if getattr(kept, name) != getattr(given, name):
            raise Refused(
                "Another record came under this client_key before: send this one under a new key.",
                about="client_key",
            )
    return kept


def check_sample(one: Measured, now: datetime) -> None:
    """Refuse a value or a day that cannot be, and one that no paper stands behind."""
    zone = one.trial_vehicle.vehicle.depot.zone
    if not np.isfinite(one.value) or one.drawn_on > today_at(zone, now):
        raise Fault("A sample needs a finite value and a day that has come: correct it.")
    limits = (one.property.low, one.property.high)
    if one.value < 0 and not any(limit is not None and limit < 0 for limit in limits):
        raise Fault(
            f"{one.property.name} cannot be below 0 {one.property.unit}: look at the report again."
        )
    if not one.report.strip():
        raise Fault("Name the laboratory's report that the value stands in.")
