"""A gearbox oil change by the rules of its family, as unsaved rows that a test can spoil."""

from dataclasses import dataclass, field, replace

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


def caution(slug: str, **conditions: object) -> Caution:
    return Caution(slug=slug, text=f"{slug}.", source=INVENTED, **conditions)


def cautions() -> list[Caution]:
    return [
        caution("raised-on-lift", raising=["lift"], under_vehicle=True),
        caution("raised-on-stands", raising=["jack and stands"], under_vehicle=True),
        caution("raised-on-ramps", raising=["ramps"], under_vehicle=True),
        caution("over-a-pit", raising=["pit"], under_vehicle=True),
        caution("key-out", under_vehicle=True),
        caution("exhaust-gas", engine_running=True),
        caution("high-voltage", powertrains=["electric", "hybrid"]),
        caution("hot-fluid", step_kinds=["drain"]),
        caution("used-fluid", step_kinds=["drain"]),
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
class Book:
    procedure: Procedure = field(
        default_factory=lambda: Procedure(family="level plug", edition="2024", source=INVENTED)
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

    def but(self, **changes: object) -> "Book":
        return replace(self, **changes)

    def faults(self) -> list[str]:
        return families.faults(
            self.procedure,
            self.steps,
            self.fasteners,
            self.materials,
            self.cautions,
            self.powertrain,
        )
