"""Duty classes against a plain account, vehicle by vehicle and month by month."""

import math

import numpy as np
import pytest

from fleet.calc.duty import Condition, Criterion, assess

KINDS = ("engine", "gearbox")
CRITERIA = (
    Criterion("hot", KINDS, (), ((Condition("heat_c", ">=", 38),),), "km", 0.25, "x", 4),
    Criterion("idle", ("engine",), ("diesel",),
              ((Condition("idle_share", ">", 0.3), Condition("trip_km", "<", 10)),
               (Condition("declared", ">=", 1),)), "engine_h", 0.5, "x", 3),
    Criterion("short", ("gearbox",), (), ((Condition("trip_km", "<=", 5),),), "km", 0.4, "x", 1),
)  # fmt: skip
SIGNS = {">=": lambda a, b: a >= b, ">": lambda a, b: a > b, "<": lambda a, b: a < b,
         "<=": lambda a, b: a <= b}  # fmt: skip


def held(criterion: Criterion, values: dict[str, float], declared: bool) -> bool | None:
    """Whether a month's conditions held; None where what was not measured decides."""
    told = []
    for alternative in criterion.alternatives:
        each = []
        for one in alternative:
            value = float(declared) if one.measure == "declared" else values[one.measure]
            each.append(None if math.isnan(value) else SIGNS[one.comparison](value, one.limit))
        told.append(False if False in each else None if None in each else True)
    return True if True in told else None if None in told else False


def exposure(
    criterion: Criterion, months: list[dict[str, float]], declared: list[bool], at: int
) -> tuple[float, bool]:
    """Weighted share of the window that ends with a month, and whether declared use stands in."""
    known = spent = measured = 0.0
    for month in range(max(at - criterion.window_months + 1, 0), at + 1):
        weight, found = months[month][criterion.weight], None
        if not math.isnan(weight):
            found = held(criterion, months[month], declared[month])
        if found is None:
            continue
        measured, known = measured + 1, known + weight
        spent += weight if found else 0.0
    if measured < 0.25 * criterion.window_months or known <= 0:
        return float(declared[at]), True
    return spent / known, False


def drawn(rng: np.random.Generator, months: int) -> list[dict[str, float]]:
    found = []
    for _ in range(months):
        month = {
            "km": float(rng.choice([0, 500, 1_000])), "engine_h": float(rng.choice([0, 10, 40])),
            "heat_c": float(rng.choice([30, 38, 40])), "idle_share": float(rng.choice([0.3, 0.5])),
            "trip_km": float(rng.choice([5, 8, 10, 20])),
        }  # fmt: skip
        for name in month:
            if rng.random() < 0.25:
                month[name] = math.nan
        found.append(month)
    return found


@pytest.mark.parametrize("first_month", [0, 1, 5])
@pytest.mark.parametrize("seed", range(4))
def test_classes_and_exposures_are_those_of_a_plain_account(seed: int, first_month: int) -> None:
    rng = np.random.default_rng(seed)
    vehicles, months = 6, 14
    powertrains = ["diesel", "petrol"] * 3
    rows = [drawn(rng, months) for _ in range(vehicles)]
    declared = rng.random((3, vehicles, months)) < 0.4
    previous = rng.integers(-1, 2, (vehicles, 2))
    strictest = rng.random((vehicles, 2, months - first_month)) < 0.3
    measures = {name: [[month[name] for month in row] for row in rows] for name in rows[0][0]}
    found = assess(CRITERIA, KINDS, powertrains, measures, declared, first_month=first_month,
                   previous=previous, strictest=strictest)  # fmt: skip
    for vehicle in range(vehicles):
        shares = {}
        for number, criterion in enumerate(CRITERIA):
            for at in range(months):
                use = declared[number, vehicle].tolist()
                share, stood_in = exposure(criterion, rows[vehicle], use, at)
                applies = not criterion.powertrains or powertrains[vehicle] in criterion.powertrains
                shares[number, at] = share if applies else math.nan
                if at < first_month:
                    continue
                told = found.exposure[number, vehicle, at - first_month]
                assert told == pytest.approx(shares[number, at], nan_ok=True)
                assert found.stood_in[number, vehicle, at - first_month] == (applies and stood_in)
        for k, kind in enumerate(KINDS):
            mine = [n for n, one in enumerate(CRITERIA) if kind in one.compartments]
            before = int(previous[vehicle, k])
            severe = before > 0
            for at in range(first_month, months):
                reached = any(shares[n, at] >= CRITERIA[n].share_limit - 1e-9 for n in mine)
                calm = at > 0 and all(
                    not shares[n, month] >= 0.8 * CRITERIA[n].share_limit - 1e-9
                    for n in mine
                    for month in (at - 1, at)
                )
                stays = not calm or strictest[vehicle, k, at - first_month]
                severe = reached or (severe and bool(stays))
                assert found.severe[vehicle, k, at - first_month] == severe
                changed = before != int(severe)
                assert found.changed[vehicle, k, at - first_month] == changed
                before = int(severe)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"heat_c": None}, "No such measure: heat_c"),
        ({"km": [[1.0, 2], [1, 2]]}, "not vehicles × months"),
        ({"heat_c": [[1.0, 2, 3]]}, "heat_c has shape"),
        ({"km": [[1.0, -1]]}, "km is below 0"),
    ],
)
def test_measures_are_there_fit_together_and_are_no_weights_below_nothing(
    wrong: dict[str, object], said: str
) -> None:
    given = {"km": [[1.0, 2.0]], "heat_c": [[1.0, 2.0]]} | wrong
    given = {name: one for name, one in given.items() if one is not None}
    with pytest.raises(ValueError, match=said):
        assess(CRITERIA[:1], KINDS, ["diesel"], given, [[False]])  # type: ignore[arg-type]


@pytest.mark.parametrize("first_month", [-1, 2])
def test_the_first_month_is_one_of_those_there_are(first_month: int) -> None:
    given = {"km": [[1.0, 2.0]], "heat_c": [[1.0, 2.0]]}
    with pytest.raises(ValueError, match=f"first_month {first_month} is not one of the 2 months"):
        assess(CRITERIA[:1], KINDS, ["diesel"], given, [[False]], first_month=first_month)
