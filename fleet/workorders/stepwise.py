"""What holds of the steps of every procedure, whatever its family: marks, caps, cure, movement."""

from collections.abc import Iterator, Sequence

from fleet.vehicles.models import Powertrain
from fleet.workorders.models import Fastener, Procedure, Step
from fleet.workorders.walk import MOVES, Moment, walk
from fleet.workorders.wrong import Wrong

Family, Kind = Procedure.Family, Step.Kind
BENEATH = (Kind.OPEN_DRAIN, Kind.CLOSE_DRAIN)  # nobody reaches a drain plug from above
CLEAR = (Kind.RAISE, Kind.LOWER, *MOVES)  # nobody is beneath
EMPTYING = (Kind.DRAIN, Kind.SUCTION)


def step_faults(
    procedure: Procedure, steps: Sequence[Step], fasteners: Sequence[Fastener], powertrain: str
) -> list[Wrong]:
    """Faults of single steps and of what stands between them; steps are in their order."""
    return [
        *_mark_faults(steps, powertrain),
        *_movement_faults(procedure, walk(steps)),
        *_cap_faults(procedure, steps),
        *_cure_faults(steps, fasteners),
        *_used_fluid_faults(procedure, steps),
    ]


def _mark_faults(steps: Sequence[Step], powertrain: str) -> Iterator[Wrong]:
    """Steps that lack the mark on which their cautions hang, or have one they cannot have."""
    for step in steps:
        about = f"step {step.number} ({step.kind})"
        if step.kind in BENEATH and not step.under_vehicle:
            yield Wrong(f"{about} is done under the vehicle: mark it so", step=step.number)
        if step.kind in CLEAR and step.under_vehicle:
            text = f"{about} is done with nobody beneath: take the mark 'under the vehicle' off"
            yield Wrong(text, step=step.number)
        if step.kind == Kind.RUN and powertrain != Powertrain.ELECTRIC and not step.engine_running:
            yield Wrong(f"{about} runs the engine: mark it so", step=step.number)


def _movement_faults(procedure: Procedure, moments: Sequence[Moment]) -> Iterator[Wrong]:
    """Nothing moves that is raised, or whose brake pedal nobody has tried; what went up comes
    down."""
    open_brakes = False
    before = None
    for now in moments:
        step = now.step
        about = f"step {step.number} ({step.kind})"
        if now.moving and before is not None and before.raised:
            yield Wrong(f"{about} moves a raised vehicle: lower it first", step=step.number)
        if now.moving and open_brakes:
            text = f"{about} moves the vehicle before the pedal is firm: add 'firm pedal' before it"
            yield Wrong(text, step=step.number)
        bled = procedure.family == Family.BRAKE_FLUID and step.kind == Kind.BLEED
        open_brakes = bled or (open_brakes and step.kind != Kind.FIRM_PEDAL)
        before = now
    went_up = any(now.step.kind == Kind.RAISE for now in moments)
    if went_up and before is not None and before.raised:
        yield Wrong("the vehicle is left raised: add a step 'lower'", step=before.step.number)


def _cap_faults(procedure: Procedure, steps: Sequence[Step]) -> Iterator[Wrong]:
    """Every cap opened is closed: before the end, before it drives, and an oil filler cap before
    the engine runs."""
    shut_for = (*MOVES, Kind.RUN) if procedure.family == Family.ENGINE_OIL else MOVES
    opened: Step | None = None
    for step in steps:
        if step.kind == Kind.OPEN_CAP:
            opened = step
        elif step.kind == Kind.CLOSE_CAP:
            opened = None
        elif step.kind in shut_for and opened is not None:
            text = (
                f"the cap opened in step {opened.number} is open in step {step.number} "
                f"({step.kind}): add 'close cap' before it"
            )
            yield Wrong(text, step=step.number)
    if opened is not None:
        text = f"the cap opened in step {opened.number} is never closed: add 'close cap'"
        yield Wrong(text, step=opened.number)


def _cure_faults(steps: Sequence[Step], fasteners: Sequence[Fastener]) -> Iterator[Wrong]:
    """Sealant hardens before it is wetted or looked at."""
    sealant = {one.slug for one in fasteners if one.seal == Fastener.Seal.SEALANT}
    fresh: Step | None = None
    for step in steps:
        if step.kind == Kind.CURE:
            fresh = None
        elif step.kind in (Kind.FILL, Kind.LEAK_CHECK) and fresh is not None:
            text = (
                f"step {step.number} ({step.kind}) comes before the sealant of step "
                f"{fresh.number} has hardened: add 'cure' before it"
            )
            yield Wrong(text, step=step.number)
            fresh = None
        if step.fastener in sealant:
            fresh = step


def _used_fluid_faults(procedure: Procedure, steps: Sequence[Step]) -> Iterator[Wrong]:
    emptied = next((step for step in steps if step.kind in EMPTYING), None)
    if emptied is not None and not procedure.used_fluid_class.strip():
        text = (
            f"step {emptied.number} ({emptied.kind}) lets fluid out: say how it is collected, "
            "e.g. used oil"
        )
        yield Wrong(text, step=emptied.number)
