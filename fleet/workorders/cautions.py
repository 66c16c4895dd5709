"""Which cautions stand before which step: where their hazard begins, and where it begins again."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from fleet.vehicles.models import CompartmentKind
from fleet.workorders.models import Caution, Procedure, Step
from fleet.workorders.walk import Moment

Family = Procedure.Family
While, Demand, Returns = Caution.While, Caution.Demand, Caution.Returns
# Whose hazards a job on a compartment carries, also where its own family does not say so.
FAMILY_OF: dict[str, str] = {
    CompartmentKind.ENGINE: Family.ENGINE_OIL,
    CompartmentKind.GEARBOX: Family.LEVEL_PLUG,
    CompartmentKind.AUTOMATIC_GEARBOX: Family.LEVEL_AT_TEMPERATURE,
    CompartmentKind.DUAL_CLUTCH_GEARBOX: Family.LEVEL_AT_TEMPERATURE,
    CompartmentKind.FINAL_DRIVE: Family.LEVEL_PLUG,
    CompartmentKind.TRANSFER_CASE: Family.LEVEL_PLUG,
    CompartmentKind.REDUCTION_GEAR: Family.LEVEL_PLUG,
    CompartmentKind.COOLING: Family.COOLANT,
    CompartmentKind.BATTERY_COOLING: Family.COOLANT,
    CompartmentKind.BRAKE: Family.BRAKE_FLUID,
    CompartmentKind.CLUTCH: Family.BRAKE_FLUID,
}


@dataclass(frozen=True)
class Occasion:
    """What a job is done on, and where."""

    family: str
    powertrain: str
    raising: str
    system: str = ""  # kind of the compartment; empty: unknown
    used_fluid: str = ""  # class that what comes out is collected under
    wheels_removed: bool = False
    salted_roads: bool = False

    @property
    def families(self) -> frozenset[str]:
        """Families whose cautions belong here: the procedure's own, and its compartment's."""
        here = FAMILY_OF.get(self.system)
        return frozenset({self.family} if here is None else {self.family, here})


Stand = tuple[Moment, list[Caution]]  # a step, and the cautions that belong before it
HOLDS: dict[str, Callable[[Moment], bool]] = {
    While.ENGINE_OFF: lambda moment: not moment.running,
    While.ENGINE_RUNNING: lambda moment: moment.running,
    While.STANDING: lambda moment: not moment.moving,
    While.MOVING: lambda moment: moment.moving,
    While.BENEATH: lambda moment: moment.step.under_vehicle,
}
IMPOSSIBLE: dict[str, Callable[[Moment], bool]] = {
    Demand.ENGINE_OFF: lambda moment: moment.running,
    Demand.KEY_OUT: lambda moment: moment.running,
    Demand.STANDING: lambda moment: moment.moving,
    Demand.COLD: lambda moment: moment.hot,
}


def occasion_of(
    procedure: Procedure, *, powertrain: str, raising: str, system: str, salted_roads: bool = False
) -> Occasion:
    """What a procedure is done on, and where."""
    return Occasion(
        family=procedure.family,
        powertrain=powertrain,
        raising=raising,
        system=system,
        used_fluid=procedure.used_fluid_class,
        wheels_removed=procedure.wheels_removed,
        salted_roads=salted_roads,
    )


def shown(
    cautions: Iterable[Caution], occasion: Occasion, moments: Iterable[Moment]
) -> list[list[Caution]]:
    """The cautions to show before each step: where they first apply, and with every return."""
    return first_shown(standing(cautions, occasion, moments))


def first_shown(stand: Iterable[Stand]) -> list[list[Caution]]:
    """Of the cautions that belong before each step those that begin, or begin again, there."""
    seen: set[tuple[str, object]] = set()
    found = []
    for moment, here in stand:
        keys = {(row.slug, episode(rhythm(row), moment)): row for row in here}
        found.append([row for key, row in keys.items() if key not in seen])
        seen |= keys.keys()
    return found


def standing(
    cautions: Iterable[Caution], occasion: Occasion, moments: Iterable[Moment]
) -> list[Stand]:
    """The cautions that belong before each step, shown there already or not."""
    here = [row for row in cautions if _anywhere(row, occasion)]
    return [(now, [row for row in here if _now(row, occasion, now)]) for now in moments]


def _now(caution: Caution, occasion: Occasion, moment: Moment) -> bool:
    return _before(caution, occasion, moment.step) and all(
        HOLDS[one](moment) for one in caution.only_while
    )


def _anywhere(caution: Caution, occasion: Occasion) -> bool:
    used = {one.casefold() for one in caution.used_fluids}
    return (
        (not caution.raising or occasion.raising in caution.raising)
        and (not caution.families or not occasion.families.isdisjoint(caution.families))
        and (not caution.powertrains or occasion.powertrain in caution.powertrains)
        and (not used or occasion.used_fluid.casefold() in used)
        and (occasion.salted_roads or not caution.salted_roads)
    )


def _before(caution: Caution, occasion: Occasion, step: Step) -> bool:
    marks = [
        bool(caution.step_kinds) and step.kind in caution.step_kinds,
        caution.under_vehicle and step.under_vehicle,
        caution.engine_running and step.engine_running,
        caution.wheels_removed and occasion.wheels_removed and step.kind == Step.Kind.REFIT,
    ]
    general = not (
        caution.step_kinds
        or caution.under_vehicle
        or caution.engine_running
        or caution.wheels_removed
    )
    return general or any(marks)


def rhythm(caution: Caution) -> str:
    """What brings a caution back, where its row does not say: the mark that calls it."""
    if caution.returns:
        return caution.returns
    if caution.under_vehicle:
        return Returns.RAISED
    return Returns.RUN if caution.engine_running else Returns.JOB


def episode(returns: str, moment: Moment) -> object:
    """Equal between two steps exactly when a hazard of this rhythm did not begin anew."""
    if returns == Returns.STEP:
        return moment.place
    if returns == Returns.RAISED:  # who ran it up there comes back beneath it
        return moment.raisings, moment.runs
    return moment.runs if returns in (Returns.RUN, Returns.HOT) else 0


def contradicted(caution: Caution, moment: Moment) -> list[str]:
    """What a caution demands and a step makes impossible."""
    return [one for one in caution.demands if IMPOSSIBLE[one](moment)]
