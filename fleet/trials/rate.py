"""Take in how a vehicle felt, and what the laboratory found. Rows are only added."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, timedelta
from typing import TypeVar

import numpy as np
from django.db import transaction
from django.db.models import QuerySet

from fleet.calc.trial_power import BEST, WORST
from fleet.faults import Fault, Forbidden, Question, Refused
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
# how many times a limit, from which on a value is asked about, and in words; our choice: a value
# that has a limit on either side moves little
FAR_BEYOND = (10.0, "more than ten times", "less than a tenth of")
FAR_FROM_BOTH = (2.0, "more than twice", "less than half of")
# the whole sample in units that are shares of it
WHOLE = {"mg/kg": 1e6, "ppm": 1e6, "µg/g": 1e6, "mg/g": 1e3, "g/kg": 1e3, "%": 100.0}
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
    corrects: bool = False  # it takes the place of the rater's first one of that day

    @property
    def day(self) -> date:
        return today_at(self.trial_vehicle.vehicle.depot.zone, self.rated_at)


@dataclass(frozen=True)
class Measured:
    """One property of one sample, ready to be recorded."""

    trial_vehicle: TrialVehicle
    property: LabProperty
    drawn_on: date
    value: float
    report: str
    client_key: str
    why_it_stands: str = ""  # a value that was asked about


def rate(actor: Actor, given: Sequence[Felt]) -> list[Rating]:
    """Record ratings of one trial, each once per key; give them in order, new or not.

    Raises
    ------
    Fault
        A grade, a time or a temperature that cannot be.
    Question
        The same rater has rated that vehicle on that day.
    """
    for depot_id in {one.trial_vehicle.vehicle.depot_id for one in given}:
        actor.must(Right.RATE, depot_id)
    known = known_keys(Rating, [one.client_key for one in given])
    for one in given:
        if one.client_key not in known:
            check_rating(one, actor.now)
            _refuse_who_knows(actor, one)
    with transaction.atomic():
        # one after the other for a vehicle, so that a second rating finds the first
        places = TrialVehicle.objects.filter(pk__in={one.trial_vehicle.pk for one in given})
        list(places.select_for_update())
        return _record(actor, given, _firsts(actor, given, known))


def known_keys(model: type[Rating] | type[LabSample], keys: Sequence[str]) -> set[str]:
    """Which of some keys records came under before."""
    rows = model._default_manager.filter(client_key__in=keys)
    return set(rows.values_list("client_key", flat=True))


def _firsts(actor: Actor, given: Sequence[Felt], known: set[str]) -> dict[str, Rating]:
    """What each rating takes the place of, by its key."""
    firsts = {}
    for key, told in asked_about(actor, given, known).items():
        if isinstance(told, Fault):
            raise told
        firsts[key] = told
    return firsts


def asked_about(actor: Actor, given: Sequence[Felt], known: set[str]) -> dict[str, Fault | Rating]:
    """Second ratings of a vehicle, day and rater, by key: the question or fault about each, or the
    first one, where it takes its place."""
    first: dict[_Mark, Rating | Felt] = {
        _mark_of(row, row.person_id): row for row in _standing(given)
    }
    found: dict[str, Fault | Rating] = {}
    mine = None if actor.person is None else actor.person.pk
    for one in given:
        if one.client_key in known:
            continue
        before = first.setdefault(_mark_of(one, mine), one)
        if isinstance(before, Rating):
            found[one.client_key] = before if one.corrects else _again(before, one)
        elif before is not one:
            found[one.client_key] = Fault(f"{_rated(one)} twice here: leave one of them out.")
    return found


_Mark = tuple[int, date, str | int | None]  # vehicle of the trial, day and rater


def _mark_of(one: Rating | Felt, person_id: int | None) -> _Mark:
    zone = one.trial_vehicle.vehicle.depot.zone
    rater = one.by.strip().casefold() or person_id
    return one.trial_vehicle.pk, today_at(zone, one.rated_at), rater


def _standing(given: Sequence[Felt]) -> QuerySet[Rating]:
    """Ratings of the same vehicles about the same days that no later one corrects."""
    if not given:
        return Rating.objects.none()
    at = [one.rated_at for one in given]
    within = (min(at) - timedelta(days=1), max(at) + timedelta(days=1))
    rows = Rating.objects.filter(
        trial_vehicle__in={one.trial_vehicle.pk for one in given},
        rated_at__range=within,
        corrected_by=None,
    )
    return rows.select_related("trial_vehicle__vehicle__depot")


def _rated(one: Felt) -> str:
    who = f" by {one.by.strip()}" if one.by.strip() else ""
    return f"{one.trial_vehicle.vehicle} is rated{who} on {day(one.day)}"


def _again(before: Rating, one: Felt) -> Question:
    text = f"{_rated(one)} already, {before.value}; a day counts once. Correct it to {one.value}?"
    return Question(text, about="corrects", yes="yes")


def _record(actor: Actor, given: Sequence[Felt], firsts: dict[str, Rating]) -> list[Rating]:
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
            corrects=firsts.get(one.client_key),
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
    _refuse_outside(trial, one.day, "rating")
    if one.temperature_c is not None and not COLDEST_C <= one.temperature_c <= HOTTEST_C:
        raise Fault("The temperature lies between −60 and 60 °C: correct it or leave it out.")
    if one.warmth and one.warmth not in Rating.Warmth.values:
        raise Fault(f"It was {', '.join(Rating.Warmth.values)}: choose one of them.")


def _refuse_outside(trial: Trial, on: date, what: str) -> None:
    """Refuse a record of a day that is no part of a trial, and any once it is evaluated."""
    if not trial.starts_on <= on <= trial.ends_on + timedelta(days=1):
        raise Fault(
            f"{trial} runs from {day(trial.starts_on)} to {day(trial.ends_on)}: a {what} of "
            f"{day(on)} is not part of it."
        )
    refuse_frozen(trial)


def refuse_frozen(trial: Trial) -> None:
    """Refuse any change of the records of a trial that was evaluated."""
    frozen = frozen_of(trial)
    if frozen is not None:
        raise Fault(
            f"{trial} was evaluated on {day(frozen.as_of_on)}: what comes later is no part of it."
        )


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
    known = known_keys(LabSample, [one.client_key for one in given])
    for one in given:
        if one.client_key not in known:
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
            why_it_stands=one.why_it_stands.strip()[:300],
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
    """Refuse a value or a day that cannot be, and one that no paper stands behind; ask about a
    value far beyond the limits."""
    zone = one.trial_vehicle.vehicle.depot.zone
    if not np.isfinite(one.value) or one.drawn_on > today_at(zone, now):
        raise Fault("A sample needs a finite value and a day that has come: correct it.")
    _refuse_outside(one.trial_vehicle.trial, one.drawn_on, "sample")
    limits = (one.property.low, one.property.high)
    if one.value < 0 and not any(limit is not None and limit < 0 for limit in limits):
        raise Fault(
            f"{one.property.name} cannot be below 0 {one.property.unit}: look at the report again."
        )
    most = most_of(one.property.unit)
    if most is not None and one.value > most:
        raise Fault(
            f"{one.value:,g} {one.property.unit} is more than all of the fluid, {most:,g}: look at "
            "the report again."
        )
    if not one.report.strip():
        raise Fault("Name the laboratory's report that the value stands in.")
    _ask_beyond(one)


def most_of(unit: str) -> float | None:
    """The whole of a sample in a unit that is a share of it; None for any other unit."""
    plain = unit.casefold().replace(" ", "")
    return next((most for share, most in WHOLE.items() if plain.startswith(share.casefold())), None)


def _ask_beyond(one: Measured) -> None:
    given, low, high = one.value, one.property.low, one.property.high
    ends = [end for end in (low, high) if end is not None]
    times, more, less = FAR_FROM_BOTH if len(ends) == 2 else FAR_BEYOND
    # of a limit at or below zero, such as a freeze point, no multiple says anything
    above = given > times * max(ends) > 0
    below = low is not None and low > 0 and given < low / times
    if (above or below) and not one.why_it_stands.strip():
        limit = max(ends) if above else low
        raise Question(
            f"{given:,g} {one.property.unit} of {one.property.name} is "
            f"{more if above else less} its limit, {limit:,g}: "
            "look at the report again. If it stands there, say why it stands.",
            about="why_it_stands",
        )
