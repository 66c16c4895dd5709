"""Verdicts on generated fleets with spells of standing: with the rules for standing, and without.

Without them every day weighs alike in the verdicts, and nothing is confirmed by the next reading.
"""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import date
from typing import Any
from unittest.mock import patch

import numpy as np

from fleet.calc import expectations, verdicts
from fleet.calc.judging import Judging
from fleet.calc.verdict_rows import Ints
from fleet.hindcast import fault_trial
from fleet.hindcast.histories import Meters
from tests.generator import HARSHNESS, generate, histories, readings

MOST_VEHICLES = 120
SPELLS = {"few short spells": (0.4, 21.0), "spells of 45 days": (0.5, 45.0), "long": (0.8, 90.0)}
UNTIL_ON = date(2021, 12, 31)


def run(vehicles: int) -> None:
    """Print recall, right reason, false alarms and loss of score, old beside new."""
    for name, (per_year, mean_d) in SPELLS.items():
        rules = replace(HARSHNESS["middle"], parked_per_year=per_year, parked_d=mean_d)
        count = min(vehicles, MOST_VEHICLES)
        fleet = generate(rules, count, 4, seed=1)
        known = histories(fleet, readings(fleet, seed=2))
        with _as_before():
            old = fault_trial.trial(_meters(known), known, UNTIL_ON)
        new = fault_trial.trial(_meters(known), known, UNTIL_ON)
        print(f"  {name}: {new['readings']:,} readings, old → new")
        print(f"    held though right, of clean readings {_pair(old, new, 'false_alarms')}")
        for trial in new["trials"]:
            before, after = old["trials"][trial], new["trials"][trial]
            figures = ("recall", "right_reason", "false_alarms_beside_faults", "skill_loss")
            told = "; ".join(f"{it.replace('_', ' ')} {_pair(before, after, it)}" for it in figures)
            print(f"    {trial} ({after['material']} material): {told}")


def _pair(old: dict[str, Any], new: dict[str, Any], name: str) -> str:
    return f"{old[name]:.4f} → {new[name]:.4f}"


@contextmanager
def _as_before() -> Iterator[None]:
    with ExitStack() as stack:
        stack.enter_context(patch.object(expectations, "LESSON", 1.0))
        stack.enter_context(patch.object(verdicts, "accept_confirming", _accept_alone))
        yield


def _accept_alone(judging: Judging, rows: Ints, pos: Ints) -> None:
    base = judging.base(rows)
    judging.accept(rows, pos, base, base.step(judging.batch.at_d[pos]))


def _meters(known: Any) -> Meters:
    n = len(known)
    each = {name: np.arange(n) for name in ("id", "vehicle_id", "type_id", "depot_id")}
    return Meters(
        **each,
        class_row=known.class_row,
        rate=known.rate,
        spread=known.spread,
        top_km_per_day=np.full(n, 900.0),
        unit_km=np.ones(n),
        names={},
    )
