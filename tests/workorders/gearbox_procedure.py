"""A gearbox oil change by the rules of its family, as unsaved rows that a test can spoil."""

from dataclasses import dataclass, field, replace
from typing import Any

from fleet.workorders import families
from fleet.workorders.models import Caution, Fastener, Material, Procedure, Step

KINDS = (
    ("level vehicle", True),
    ("open fill plug", True),
    ("open drain plug", True),
    ("drain", True),
    ("inspect", True),
    ("close drain plug", True),
    ("fill", True),
    ("close fill plug", True),
    ("run", False),
    ("leak check", True),
)
PLUG_OF = {"close drain plug": "drain-plug", "close fill plug": "fill-plug"}
INVENTED = "invented for the tests"


def caution(slug: str, **conditions: Any) -> Caution:
    return Caution(slug=slug, text=f"{slug}.", source=INVENTED, **conditions)


HIGH_VOLTAGE = ["electric", "hybrid"]
BURNING = ["diesel", "hybrid"]
SEALED = ["close drain plug", "close fill plug", "close plug"]


def cautions() -> list[Caution]:
    """What every procedure of the tests needs; tests/workorders/test_cautions.py spoils each."""
    up = {"step_kinds": ["raise"], "under_vehicle": True, "demands": ["standing"]}
    standing = {"only_while": ["standing"]}
    held = standing | {"demands": ["standing"]}
    return [
        caution("raised-on-lift", raising=["lift"], **up),
        caution("raised-on-stands", raising=["jack and stands"], **up),
        caution("raised-on-ramps", raising=["ramps"], **up),
        caution("over-a-pit", raising=["pit"], **up),
        caution("key-out", under_vehicle=True, only_while=["engine off"], demands=["key out"]),
        caution("falling-dirt", under_vehicle=True),
        caution("hot-exhaust", under_vehicle=True, powertrains=BURNING, returns="each time hot"),
        caution("shifting-load", step_kinds=["raise"], under_vehicle=True, returns="each job"),
        caution("exhaust-gas", engine_running=True, **standing),
        caution("moving-parts", step_kinds=["run"], returns="each run", **held),
        caution(
            "running-above-you",
            under_vehicle=True,
            only_while=["engine running"],
            demands=["standing"],
            returns="each run",
        ),
        caution("vehicle-moves", step_kinds=["drive", "brake test"], returns="each step"),
        caution("high-voltage", powertrains=HIGH_VOLTAGE),
        caution("charge-lead", powertrains=HIGH_VOLTAGE),
        caution("battery-case", step_kinds=["raise"], under_vehicle=True, powertrains=HIGH_VOLTAGE),
        caution(
            "ready-mode", step_kinds=["run"], powertrains=HIGH_VOLTAGE, returns="each run", **held
        ),
        caution(
            "hot-fluid",
            step_kinds=["open drain plug", "drain", "suction"],
            returns="each time hot",
        ),
        caution("used-fluid", step_kinds=["drain", "suction"]),
        caution("used-oil", step_kinds=["drain", "suction", "filter"], used_fluids=["used oil"]),
        caution(
            "coolant-only-cold",
            step_kinds=["open cap", "drain", "bleed", "read level", "measure"],
            families=["coolant"],
            demands=["cold"],
            returns="each time hot",
        ),
        caution("coolant-poisonous", step_kinds=["drain", "fill", "measure"], families=["coolant"]),
        caution("brake-fluid-sealed", step_kinds=["fill"], families=["brake fluid"]),
        caution(
            "brake-fluid-eyes",
            step_kinds=["open cap", "suction", "bleed", "measure"],
            families=["brake fluid"],
        ),
        caution("brake-service-mode", step_kinds=["suction", "bleed"], families=["brake fluid"]),
        caution("firm-pedal", step_kinds=["firm pedal"], demands=["standing"], returns="each step"),
        caution("cap-on", step_kinds=["run"], families=["engine oil"], returns="each run"),
        caution("overfill", step_kinds=["read level"], families=["engine oil"]),
        caution("cap-closed", step_kinds=["close cap"], returns="each step"),
        caution("plug-by-hand", step_kinds=[*SEALED, "filter"], returns="each step"),
        caution("cross-thread", step_kinds=SEALED),
        caution("seal-face", step_kinds=[*SEALED, "filter"], returns="each step"),
        caution("wheel-nuts", wheels_removed=True),
        caution("plug-may-be-seized", step_kinds=["open drain plug"], salted_roads=True),
    ]


def plug(slug: str, torque_nm: float) -> Fastener:
    return Fastener(
        slug=slug,
        name=slug.replace("-", " "),
        torque_nm=torque_nm,
        stated_unit="lbf·ft",
        seal="sealing washer",
        seal_size="18 × 24 × 1.5 mm",
        source=INVENTED,
    )


def washer(slug: str) -> Material:
    return Material(kind="seal", name="Sealing washer", pieces=1, fastener=slug, source=INVENTED)


def steps() -> list[Step]:
    return [
        Step(
            number=at,
            kind=kind,
            text=f"{kind}.",
            under_vehicle=under,
            engine_running=kind == "run",
            fastener=PLUG_OF.get(kind, ""),
        )
        for at, (kind, under) in enumerate(KINDS, start=1)
    ]


@dataclass(frozen=True)
class ProcedureRows:
    procedure: Procedure = field(
        default_factory=lambda: Procedure(
            family="level plug", edition="2024", used_fluid_class="used oil", source=INVENTED
        )
    )
    steps: list[Step] = field(default_factory=steps)
    # worked example, common practice, no source: 29 and 33 lbf·ft
    fasteners: list[Fastener] = field(
        default_factory=lambda: [plug("drain-plug", 39.31872), plug("fill-plug", 44.74199)]
    )
    materials: list[Material] = field(
        default_factory=lambda: [washer("drain-plug"), washer("fill-plug")]
    )
    cautions: list[Caution] = field(default_factory=cautions)
    powertrain: str = "diesel"
    system: str = ""

    def but(self, **changes: object) -> "ProcedureRows":
        return replace(self, **changes)

    def faults(self) -> list[str]:
        return families.faults(
            self.procedure,
            self.steps,
            self.fasteners,
            self.materials,
            self.cautions,
            self.powertrain,
            self.system,
        )
