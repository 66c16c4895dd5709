"""The shipped table of criteria, and small fleets to try it on."""

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fleet.calc.duty import Assessment, Condition, Criterion, assess

TABLE = Path(__file__).parents[2] / "fixtures" / "criteria.csv"
ALL_KINDS = ("engine", "gearbox", "final drive", "cooling", "brake")


def shipped() -> dict[str, Criterion]:
    with TABLE.open(encoding="utf-8", newline="") as file:
        return {row["slug"]: _criterion(row) for row in csv.DictReader(file)}


def _criterion(row: dict[str, str]) -> Criterion:
    return Criterion(
        slug=row["slug"],
        compartments=tuple(row["compartments"].split(";")),
        powertrains=tuple(filter(None, row["powertrains"].split(";"))),
        alternatives=tuple(
            tuple(_condition(text) for text in group.split("&"))
            for group in row["conditions"].split("|")
        ),
        weight=row["weight"],  # type: ignore[arg-type]
        window_months=int(row["window_months"]),
        share_limit=float(row["share_limit"]),
        source=row["source"],
    )


def _condition(text: str) -> Condition:
    measure, comparison, limit = text.split()
    return Condition(measure, comparison, float(limit))  # type: ignore[arg-type]


def one_van(
    criterion: Criterion, *, kind: str = "engine", powertrain: str = "diesel",
    declared: bool = False, km: Sequence[float] | None = None, **columns: Any,
) -> Assessment:  # fmt: skip
    """One vehicle under one criterion: 1,000 km and 40 engine hours a month unless given."""
    months = max(np.atleast_1d(column).size for column in columns.values())
    weights = {"km": np.full(months, 1000.0) if km is None else np.asarray(km, dtype=float)}
    options = {n: columns.pop(n) for n in ("first_month", "previous", "strictest") if n in columns}
    measures = {"engine_h": np.full(months, 40.0)} | weights | columns
    table: dict[str, npt.ArrayLike] = {
        name: np.broadcast_to(np.asarray(column, dtype=float), (1, months))
        for name, column in measures.items()
    }
    return assess([criterion], [kind], [powertrain], table, [[declared]], **options)


def classes(assessment: Assessment) -> str:
    """The first vehicle's first compartment as a row of letters, N normal and S severe."""
    return "".join("NS"[int(severe)] for severe in assessment.severe[0, 0])
