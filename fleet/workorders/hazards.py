"""Hazards that a procedure may not carry without their caution, and where each begins.

The texts of the cautions are data; what is here only says which may not be missing, before which
steps, and what brings them back.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from fleet.vehicles.models import Powertrain
from fleet.workorders.cautions import (
    Occasion,
    Stand,
    contradicted,
    episode,
    first_shown,
    occasion_of,
    standing,
)
from fleet.workorders.models import Caution, Procedure, Raising, Step
from fleet.workorders.walk import Moment, raises, walk
from fleet.workorders.wrong import Wrong

Family, Kind = Procedure.Family, Step.Kind
Demand, Returns = Caution.Demand, Caution.Returns
Needed = Callable[[Occasion, Moment], bool]
HIGH_VOLTAGE = (Powertrain.ELECTRIC, Powertrain.HYBRID)
RAISED = (Raising.LIFT, Raising.STANDS, Raising.RAMPS, Raising.PIT)
SEALED = (Kind.CLOSE_DRAIN, Kind.CLOSE_FILL, Kind.CLOSE_PLUG)
EMPTYING = (Kind.DRAIN, Kind.SUCTION)


@dataclass(frozen=True)
class Hazard:
    """A caution that must stand before certain steps."""

    slug: str
    needed: Needed
    begins: Caution.Returns = Returns.JOB  # the caution must come at least as often
    demands: tuple[Caution.Demand, ...] = ()  # what the caution must say it demands


def _up(*ways: Raising) -> Needed:
    return lambda on, now: on.raising in ways and raises(now.step)


def _high_voltage(needed: Needed) -> Needed:
    return lambda on, now: on.powertrain in HIGH_VOLTAGE and needed(on, now)


def _burns(needed: Needed) -> Needed:
    return lambda on, now: on.powertrain != Powertrain.ELECTRIC and needed(on, now)


def _at(*kinds: Step.Kind, family: Procedure.Family | None = None) -> Needed:
    """At steps of these kinds; where a family is given, in procedures of it and on its system."""
    return lambda on, now: now.step.kind in kinds and (family is None or family in on.families)


def _own(needed: Needed, family: Procedure.Family) -> Needed:
    return lambda on, now: on.family == family and needed(on, now)


def _anywhere(on: Occasion, now: Moment) -> bool:
    return True


def _beneath(on: Occasion, now: Moment) -> bool:
    return now.step.under_vehicle


def _beneath_it_off(on: Occasion, now: Moment) -> bool:
    return now.step.under_vehicle and not now.running


def _beneath_it_running(on: Occasion, now: Moment) -> bool:
    return now.step.under_vehicle and now.running


def _runs_standing(on: Occasion, now: Moment) -> bool:
    return now.running and not now.moving


def _moves(on: Occasion, now: Moment) -> bool:
    return now.moving


def _scalds(on: Occasion, now: Moment) -> bool:
    hot = (Kind.OPEN_DRAIN, *EMPTYING)
    return on.family != Family.BRAKE_FLUID and now.step.kind in hot


def _oil_comes_out(on: Occasion, now: Moment) -> bool:
    handled = now.step.kind in (*EMPTYING, Kind.FILTER)
    return handled and "oil" in on.used_fluid.casefold()


def _wheels_on(on: Occasion, now: Moment) -> bool:
    return on.wheels_removed and now.step.kind == Kind.REFIT


_CAP = (Kind.OPEN_CAP, Kind.DRAIN, Kind.BLEED, Kind.READ_LEVEL, Kind.MEASURE)
STAND = (Demand.STANDING,)
HAZARDS = (
    # the vehicle over the mechanic
    Hazard("raised-on-lift", _up(Raising.LIFT), Returns.RAISED, STAND),
    Hazard("raised-on-stands", _up(Raising.STANDS), Returns.RAISED, STAND),
    Hazard("raised-on-ramps", _up(Raising.RAMPS), Returns.RAISED, STAND),
    Hazard("over-a-pit", _up(Raising.PIT), Returns.RAISED, STAND),
    Hazard("key-out", _beneath_it_off, Returns.RAISED, (Demand.KEY_OUT,)),
    Hazard("falling-dirt", _beneath, Returns.RAISED),
    Hazard("hot-exhaust", _burns(_beneath), Returns.HOT),
    Hazard("shifting-load", _up(Raising.LIFT, Raising.STANDS, Raising.RAMPS)),
    # what runs, and what moves
    Hazard("exhaust-gas", _burns(_runs_standing), Returns.RUN),
    Hazard("moving-parts", _runs_standing, Returns.RUN, STAND),
    Hazard("running-above-you", _beneath_it_running, Returns.RUN, STAND),
    Hazard("vehicle-moves", _moves, Returns.STEP),
    # high voltage
    Hazard("high-voltage", _high_voltage(_anywhere)),
    Hazard("charge-lead", _high_voltage(_anywhere)),
    Hazard("battery-case", _high_voltage(_up(Raising.LIFT, Raising.STANDS)), Returns.RAISED),
    Hazard("ready-mode", _high_voltage(_runs_standing), Returns.RUN, STAND),
    # fluids
    Hazard("hot-fluid", _scalds, Returns.HOT),
    Hazard("used-fluid", _at(*EMPTYING)),
    Hazard("used-oil", _oil_comes_out),
    Hazard("coolant-only-cold", _at(*_CAP, family=Family.COOLANT), Returns.HOT, (Demand.COLD,)),
    Hazard("coolant-poisonous", _at(Kind.DRAIN, Kind.FILL, Kind.MEASURE, family=Family.COOLANT)),
    Hazard("brake-fluid-sealed", _own(_at(Kind.FILL), Family.BRAKE_FLUID)),
    Hazard(
        "brake-fluid-eyes",
        _at(Kind.OPEN_CAP, Kind.SUCTION, Kind.BLEED, Kind.MEASURE, family=Family.BRAKE_FLUID),
    ),
    Hazard("brake-service-mode", _own(_at(Kind.SUCTION, Kind.BLEED), Family.BRAKE_FLUID)),
    Hazard("firm-pedal", _at(Kind.FIRM_PEDAL), Returns.STEP, STAND),
    # caps, plugs, seals, wheels
    Hazard("cap-on", _own(_at(Kind.RUN), Family.ENGINE_OIL), Returns.RUN),
    Hazard("overfill", _own(_at(Kind.READ_LEVEL), Family.ENGINE_OIL)),
    Hazard("cap-closed", _at(Kind.CLOSE_CAP), Returns.STEP),
    Hazard("plug-by-hand", _at(*SEALED), Returns.STEP),
    Hazard("cross-thread", _at(*SEALED)),
    Hazard("seal-face", _at(*SEALED, Kind.FILTER), Returns.STEP),
    Hazard("wheel-nuts", _wheels_on),
)


def caution_faults(
    procedure: Procedure,
    steps: Sequence[Step],
    cautions: Sequence[Caution],
    powertrain: str,
    system: str,
) -> list[Wrong]:
    """Cautions that are missing where a hazard begins, or contradict a step they stand before."""
    moments = walk(steps)
    found: dict[str, Wrong] = {}  # one missing caution is named once, not for every bay and step
    for raising in _ways(steps):
        occasion = occasion_of(
            procedure, powertrain=powertrain, raising=raising, system=system, salted_roads=True
        )
        stand = standing(cautions, occasion, moments)
        for wrong in _missing(occasion, stand):
            found.setdefault(wrong.caution, wrong)
        for now, here in stand:
            for wrong in _contradictions(now, here):
                found.setdefault(wrong.text, wrong)
    return list(found.values())


def _ways(steps: Sequence[Step]) -> tuple[Raising, ...]:
    """The ways to raise the vehicle that the procedure can be done with."""
    return RAISED if any(raises(step) for step in steps) else (*RAISED, Raising.NONE)


def _missing(occasion: Occasion, stand: Sequence[Stand]) -> Iterator[Wrong]:
    passed: set[tuple[str, object]] = set()
    by_slug: dict[str, Caution] = {}
    for (now, here), new in zip(stand, first_shown(stand), strict=True):
        by_slug |= {caution.slug: caution for caution in here}
        slugs = {caution.slug for caution in new}
        for hazard in HAZARDS:
            if hazard.slug in slugs:
                passed.add((hazard.slug, episode(hazard.begins, now)))
            if not hazard.needed(occasion, now):
                continue
            if (hazard.slug, episode(hazard.begins, now)) not in passed:
                yield _not_before(hazard, now)
            else:
                yield from _undemanding(hazard, by_slug[hazard.slug])


def _not_before(hazard: Hazard, now: Moment) -> Wrong:
    text = (
        f"the caution {hazard.slug!r} does not stand before step {now.step.number} "
        f"({now.step.kind}): enter it, or widen its conditions"
    )
    return Wrong(text, step=now.step.number, caution=hazard.slug)


def _undemanding(hazard: Hazard, caution: Caution) -> Iterator[Wrong]:
    for one in hazard.demands:
        if one not in caution.demands:
            text = f"caution {hazard.slug!r} must say that it demands {str(one)!r}: enter that"
            yield Wrong(text, caution=hazard.slug)


def _contradictions(now: Moment, cautions: Sequence[Caution]) -> Iterator[Wrong]:
    for caution in cautions:
        for one in contradicted(caution, now):
            text = (
                f"step {now.step.number} ({now.step.kind}) contradicts the caution "
                f"{caution.slug!r}, which demands {one!r}: correct the step, or narrow the caution"
            )
            yield Wrong(text, step=now.step.number, caution=caution.slug)
