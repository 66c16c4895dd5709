"""Tools that do the work: common practice, no source, for what turns, drives and loosens what."""

from dataclasses import dataclass, field, replace
from importlib import import_module
from typing import Any

import pytest
from django.apps import apps

from fleet.workorders import fit
from fleet.workorders.models import Fastener, Material, Procedure, Step, Tool
from tests.workbook.small import load_small, small_workbook

HALF, THREE_EIGHTHS = "1/2 in square", "3/8 in square"
migration: Any = import_module("fleet.workorders.migrations.0009_tools_that_fit")


def plug(**changes: Any) -> Fastener:
    given = {"name": "Drain plug", "torque_nm": 39.3, "drive": "17 mm internal hexagon"}
    return Fastener(slug="drain-plug", **(given | changes))


def tools() -> dict[str, Tool]:
    """What a level-plug change on stands, ramps or a pit takes."""
    fitted = {
        "wrench": Tool(kind="torque wrench", drive=HALF, least_nm=20, most_nm=100),
        "bar": Tool(kind="ratchet or breaker bar", drive=HALF),
        "adapter": Tool(kind="adapter or extension", drive=HALF, turns=THREE_EIGHTHS),
        "bit": Tool(kind="socket or bit", drive=THREE_EIGHTHS, turns="17 mm internal hexagon"),
    }
    names = ("jack", "stands", "ramps", "chocks", "spirit level", "lamp")
    return fitted | {name: Tool(kind=name) for name in names}


@dataclass(frozen=True)
class Card:
    procedure: Procedure = field(default_factory=lambda: Procedure(family="level plug"))
    steps: list[Step] = field(
        default_factory=lambda: [
            Step(number=1, kind="raise", text="Raise it."),
            Step(number=2, kind="level vehicle", text="Level it."),
            Step(number=3, kind="leak check", text="No seep."),
        ]
    )
    fasteners: list[Fastener] = field(default_factory=lambda: [plug()])
    materials: list[Material] = field(default_factory=list)
    tools: dict[str, Tool] = field(default_factory=tools)

    def but(self, **changes: Any) -> "Card":
        return replace(self, **changes)

    def without(self, *names: str) -> list[str]:
        left = [tool for name, tool in self.tools.items() if name not in names]
        parts = (self.steps, self.fasteners, self.materials, left)
        return [wrong.text for wrong in fit.misfits(self.procedure, *parts)]


def test_tools_that_fit_have_no_faults() -> None:
    assert Card().without() == []


@pytest.mark.parametrize(
    ("tool", "fault"),
    [
        (
            "bit",
            "no tool turns Drain plug (17 mm internal hexagon): add its socket, bit or spanner",
        ),
        ("wrench", "no torque wrench for 39.3 N·m fits what turns Drain plug"),
        ("bar", "only a torque wrench would loosen Drain plug"),
        ("adapter", "no torque wrench for 39.3 N·m fits what turns Drain plug"),
        ("jack", "a bay with jack and stands lacks jack: add to the tools"),
        ("stands", "a bay with jack and stands lacks stands: add to the tools"),
        ("ramps", "a bay with ramps lacks ramps: add to the tools"),
        ("chocks", "a bay with pit lacks chocks: add to the tools"),
        ("spirit level", "step 2 (level vehicle) needs a spirit level: add it to the tools"),
        ("lamp", "step 3 (leak check) needs a lamp: add it to the tools"),
    ],
)
def test_a_tool_taken_away_is_missed(tool: str, fault: str) -> None:
    assert any(text.startswith(fault) for text in Card().without(tool))


def test_each_missing_tool_is_named_once() -> None:
    for tool in ("bit", "wrench", "bar", "jack", "stands", "ramps", "spirit level", "lamp"):
        assert len(Card().without(tool)) == 1, tool


def test_a_figure_must_lie_in_the_range_of_the_wrench() -> None:
    assert Card().but(fasteners=[plug(torque_nm=20)]).without() == []
    assert Card().but(fasteners=[plug(torque_nm=100)]).without() == []
    for outside in ({"torque_nm": 19.9}, {"torque_nm": 100.1}, {"torque_max_nm": 110}):
        (fault,) = Card().but(fasteners=[plug(**outside)]).without()
        assert fault.startswith("no torque wrench for")
    kit = tools()
    kit["wrench"].least_nm = kit["wrench"].most_nm = None  # unknown: nothing is held against it
    assert Card(fasteners=[plug(torque_nm=300)], tools=kit).without() == []


def test_a_plug_with_a_square_needs_no_socket() -> None:
    square = Card().but(fasteners=[plug(drive=HALF)])
    assert square.without("bit", "adapter") == []
    assert square.without("bit", "adapter", "bar") == [
        "only a torque wrench would loosen Drain plug: add a ratchet or breaker bar that fits"
    ]
    assert square.without("bar", "wrench", "adapter")[0].startswith("no tool turns Drain plug")


def test_adapters_lead_on_in_whatever_order_they_stand() -> None:
    kit = tools()
    kit["bit"].drive = "1/4 in square"
    kit = {
        "down": Tool(kind="adapter or extension", drive="3/8 in Square", turns="1/4 in square")
    } | kit
    assert Card(tools=kit).without() == []
    assert len(Card(tools=kit).without("down")) == 2  # neither tightened nor loosened


def test_a_spanner_loosens_but_gives_no_torque() -> None:
    spanner = {"spanner": Tool(kind="spanner", turns="17 mm internal hexagon")}
    card = Card().but(tools=tools() | spanner)
    assert card.without("bar") == []
    (fault,) = card.without("bit")
    assert fault.startswith("no torque wrench for 39.3 N·m fits")


def test_a_fastener_needs_its_drive() -> None:
    (fault,) = Card().but(fasteners=[plug(drive=" ")]).without()
    assert fault.startswith("Drain plug has no drive: give it")


def test_a_bolt_names_its_fastener_and_a_clip_none() -> None:
    def fixing(name: str, **more: str) -> Material:
        return Material(kind="one-time fixing", name=name, pieces=2, **more)

    (fault,) = Card().but(materials=[fixing("Undertray bolt M6")]).without()
    assert fault.startswith("Undertray bolt M6 is a bolt: name its fastener")
    named = fixing("Undertray bolt M6", fastener="drain-plug")
    other = Material(kind="seal", name="Washer for M6", pieces=1)
    assert Card().but(materials=[named, fixing("Undertray clip"), other]).without() == []


def test_wheels_come_off_with_their_socket_and_a_wrench_for_their_torque() -> None:
    off = Card().but(
        procedure=Procedure(family="level plug", wheels_removed=True, wheel_nut_torque_nm=180)
    )
    assert off.without()[0].startswith("no tool turns the wheel nuts (wheel nut)")
    nuts = {"nuts": Tool(kind="socket or bit", drive=HALF, turns="wheel nut")}
    (fault,) = off.but(tools=tools() | nuts).without()
    assert fault.startswith("no torque wrench for 180.0 N·m fits what turns the wheel nuts")
    nuts["big"] = Tool(kind="torque wrench", drive=HALF, least_nm=60, most_nm=320)
    assert off.but(tools=tools() | nuts).without() == []


def test_bleeding_takes_a_pressure_bleeder_or_a_second_person() -> None:
    brake = Card().but(procedure=Procedure(family="brake fluid"))
    (fault,) = brake.without()
    assert fault.startswith("bleeding needs a pressure bleeder, or a second person")
    for kind in ("pressure bleeder", "second person"):
        assert brake.but(tools=tools() | {kind: Tool(kind=kind)}).without() == []


def test_a_step_with_a_light_needs_a_lamp() -> None:
    step = Step(number=1, kind="inspect", text="Look at it with a light.")
    assert Card().but(steps=[step]).without("lamp") == [
        "step 1 (inspect) needs a lamp: add it to the tools"
    ]
    assert Card().but(steps=[Step(number=1, kind="inspect", text="Look.")]).without("lamp") == []


def test_a_jack_for_ramps_does_not_serve_a_bay_with_stands() -> None:
    kit = tools()
    kit["jack"].raising = ["ramps"]
    assert Card(tools=kit).without() == ["a bay with jack and stands lacks jack: add to the tools"]
    kit["jack"].raising = ["jack and stands", "pit"]
    assert Card(tools=kit).without() == []


@pytest.mark.django_db
def test_tools_that_stand_say_what_they_are_where_their_words_do() -> None:
    load_small(small_workbook())
    procedure = Procedure.objects.get()
    procedure.tools.all().delete()
    given = {
        "Torque wrench": "20 to 100 N·m, 1/2 in square",
        "Hexagon bit": "8 mm, 3/8 in square",
        "Socket": "13 mm, 1/2 in square",
        "Orbital sander": "bits",  # holds no word of the list: stays as it is
    }
    for name, size in given.items():
        procedure.tools.create(name=name, size=size)
    migration.classify(apps, None)
    wanted = ("kind", "drive", "turns", "least_nm", "most_nm")
    assert {row.name: tuple(getattr(row, one) for one in wanted) for row in Tool.objects.all()} == {
        "Torque wrench": ("torque wrench", "1/2 in square", "", 20, 100),
        "Hexagon bit": ("socket or bit", "3/8 in square", "8 mm hexagon", None, None),
        "Socket": ("socket or bit", "1/2 in square", "13 mm hexagon", None, None),
        "Orbital sander": ("other", "", "", None, None),
    }
    assert procedure.tools.count() == len(given)
