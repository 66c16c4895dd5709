"""Whether the tools of a procedure do its work: each fastener is turned, and by what fits.

A wrench drives a socket when their squares are the same size, or an adapter leads from the one to
the other. A torque wrench only tightens: to loosen there is a ratchet or a breaker bar.
"""

import re
from collections.abc import Iterable, Iterator, Sequence

from fleet.workorders.models import Fastener, Material, Procedure, Raising, Step, Tool
from fleet.workorders.wrong import Wrong

Kind = Tool.Kind
WHEEL_NUT = "wheel nut"  # what the socket of the wheel nuts turns
THREAD = re.compile(r"\bM\d+\b")  # a metric thread by its ISO name: the thing is a bolt
RAISED_WITH = {
    Raising.STANDS: (Kind.JACK, Kind.STANDS, Kind.CHOCKS),
    Raising.RAMPS: (Kind.RAMPS, Kind.CHOCKS),
    Raising.PIT: (Kind.CHOCKS,),
}
LIGHT = "with a light"


def misfits(
    procedure: Procedure,
    steps: Sequence[Step],
    fasteners: Sequence[Fastener],
    materials: Sequence[Material],
    tools: Sequence[Tool],
) -> list[Wrong]:
    """What the tools of a procedure cannot do; every text says what to add."""
    ordered = sorted(steps, key=lambda step: step.number)
    found = [
        *(wrong for fastener in fasteners for wrong in _unturned(fastener, tools)),
        *_loose_bolts(materials),
        *_wheel_tools(procedure, tools),
        *_raising_tools(ordered, tools),
        *_seeing_tools(ordered, tools),
    ]
    if procedure.family == Procedure.Family.BRAKE_FLUID:
        found += _bleeding_tools(tools)
    return found


def _unturned(fastener: Fastener, tools: Sequence[Tool]) -> Iterator[Wrong]:
    """What is missing between a wrench and a fastener."""

    def wrong(text: str) -> Wrong:
        return Wrong(text, fastener=fastener.slug, column="drive")

    name, drive = fastener.name, _same(fastener.drive)
    if not drive:
        yield wrong(f"{name} has no drive: give it, e.g. 13 mm hexagon, or 17 mm internal hexagon")
        return
    most_nm = fastener.torque_max_nm or fastener.torque_nm
    torque = [tool for tool in _of(tools, Kind.TORQUE_WRENCH) if _covers(tool, fastener, most_nm)]
    ends = {drive, *(_same(tool.drive) for tool in _turning(tools, Kind.SOCKET, drive))}
    by_hand = _turning(tools, Kind.SPANNER, drive)
    if ends == {drive} and not by_hand and drive not in _driven(tools, _wrenches(tools)):
        yield wrong(f"no tool turns {name} ({fastener.drive}): add its socket, bit or spanner")
        return
    if not ends & _driven(tools, torque):
        yield wrong(
            f"no torque wrench for {fastener.torque_nm:.1f} N·m fits what turns {name}: "
            "add one of that drive, or an adapter"
        )
    if not by_hand and not ends & _driven(tools, _of(tools, Kind.RATCHET)):
        yield wrong(
            f"only a torque wrench would loosen {name}: add a ratchet or breaker bar that fits"
        )


def told(torque: float) -> float:
    """A torque as a figure among others, N·m or not: to the hundredth, which no wrench shows."""
    return round(torque, 2)


def tightening(fastener: Fastener, tools: Sequence[Tool]) -> list[Tool]:
    """What tightens a fastener: torque wrenches whose range holds its figure, and what they turn
    it by."""
    drive = _same(fastener.drive)
    most_nm = fastener.torque_max_nm or fastener.torque_nm
    sockets = _turning(tools, Kind.SOCKET, drive) if drive else []
    ends = {drive, *(_same(tool.drive) for tool in sockets)} - {""}
    wrenches = [
        tool
        for tool in _of(tools, Kind.TORQUE_WRENCH)
        if _covers(tool, fastener, most_nm) and ends & _driven(tools, [tool])
    ]
    straight = any(_same(tool.drive) in ends for tool in wrenches)
    adapters = [tool for tool in _of(tools, Kind.ADAPTER) if _same(tool.turns) in ends]
    return [*wrenches, *([] if straight else adapters), *sockets] if wrenches else []


def _covers(tool: Tool, fastener: Fastener, most_nm: float) -> bool:
    """Whether the range of a torque wrench holds the whole figure [N·m]."""
    above = tool.least_nm is None or tool.least_nm <= fastener.torque_nm
    return above and (tool.most_nm is None or most_nm <= tool.most_nm)


def _driven(tools: Sequence[Tool], wrenches: Iterable[Tool]) -> set[str]:
    """Drives that these wrenches reach, straight or through adapters and extensions."""
    reached = {_same(tool.drive) for tool in wrenches} - {""}
    adapters = _of(tools, Kind.ADAPTER)
    for _ in adapters:
        reached |= {_same(tool.turns) for tool in adapters if _same(tool.drive) in reached}
    return reached - {""}


def _wrenches(tools: Sequence[Tool]) -> list[Tool]:
    return [*_of(tools, Kind.TORQUE_WRENCH), *_of(tools, Kind.RATCHET)]


def _turning(tools: Sequence[Tool], kind: str, drive: str) -> list[Tool]:
    return [tool for tool in _of(tools, kind) if _same(tool.turns) == drive]


def _of(tools: Sequence[Tool], kind: str, raising: str = "") -> list[Tool]:
    return [tool for tool in tools if tool.kind == kind and (not raising or tool.is_for(raising))]


def _same(text: str) -> str:
    """Two spellings of one drive are the same: blanks and capitals do not matter."""
    return "".join(text.casefold().split())


def _loose_bolts(materials: Sequence[Material]) -> Iterator[Wrong]:
    """A bolt is turned by something; a clip is none and needs no fastener."""
    for material in materials:
        bolt = material.kind == Material.Kind.ONE_TIME_FIXING and THREAD.search(material.name)
        if bolt and not material.fastener:
            yield Wrong(
                f"{material.name} is a bolt: name its fastener, with torque and drive, "
                "so that its socket is fetched"
            )


def _wheel_tools(procedure: Procedure, tools: Sequence[Tool]) -> Iterator[Wrong]:
    if procedure.wheels_removed and procedure.wheel_nut_torque_nm is not None:
        nuts = Fastener(
            slug="", name="the wheel nuts", drive=WHEEL_NUT, torque_nm=procedure.wheel_nut_torque_nm
        )
        yield from (Wrong(wrong.text) for wrong in _unturned(nuts, tools))


def _raising_tools(steps: Sequence[Step], tools: Sequence[Tool]) -> Iterator[Wrong]:
    first = next((step for step in steps if step.kind == Step.Kind.RAISE), None)
    if first is None:
        return
    for raising, kinds in RAISED_WITH.items():
        missing = [str(kind) for kind in kinds if not _of(tools, kind, raising)]
        if missing:
            text = f"a bay with {raising} lacks {' and '.join(missing)}: add to the tools"
            yield Wrong(text, step=first.number)


def _seeing_tools(steps: Sequence[Step], tools: Sequence[Tool]) -> Iterator[Wrong]:
    """What a step needs to be seen by: a spirit level, a lamp."""
    for step in steps:
        level = step.kind == Step.Kind.LEVEL_VEHICLE
        light = step.kind == Step.Kind.LEAK_CHECK or LIGHT in step.text
        for needed, kind in ((level, Kind.SPIRIT_LEVEL), (light, Kind.LAMP)):
            if needed and not _of(tools, kind):
                text = f"step {step.number} ({step.kind}) needs a {kind}: add it to the tools"
                yield Wrong(text, step=step.number)


def _bleeding_tools(tools: Sequence[Tool]) -> Iterator[Wrong]:
    if not _of(tools, Kind.PRESSURE_BLEEDER) and not _of(tools, Kind.SECOND_PERSON):
        yield Wrong(
            "bleeding needs a pressure bleeder, or a second person at the pedal: "
            "add one to the tools"
        )
