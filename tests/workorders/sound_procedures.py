"""One sound procedure per family, so that between them every hazard begins, and begins again.

The order of work is common practice, no source; figures and seals are invented.
"""

from fleet.workorders.models import Material, Procedure, Step
from tests.workorders.gearbox_procedure import INVENTED, ProcedureRows, plug, washer

Line = tuple[str, str]  # kind; marks: u under the vehicle, e engine running, c to confirm
LEVEL_PLUG: tuple[Line, ...] = (
    *(("drive", ""), ("raise", ""), ("level vehicle", "u"), ("open fill plug", "u")),
    *(("open drain plug", "u"), ("drain", "u"), ("inspect", "u"), ("close drain plug", "u")),
    *(("fill", "u"), ("close fill plug", "u"), ("lower", ""), ("run", "e"), ("drive", "")),
    *(("raise", ""), ("leak check", "u"), ("lower", ""), ("clean up", "")),
)
ENGINE_OIL: tuple[Line, ...] = (
    *(("open cap", ""), ("raise", ""), ("open drain plug", "u"), ("drain", "u"), ("filter", "u")),
    *(("close drain plug", "u"), ("lower", ""), ("fill", ""), ("close cap", ""), ("run", "e")),
    *(("wait", ""), ("read level", ""), ("run", "e"), ("wait", ""), ("close cap", "")),
    *(("raise", ""), ("leak check", "u"), ("lower", ""), ("clean up", "")),
)
SUCTION: tuple[Line, ...] = (
    *(("open cap", ""), ("suction", ""), ("filter", ""), ("fill", ""), ("close cap", "")),
    *(("run", "e"), ("wait", ""), ("read level", ""), ("leak check", ""), ("clean up", "")),
)
AT_TEMPERATURE: tuple[Line, ...] = (
    *(("raise", ""), ("open drain plug", "u"), ("drain", "u"), ("close drain plug", "u")),
    *(("fill", "u"), ("run", "ue"), ("read level", "uec"), ("close fill plug", "u")),
    *(("leak check", "u"), ("run", "ue"), ("lower", ""), ("clean up", "")),
)
COOLANT: tuple[Line, ...] = (
    *(("open cap", ""), ("raise", ""), ("drain", "u"), ("lower", ""), ("fill", "")),
    *(("bleed", ""), ("close cap", ""), ("run", "e"), ("wait", ""), ("open cap", "")),
    *(("read level", ""), ("measure", ""), ("close cap", ""), ("raise", "")),
    *(("leak check", "u"), ("lower", ""), ("clean up", "")),
)
BRAKE: tuple[Line, ...] = (
    *(("open cap", ""), ("suction", ""), ("fill", ""), ("raise", ""), ("bleed", "u")),
    *(("refit", "u"), ("lower", ""), ("close cap", ""), ("firm pedal", ""), ("brake test", "")),
    *(("drive", ""), ("firm pedal", ""), ("clean up", "")),
)
SEALING_PLUG: tuple[Line, ...] = (
    *(("raise", ""), ("open plug", "u"), ("close plug", "u"), ("cure", "u"), ("fill", "u")),
    *(("leak check", "u"), ("lower", ""), ("clean up", "")),
)
FLUSHING: tuple[Line, ...] = (
    *(("raise", ""), ("drain", "u"), ("lower", ""), ("fill", ""), ("run", "e"), ("raise", "")),
    *(("drain", "u"), ("lower", ""), ("fill", ""), ("run", "e"), ("clean up", "")),
)
PLUGS = {
    "close drain plug": "drain-plug",
    "close fill plug": "fill-plug",
    "close plug": "sealing-plug",
}


def laid_out(lines: tuple[Line, ...]) -> list[Step]:
    return [
        Step(
            number=at,
            kind=kind,
            text=f"{kind}.",
            under_vehicle="u" in marks,
            engine_running="e" in marks,
            confirm="c" in marks,
            wait_min=60 if kind == "cure" else None,
            fastener=PLUGS.get(kind, ""),
        )
        for at, (kind, marks) in enumerate(lines, start=1)
    ]


def sound(
    family: str,
    lines: tuple[Line, ...],
    used: str = "used oil",
    system: str = "",
    powertrain: str = "diesel",
    *,
    wheels: bool = False,
) -> ProcedureRows:
    sealing = plug("sealing-plug", 24.4)
    sealing.seal = "sealant"
    oil = Material(kind="fluid", name="Oil", quantity_ml=100, source=INVENTED)
    return ProcedureRows(
        procedure=Procedure(
            family=family,
            used_fluid_class=used,
            wheels_removed=wheels,
            wheel_nut_torque_nm=180,
            retorque_after_km=50,
        ),
        steps=laid_out(lines),
        fasteners=[plug("drain-plug", 39.3), plug("fill-plug", 44.7), sealing],
        materials=[washer("drain-plug"), washer("fill-plug"), washer("sealing-plug"), oil],
        system=system,
        powertrain=powertrain,
    )


def sound_procedures() -> dict[str, ProcedureRows]:
    """By name; made anew for each test, which may spoil them."""
    return {
        "level plug": sound("level plug", LEVEL_PLUG, system="gearbox"),
        "electric": sound("level plug", LEVEL_PLUG, system="reduction gear", powertrain="electric"),
        "engine oil": sound("engine oil", ENGINE_OIL, system="engine"),
        "suction": sound("engine oil", SUCTION, system="engine"),
        "at temperature": sound("level at temperature", AT_TEMPERATURE, system="gearbox"),
        "coolant": sound("coolant", COOLANT, "used coolant", "cooling"),
        "brake fluid": sound("brake fluid", BRAKE, "used brake fluid", "brake", wheels=True),
        "flushing": sound("other", FLUSHING, system="engine", powertrain="hybrid"),
        "sealing plug": sound("sealing plug", SEALING_PLUG, system="gearbox"),
    }
