"""What a procedure must hold to be safe: the order of steps, seals and cautions of its family.

The texts and figures are data; these rules only say what may not be missing from them.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from fleet.vehicles.models import Powertrain
from fleet.workorders.models import Caution, Fastener, Material, Procedure, Raising, Step

Family = Procedure.Family
Kind = Step.Kind
HIGH_VOLTAGE = (Powertrain.ELECTRIC, Powertrain.HYBRID)
RAISED = (Raising.LIFT, Raising.STANDS, Raising.RAMPS, Raising.PIT)

# Each pair of neighbours must come in this order, and none may be missing.
ORDER: dict[str, tuple[Kind, ...]] = {
    Family.LEVEL_PLUG: (
        *(Kind.LEVEL_VEHICLE, Kind.OPEN_FILL, Kind.OPEN_DRAIN, Kind.DRAIN, Kind.INSPECT),
        *(Kind.CLOSE_DRAIN, Kind.FILL, Kind.CLOSE_FILL, Kind.RUN, Kind.LEAK_CHECK),
    ),
    Family.ENGINE_OIL: (
        *(Kind.DRAIN, Kind.FILTER, Kind.CLOSE_DRAIN, Kind.FILL, Kind.RUN, Kind.WAIT),
        *(Kind.READ_LEVEL, Kind.LEAK_CHECK),
    ),
    Family.LEVEL_AT_TEMPERATURE: (
        *(Kind.DRAIN, Kind.CLOSE_DRAIN, Kind.FILL, Kind.RUN, Kind.READ_LEVEL),
        *(Kind.CLOSE_FILL, Kind.LEAK_CHECK),
    ),
    Family.COOLANT: (
        *(Kind.PREPARE, Kind.DRAIN, Kind.FILL, Kind.BLEED, Kind.RUN, Kind.WAIT),
        *(Kind.READ_LEVEL, Kind.MEASURE),
    ),
    Family.BRAKE_FLUID: (Kind.FILL, Kind.BLEED, Kind.FIRM_PEDAL, Kind.BRAKE_TEST),
    Family.CHECK: (),
    Family.OTHER: (),
}
CHECKING = (Kind.MEASURE, Kind.INSPECT, Kind.LEAK_CHECK, Kind.READ_LEVEL)
SEALED = (Kind.CLOSE_DRAIN, Kind.CLOSE_FILL)
BENEATH = (Kind.OPEN_DRAIN, Kind.CLOSE_DRAIN)  # nobody reaches a drain plug from above


@dataclass(frozen=True)
class Hazard:
    """A caution that must stand before certain steps."""

    slug: str
    needed: Callable[[Procedure, Step, str, str], bool]  # procedure, step, raising, powertrain


def _under(raising: str) -> Callable[[Procedure, Step, str, str], bool]:
    return lambda procedure, step, how, powertrain: step.under_vehicle and how == raising


HAZARDS = (
    Hazard("raised-on-lift", _under(Raising.LIFT)),
    Hazard("raised-on-stands", _under(Raising.STANDS)),
    Hazard("raised-on-ramps", _under(Raising.RAMPS)),
    Hazard("over-a-pit", _under(Raising.PIT)),
    Hazard("key-out", lambda procedure, step, how, powertrain: step.under_vehicle),
    Hazard("exhaust-gas", lambda procedure, step, how, powertrain: step.engine_running),
    Hazard("high-voltage", lambda procedure, step, how, powertrain: powertrain in HIGH_VOLTAGE),
    Hazard(
        "hot-fluid",
        lambda procedure, step, how, powertrain: (
            procedure.family != Family.BRAKE_FLUID and step.kind == Kind.DRAIN
        ),
    ),
    Hazard("used-fluid", lambda procedure, step, how, powertrain: step.kind == Kind.DRAIN),
    Hazard(
        "coolant-only-cold",
        lambda procedure, step, how, powertrain: (
            procedure.family == Family.COOLANT and step.kind in (Kind.PREPARE, Kind.DRAIN)
        ),
    ),
    Hazard(
        "coolant-poisonous",
        lambda procedure, step, how, powertrain: (
            procedure.family == Family.COOLANT and step.kind in (Kind.DRAIN, Kind.FILL)
        ),
    ),
    Hazard(
        "brake-fluid-sealed",
        lambda procedure, step, how, powertrain: (
            procedure.family == Family.BRAKE_FLUID and step.kind == Kind.FILL
        ),
    ),
    Hazard(
        "brake-fluid-eyes",
        lambda procedure, step, how, powertrain: (
            procedure.family == Family.BRAKE_FLUID and step.kind == Kind.BLEED
        ),
    ),
    Hazard("firm-pedal", lambda procedure, step, how, powertrain: step.kind == Kind.FIRM_PEDAL),
    Hazard(
        "wheel-nuts",
        lambda procedure, step, how, powertrain: (
            procedure.wheels_removed and step.kind == Kind.REFIT
        ),
    ),
)


def cautions_for(
    cautions: Iterable[Caution],
    procedure: Procedure,
    step: Step,
    *,
    raising: str,
    powertrain: str,
    salted_roads: bool = False,
) -> list[Caution]:
    """Cautions that stand before a step, in this bay, on this vehicle."""
    return [
        caution
        for caution in cautions
        if _anywhere(caution, procedure, raising, powertrain, salted_roads)
        and _before(caution, procedure, step)
    ]


def _anywhere(
    caution: Caution, procedure: Procedure, raising: str, powertrain: str, salted_roads: bool
) -> bool:
    return (
        (not caution.raising or raising in caution.raising)
        and (not caution.families or procedure.family in caution.families)
        and (not caution.powertrains or powertrain in caution.powertrains)
        and (salted_roads or not caution.salted_roads)
    )


def _before(caution: Caution, procedure: Procedure, step: Step) -> bool:
    marks = [
        bool(caution.step_kinds) and step.kind in caution.step_kinds,
        caution.under_vehicle and step.under_vehicle,
        caution.engine_running and step.engine_running,
        caution.wheels_removed and procedure.wheels_removed and step.kind == Kind.REFIT,
    ]
    general = not (
        caution.step_kinds
        or caution.under_vehicle
        or caution.engine_running
        or caution.wheels_removed
    )
    return general or any(marks)


@dataclass(frozen=True)
class Wrong:
    """One thing that is wrong with a procedure, and which row of it must be looked at."""

    text: str
    step: int | None = None  # its number
    fastener: str = ""  # its slug
    caution: str = ""  # slug of the caution that is missing before the step


def wrongs(
    procedure: Procedure,
    steps: Sequence[Step],
    fasteners: Sequence[Fastener],
    materials: Sequence[Material],
    cautions: Sequence[Caution],
    powertrain: str,
) -> list[Wrong]:
    """Everything that is wrong with a procedure; every text says what to do."""
    ordered = sorted(steps, key=lambda step: step.number)
    return [
        *_order_faults(procedure, ordered),
        *_fastener_faults(ordered, fasteners),
        *_seal_faults(fasteners, materials),
        *_mark_faults(ordered, powertrain),
        *_wheel_faults(procedure, ordered),
        *_caution_faults(procedure, ordered, cautions, powertrain),
    ]


def faults(
    procedure: Procedure,
    steps: Sequence[Step],
    fasteners: Sequence[Fastener],
    materials: Sequence[Material],
    cautions: Sequence[Caution],
    powertrain: str,
) -> list[str]:
    """The same as sentences."""
    found = wrongs(procedure, steps, fasteners, materials, cautions, powertrain)
    return [wrong.text for wrong in found]


def _order_faults(procedure: Procedure, steps: Sequence[Step]) -> list[Wrong]:
    wanted = ORDER[procedure.family]
    kinds = [step.kind for step in steps]
    found = [
        Wrong(f"there is no step {str(kind)!r}: add it") for kind in wanted if kind not in kinds
    ]
    present = [kind for kind in wanted if kind in kinds]
    for before, after in zip(present, present[1:], strict=False):
        place = kinds.index(after)
        if kinds.index(before) > place:
            text = f"{str(before)!r} must come before {str(after)!r}: change the order"
            found.append(Wrong(text, step=steps[place].number))
    if procedure.family == Family.CHECK and not any(kind in CHECKING for kind in kinds):
        found.append(Wrong("a check needs a step that measures or looks: add one"))
    if not steps:
        found.append(Wrong("there are no steps: enter the maker's"))
    return found


def _fastener_faults(steps: Sequence[Step], fasteners: Sequence[Fastener]) -> list[Wrong]:
    by_slug = {fastener.slug: fastener for fastener in fasteners}
    found = []
    for step in steps:
        fastener = by_slug.get(step.fastener)
        text = ""
        if step.fastener and fastener is None:
            text = (
                f"step {step.number} names a fastener {step.fastener!r} that is not there: add it"
            )
        elif step.kind in SEALED and fastener is None:
            text = f"step {step.number} closes a plug: name its fastener, with torque"
        elif step.kind in SEALED and fastener and fastener.seal == Fastener.Seal.NONE:
            text = f"{fastener.name} has no seal: every plug closed gets a new one, so name it"
        if text:
            found.append(Wrong(text, step=step.number))
    return found


def _seal_faults(fasteners: Sequence[Fastener], materials: Sequence[Material]) -> list[Wrong]:
    supplied = {material.fastener for material in materials if material.fastener}
    known = {fastener.slug for fastener in fasteners}
    found = [
        Wrong(f"the materials name a fastener {slug!r} that is not there: add it, or correct it")
        for slug in sorted(supplied - known)
    ]
    for fastener in fasteners:
        seal, name = fastener.seal, fastener.name
        if seal != Fastener.Seal.NONE and fastener.slug not in supplied:
            text = f"the {seal} of {name} is missing from the materials: add it"
            found.append(Wrong(text, fastener=fastener.slug))
        if seal in (Fastener.Seal.WASHER, Fastener.Seal.O_RING) and not fastener.seal_size:
            text = f"the {seal} of {name} has no size: give it"
            found.append(Wrong(text, fastener=fastener.slug))
        if fastener.torque_max_nm is not None and fastener.torque_max_nm < fastener.torque_nm:
            text = f"the torque range of {name} is the wrong way round: exchange the two"
            found.append(Wrong(text, fastener=fastener.slug))
    return found


def _mark_faults(steps: Sequence[Step], powertrain: str) -> list[Wrong]:
    """Steps that lack the mark on which their cautions hang."""
    found = []
    for step in steps:
        about = f"step {step.number} ({step.kind})"
        if step.kind in BENEATH and not step.under_vehicle:
            text = f"{about} is done under the vehicle: mark it so"
            found.append(Wrong(text, step=step.number))
        if step.kind == Kind.RUN and powertrain != Powertrain.ELECTRIC and not step.engine_running:
            found.append(Wrong(f"{about} runs the engine: mark it so", step=step.number))
    return found


def _wheel_faults(procedure: Procedure, steps: Sequence[Step]) -> list[Wrong]:
    if not procedure.wheels_removed:
        return []
    found = []
    if procedure.wheel_nut_torque_nm is None or procedure.retorque_after_km is None:
        found.append(
            Wrong("wheels come off: give the wheel-nut torque and when to tighten them again")
        )
    if not any(step.kind == Kind.REFIT for step in steps):
        found.append(Wrong("wheels come off: add a step 'refit'"))
    return found


def _caution_faults(
    procedure: Procedure, steps: Sequence[Step], cautions: Sequence[Caution], powertrain: str
) -> list[Wrong]:
    missing: dict[str, Step] = {}
    for raising in RAISED:
        for step in steps:
            shown = {
                caution.slug
                for caution in cautions_for(
                    cautions, procedure, step, raising=raising, powertrain=powertrain
                )
            }
            for hazard in HAZARDS:
                needed = hazard.needed(procedure, step, raising, powertrain)
                if needed and hazard.slug not in shown:
                    missing.setdefault(hazard.slug, step)
    return [
        Wrong(
            f"the caution {slug!r} does not stand before step {step.number} "
            f"({step.kind}): enter it, or widen its conditions",
            step=step.number,
            caution=slug,
        )
        for slug, step in missing.items()
    ]
