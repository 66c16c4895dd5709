"""What the book says on a card: steps with their cautions, and what a procedure lacks.

It follows from rows alone. They are read for every card, and what followed from the same rows is
kept by a digest of all that they hold, so that it is worked out anew as soon as a word differs.
"""

import json
from collections import OrderedDict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from operator import attrgetter
from threading import Lock
from typing import Any, TypeVar

from django.db.models import Model

from fleet.vehicles.models import VehicleType
from fleet.workorders.cardsteps import (
    CardFastener,
    CardReCheck,
    CardStep,
    Setting,
    card_fasteners,
    card_re_checks,
    card_steps,
    general_cautions,
    re_check_cautions,
)
from fleet.workorders.models import Caution, Material, Procedure, Tool
from fleet.workorders.rules import re_check_words, retorque_after_km
from fleet.workorders.validate import unsound

T = TypeVar("T")
Key = tuple[Any, ...]
MOST_KEPT = 1_000  # of a procedure in a setting, 20 kB each; our choice


class Kept:
    """What was worked out from rows, by what they hold; that used least lately goes first."""

    def __init__(self, most: int) -> None:
        self.most, self.lock = most, Lock()
        self.found: OrderedDict[Key, Any] = OrderedDict()

    def of(self, key: Key, work: Callable[[], T]) -> T:
        with self.lock:
            if key in self.found:
                self.found.move_to_end(key)
                known: T = self.found[key]
                return known
        made = work()
        with self.lock:
            self.found[key] = made
            if len(self.found) > self.most:
                self.found.popitem(last=False)
        return made


_kept = Kept(MOST_KEPT)


@dataclass(frozen=True)
class Page:
    """What the book says of a procedure in a setting."""

    steps: tuple[CardStep, ...]
    tools: tuple[str, ...]
    fasteners: tuple[CardFastener, ...]
    materials: tuple[Material, ...]
    retorque_after_km: float | None
    re_check: str
    printed_only: bool
    re_checks: tuple[CardReCheck, ...]
    lacking: tuple[str, ...]


class Book:
    """What the book says, worked out once for all the cards on which it reads alike."""

    def __init__(self, cautions: Sequence[Caution]) -> None:
        self._all, self._cautions = cautions, digest(cautions)
        self._of_type, self._of_procedure = cache(_of_type), cache(_of_procedure)
        self._fasteners, self.page = cache(card_fasteners), cache(self._page)
        self.cautions = cache(lambda setting, system: general_cautions(setting, system, cautions))
        self.re_checks = cache(
            lambda setting, service: card_re_checks(setting, service.re_check_rules.all())
        )
        self.re_check_cautions = cache(
            lambda setting, service: re_check_cautions(setting, service, cautions)
        )

    def _page(self, setting: Setting, procedure: Procedure) -> Page:
        rules = list(procedure.re_check_rules.all())
        return Page(
            steps=self._steps(setting, procedure),
            tools=_tools(setting.raising, procedure),
            fasteners=tuple(self._fasteners(procedure).values()),
            materials=_materials(procedure),
            retorque_after_km=retorque_after_km(procedure, rules),
            re_check=re_check_words(procedure, rules, setting.unit),
            printed_only=not rules and bool(procedure.re_check),
            re_checks=self.re_checks(setting, procedure.service),
            lacking=self._lacking(procedure),
        )

    def _steps(self, setting: Setting, procedure: Procedure) -> tuple[CardStep, ...]:
        key = (
            *("steps", self._of_procedure(procedure), self._cautions, setting.raising),
            *(self._of_type(setting.vehicle_type), setting.salted_roads),
        )
        fasteners = self._fasteners(procedure)
        return _kept.of(key, lambda: card_steps(setting, procedure, fasteners, self._all))

    def _lacking(self, procedure: Procedure) -> tuple[str, ...]:
        service = procedure.service
        key = (
            *("lacking", self._of_procedure(procedure), self._cautions),
            self._of_type(service.vehicle_type),
        )
        return _kept.of(key, lambda: tuple(unsound(procedure, self._all)))


def _of_type(vehicle_type: VehicleType) -> bytes:
    return digest([vehicle_type])


def _of_procedure(procedure: Procedure) -> bytes:
    """A digest of what is entered of a procedure, and of what it is done on."""
    own = (procedure, procedure.service, procedure.service.compartment)
    parts = (procedure.steps, procedure.fasteners, procedure.materials, procedure.service.figures)
    return digest([*own, *(row for rows in parts for row in rows.all())])


def digest(rows: Iterable[Model]) -> bytes:
    """A digest of all that some rows hold: another as soon as anything in them differs."""
    held = [(row._meta.label, *_columns(type(row))(row)) for row in rows]
    return sha256(json.dumps(held, default=str).encode()).digest()


@cache
def _columns(model: type[Model]) -> Callable[[Model], tuple[Any, ...]]:
    names = [field.attname for field in model._meta.concrete_fields]
    values: Callable[[Model], tuple[Any, ...]] = attrgetter(*names)
    return values


_TOOLS = {kind: at for at, kind in enumerate(Tool.Kind.values)}
_MATERIALS = {kind: at for at, kind in enumerate(Material.Kind.values)}


def _tools(raising: str, procedure: Procedure) -> tuple[str, ...]:
    """What to fetch in this bay: wrenches first, then what they drive, then the rest."""
    found = [tool for tool in procedure.tools.all() if tool.is_for(raising)]
    return tuple(str(tool) for tool in sorted(found, key=lambda tool: _TOOLS[tool.kind]))


def _materials(procedure: Procedure) -> tuple[Material, ...]:
    """Fluid first, spares last: the order in which a mechanic thinks of them."""
    return tuple(sorted(procedure.materials.all(), key=lambda row: _MATERIALS[row.kind]))
