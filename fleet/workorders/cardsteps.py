"""The steps on a job card: what to do, what to tighten, and the cautions before it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from fleet.due.models import Service
from fleet.units import torque_lbfft
from fleet.vehicles.models import VehicleType
from fleet.workorders.cautions import FAMILY_OF, Occasion, occasion_of, shown
from fleet.workorders.families import ORDER
from fleet.workorders.fit import tightening, told
from fleet.workorders.gaps import OPENS
from fleet.workorders.models import (
    Caution,
    Fastener,
    Procedure,
    Raising,
    ReCheckRule,
    Step,
    WorkOrder,
)
from fleet.workorders.points import points_of
from fleet.workorders.rules import when_words
from fleet.workorders.walk import walk

# what comes out of them is oil, whatever their procedure would say
OILS = (Procedure.Family.LEVEL_PLUG, Procedure.Family.ENGINE_OIL)
# the step by which a point is looked at, by its word; any other is looked at for leaks
LOOKS: dict[str, str] = {"level": Step.Kind.READ_LEVEL, "pedal": Step.Kind.FIRM_PEDAL}


@dataclass(frozen=True)
class Setting:
    """On what, and where, work is done: orders that are alike in it share what their cards say."""

    vehicle_type: VehicleType
    raising: str
    salted_roads: bool
    unit: str  # of the odometer


def setting_of(order: WorkOrder, unit: str) -> Setting:
    """The setting of an order, by the unit of its vehicle's odometer."""
    return Setting(order.vehicle.vehicle_type, order.raising, order.depot.salted_roads, unit)


@dataclass(frozen=True)
class CardCaution:
    slug: str
    text: str
    source: str


@dataclass(frozen=True)
class CardFastener:
    slug: str
    name: str
    torque_nm: float
    torque_max_nm: float | None
    torque_lbfft: float
    torque_max_lbfft: float | None
    stated_unit: str  # in which its source states the torque
    drive: str
    seal: str  # sealing washer, O-ring, sealant, none
    seal_size: str
    single_use: bool
    source: str
    edition: str


@dataclass(frozen=True)
class CardPointFigure:
    slug: str
    name: str
    unit: str


@dataclass(frozen=True)
class CardStep:
    number: int
    kind: str
    text: str
    cautions: tuple[CardCaution, ...]  # before this step; each where it first applies
    fastener: CardFastener | None
    points: tuple[str, ...]  # a record each; empty: the step is one
    confirm: bool  # not done without a record
    moving_hold: bool  # the vehicle does not move before it
    wait_min: int | None  # until it has cured
    figure: CardPointFigure | None


@dataclass(frozen=True)
class CardReCheck:
    """What is looked at again: now, where the job is the re-check, or after it."""

    rule: str
    text: str
    when: str
    points: tuple[str, ...]
    fastener: CardFastener | None
    figure: CardPointFigure | None
    tools: tuple[str, ...]  # that tighten the fastener, by the procedure
    how: tuple[str, ...]  # what the procedure says of tightening it
    safety: bool  # it gets an order of its own
    source: str


def card_steps(
    setting: Setting,
    procedure: Procedure,
    fasteners: Mapping[str, CardFastener],
    cautions: Sequence[Caution],
) -> tuple[CardStep, ...]:
    """The steps of a procedure in a setting, each with the cautions that begin before it."""
    steps = list(procedure.steps.all())
    occasion = occasion_of(
        procedure,
        powertrain=setting.vehicle_type.powertrain,
        raising=setting.raising,
        system=procedure.service.compartment.kind,
        salted_roads=setting.salted_roads,
    )
    return tuple(
        CardStep(
            number=step.number,
            kind=step.kind,
            text=step.text,
            cautions=tuple(CardCaution(row.slug, row.text, row.source) for row in new),
            fastener=fasteners.get(step.fastener),
            points=_points(step.points, setting),
            confirm=step.confirm or step.moving_hold,
            moving_hold=step.moving_hold,
            wait_min=step.wait_min,
            figure=_figure(procedure.service, step.figure),
        )
        for step, new in zip(steps, shown(cautions, occasion, walk(steps)), strict=True)
    )


def card_re_checks(setting: Setting, rules: Iterable[ReCheckRule]) -> tuple[CardReCheck, ...]:
    """Rules as the card shows them."""
    rows = {rule: _row(rule) for rule in rules}
    return tuple(
        CardReCheck(
            rule=rule.slug,
            text=rule.text,
            when=when_words(rule, setting.unit),
            points=_points(rule.points, setting),
            fastener=card_fasteners(rule.procedure).get(rule.fastener),
            figure=_figure(rule.service, rule.figure),
            tools=tuple(map(str, tightening(row, list(rule.procedure.tools.all())))) if row else (),
            how=tuple(step.text for step in _tightened(rule)),
            safety=rule.safety,
            source=rule.source,
        )
        for rule, row in rows.items()
    )


def _row(rule: ReCheckRule) -> Fastener | None:
    fasteners = rule.procedure.fasteners.all()
    return next((row for row in fasteners if row.slug == rule.fastener), None)


def _tightened(rule: ReCheckRule) -> list[Step]:
    """The steps of the procedure that tightened what a rule tightens again."""
    steps = rule.procedure.steps.all() if rule.fastener else ()
    return [step for step in steps if step.fastener == rule.fastener and step.kind not in OPENS]


def _points(given: Iterable[str], setting: Setting) -> tuple[str, ...]:
    return tuple(point for point in points_of(given, setting.vehicle_type) if point)


def _figure(service: Service, slug: str) -> CardPointFigure | None:
    found = [figure for figure in service.figures.all() if figure.slug == slug]
    return CardPointFigure(slug, found[0].name, found[0].unit) if found else None


def card_fasteners(procedure: Procedure) -> dict[str, CardFastener]:
    """The fasteners of a procedure, by slug, with their torque in both units."""
    return {row.slug: _fastener(procedure, row) for row in procedure.fasteners.all()}


def _fastener(procedure: Procedure, row: Fastener) -> CardFastener:
    top = row.torque_max_nm
    return CardFastener(
        slug=row.slug,
        name=row.name,
        torque_nm=told(row.torque_nm),
        torque_max_nm=None if top is None else told(top),
        torque_lbfft=told(torque_lbfft(row.torque_nm)),
        torque_max_lbfft=None if top is None else told(torque_lbfft(top)),
        stated_unit=row.stated_unit,
        drive=row.drive,
        seal=row.seal,
        seal_size=row.seal_size,
        single_use=row.single_use,
        source=row.source,
        edition=procedure.edition,
    )


def general_cautions(
    setting: Setting, system: str, cautions: Sequence[Caution]
) -> tuple[CardCaution, ...]:
    """What to mind on a job that has no steps: how the vehicle is raised, and its compartment.

    Nobody knows what will be done, so the work of the compartment's family is walked through.

    Parameters
    ----------
    system
        Kind of the compartment; empty: none is named.
    """
    family = FAMILY_OF.get(system, Procedure.Family.OTHER)
    occasion = Occasion(
        family=family,
        powertrain=setting.vehicle_type.powertrain,
        raising=setting.raising,
        system=system,
        used_fluid="used oil" if family in OILS else "",
        salted_roads=setting.salted_roads,
    )
    found = shown(cautions, occasion, walk(_usual_steps(family, setting.raising)))
    by_slug = {row.slug: row for new in found for row in new}
    return tuple(CardCaution(row.slug, row.text, row.source) for row in by_slug.values())


def re_check_cautions(
    setting: Setting, service: Service, cautions: Sequence[Caution]
) -> tuple[CardCaution, ...]:
    """What to mind where work is looked at again: only what belongs to the looking, or to
    tightening again. Where the procedure has no such step, all of its compartment's."""
    system = service.compartment.kind
    by_slug: dict[str, CardCaution] = {}
    for rule in service.re_check_rules.all():
        steps = _again(rule)
        if not steps:
            return general_cautions(setting, system, cautions)
        occasion = occasion_of(
            rule.procedure,
            powertrain=setting.vehicle_type.powertrain,
            raising=setting.raising,
            system=system,
            salted_roads=setting.salted_roads,
        )
        found = [row for new in shown(cautions, occasion, walk(steps)) for row in new]
        by_slug |= {row.slug: CardCaution(row.slug, row.text, row.source) for row in found}
    return tuple(by_slug.values())


def _again(rule: ReCheckRule) -> list[Step]:
    """The steps of its procedure that a re-check does once more; wheels stand on the ground."""
    if rule.fastener:
        wheels = rule.applies == ReCheckRule.Applies.WHEELS_REMOVED
        return [Step(kind=Step.Kind.REFIT)] if wheels else _tightened(rule)
    kinds = {LOOKS.get(point.casefold(), Step.Kind.LEAK_CHECK) for point in rule.points or [""]}
    found = [step for step in rule.procedure.steps.all() if step.kind in kinds]
    return found if {step.kind for step in found} == kinds else []


def _usual_steps(family: str, raising: str) -> list[Step]:
    """The usual work of a family; on the ground nobody goes beneath."""
    up = raising != Raising.NONE
    kinds = (Step.Kind.RAISE, Step.Kind.PREPARE, *ORDER[family]) if up else ORDER[family]
    return [
        Step(
            kind=kind,
            under_vehicle=up and kind in (Step.Kind.PREPARE, Step.Kind.OPEN_DRAIN, Step.Kind.DRAIN),
            engine_running=kind == Step.Kind.RUN,
        )
        for kind in kinds or (Step.Kind.PREPARE,)
    ]
