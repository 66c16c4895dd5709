"""What a procedure must hold to be safe: the order of steps, seals and cautions of its family.

The texts and figures are data; these rules only say what may not be missing from them.
"""

from collections.abc import Collection, Sequence

from fleet.workorders.hazards import SEALED, caution_faults
from fleet.workorders.models import Caution, Fastener, Material, Procedure, Step
from fleet.workorders.stepwise import step_faults
from fleet.workorders.wrong import Wrong

Family = Procedure.Family
Kind = Step.Kind

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
        *(Kind.OPEN_CAP, Kind.DRAIN, Kind.FILL, Kind.BLEED, Kind.RUN, Kind.WAIT),
        *(Kind.READ_LEVEL, Kind.MEASURE, Kind.CLOSE_CAP),
    ),
    Family.BRAKE_FLUID: (Kind.FILL, Kind.BLEED, Kind.FIRM_PEDAL, Kind.BRAKE_TEST),
    Family.SEALING_PLUG: (Kind.OPEN_PLUG, Kind.CLOSE_PLUG, Kind.FILL, Kind.LEAK_CHECK),
    Family.CHECK: (),
    Family.OTHER: (),
}
BY_SUCTION = (  # engine oil drawn out from above: no drain plug is opened
    *(Kind.SUCTION, Kind.FILTER, Kind.FILL, Kind.RUN, Kind.WAIT, Kind.READ_LEVEL),
    Kind.LEAK_CHECK,
)
CHECKING = (Kind.MEASURE, Kind.INSPECT, Kind.LEAK_CHECK, Kind.READ_LEVEL)
RENEWED = (Fastener.Seal.WASHER, Fastener.Seal.O_RING, Fastener.Seal.SEALANT)


def wrongs(
    procedure: Procedure,
    steps: Sequence[Step],
    fasteners: Sequence[Fastener],
    materials: Sequence[Material],
    cautions: Sequence[Caution],
    powertrain: str,
    system: str = "",
) -> list[Wrong]:
    """Everything that is wrong with a procedure; every text says what to do.

    Parameters
    ----------
    system
        Kind of the compartment it is done on; empty: unknown.
    """
    ordered = sorted(steps, key=lambda step: step.number)
    return [
        *_order_faults(procedure, ordered),
        *_fastener_faults(ordered, fasteners),
        *_seal_faults(fasteners, materials),
        *_wheel_faults(procedure, ordered),
        *_level_faults(procedure, ordered),
        *_plug_faults(procedure, materials),
        *step_faults(procedure, ordered, fasteners, powertrain),
        *caution_faults(procedure, ordered, cautions, powertrain, system),
    ]


def faults(
    procedure: Procedure,
    steps: Sequence[Step],
    fasteners: Sequence[Fastener],
    materials: Sequence[Material],
    cautions: Sequence[Caution],
    powertrain: str,
    system: str = "",
) -> list[str]:
    """The same as sentences."""
    found = wrongs(procedure, steps, fasteners, materials, cautions, powertrain, system)
    return [wrong.text for wrong in found]


def order_of(procedure: Procedure, kinds: Collection[str]) -> tuple[Kind, ...]:
    """The kinds of step that must be there, in their order."""
    suction = Kind.SUCTION in kinds and Kind.DRAIN not in kinds
    if procedure.family == Family.ENGINE_OIL and suction:
        return BY_SUCTION
    return ORDER[procedure.family]


def _order_faults(procedure: Procedure, steps: Sequence[Step]) -> list[Wrong]:
    kinds = [step.kind for step in steps]
    wanted = order_of(procedure, kinds)
    places = {kind: _place(procedure, kind, kinds) for kind in wanted}
    found = [
        Wrong(f"there is no step {str(kind)!r}: add it") for kind in wanted if places[kind] is None
    ]
    present = [(kind, place) for kind, place in places.items() if place is not None]
    for (before, early), (after, late) in zip(present, present[1:], strict=False):
        if early > late:
            text = f"{str(before)!r} must come before {str(after)!r}: change the order"
            found.append(Wrong(text, step=steps[late].number))
    if procedure.family == Family.CHECK and not any(kind in CHECKING for kind in kinds):
        found.append(Wrong("a check needs a step that measures or looks: add one"))
    if not steps:
        found.append(Wrong("there are no steps: enter the maker's"))
    return found


def _place(procedure: Procedure, kind: Kind, kinds: Sequence[str]) -> int | None:
    """Where a kind of step first comes; gears are also turned by driving, a cap is closed last."""
    if kind == Kind.RUN and kind not in kinds and procedure.family == Family.LEVEL_PLUG:
        kind = Kind.DRIVE
    if kind not in kinds:
        return None
    if kind in (Kind.DRIVE, Kind.CLOSE_CAP):
        return len(kinds) - 1 - list(reversed(kinds)).index(kind)
    return kinds.index(kind)


def _level_faults(procedure: Procedure, steps: Sequence[Step]) -> list[Wrong]:
    """A level that counts only at its temperature is read warm, and kept with the temperature."""
    if procedure.family != Family.LEVEL_AT_TEMPERATURE:
        return []
    found = []
    for step in steps:
        if step.kind == Kind.READ_LEVEL and not step.confirm:
            text = (
                f"step {step.number} (read level) is read at a temperature: mark it as one to "
                "confirm, so that both are recorded"
            )
            found.append(Wrong(text, step=step.number))
    return found


def _plug_faults(procedure: Procedure, materials: Sequence[Material]) -> list[Wrong]:
    """Behind a sealing plug stands oil: what is lost is filled up again."""
    if procedure.family != Family.SEALING_PLUG:
        return []
    if any(row.kind == Material.Kind.FLUID for row in materials):
        return []
    return [Wrong("what ran out is filled up again: add the fluid to the materials")]


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
        if seal in RENEWED and fastener.slug not in supplied:
            text = f"the {seal} of {name} is missing from the materials: add it"
            found.append(Wrong(text, fastener=fastener.slug))
        if seal in (Fastener.Seal.WASHER, Fastener.Seal.O_RING) and not fastener.seal_size:
            text = f"the {seal} of {name} has no size: give it"
            found.append(Wrong(text, fastener=fastener.slug))
        if fastener.torque_max_nm is not None and fastener.torque_max_nm < fastener.torque_nm:
            text = f"the torque range of {name} is the wrong way round: exchange the two"
            found.append(Wrong(text, fastener=fastener.slug))
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
