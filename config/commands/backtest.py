"""``sumpwise backtest``: how good the program's own dates would have been."""

import argparse
import json
from collections.abc import Iterator
from typing import Any

from config.bar import bar
from config.commands.due import day

COLUMNS = ("n", "crps", "skill_last_90", "skill_lifetime", "coverage_80", "coverage_95")
HEADINGS = ("forecasts", "score", "skill/90 d", "skill/life", "in 80 %", "in 95 %", "bias")


def register(commands: Any) -> None:
    backtest = commands.add_parser(
        "backtest",
        help="score the program's dates on your own past readings",
        description="Replays the accepted odometer readings and scores what would have been "
        "forecast at every month end against the year that followed. The score is in days "
        "(or km), 0 is perfect; skill is the share saved against going on like the last 90 days, "
        "or like the lifetime so far.",
    )
    backtest.add_argument(
        "--class", dest="vehicle_class", default="", metavar="C", help="TYPE or TYPE@DEPOT"
    )
    backtest.add_argument("--as-of", type=day, metavar="D", help="count readings up to this date")
    backtest.add_argument("--json", action="store_true", help="print one JSON object")
    backtest.add_argument(
        "--verdicts",
        action="store_true",
        help="put seeded faults into the readings and score the verdicts instead",
    )
    backtest.set_defaults(run=run_backtest)


def run_backtest(arguments: argparse.Namespace) -> int:
    if arguments.verdicts:
        return _run_verdicts(arguments)
    from fleet.hindcast import backtest

    with bar() as progress:
        result = backtest.backtest(arguments.vehicle_class, arguments.as_of, progress)
    backtest.keep(result)
    print(json.dumps(result, indent=1) if arguments.json else "\n".join(_lines(result)))
    return 0


def _run_verdicts(arguments: argparse.Namespace) -> int:
    from fleet.hindcast import fault_trial

    with bar() as progress:
        result = fault_trial.fault_trial(arguments.vehicle_class, arguments.as_of, progress)
    print(json.dumps(result, indent=1) if arguments.json else "\n".join(_verdict_lines(result)))
    return 0


def _lines(result: dict[str, Any]) -> Iterator[str]:
    drawn = f"a sample of {result['vehicles']} out of {result['vehicles_in_all']} vehicles"
    every = f"{result['vehicles']} vehicles"
    yield (
        f"{result['forecasts']} forecasts of {drawn if result['sampled'] else every}, made at "
        f"month ends from {result['first_month_end']} to {result['last_month_end']}."
    )
    yield from _table("Days until a distance is covered", result["distance"], "km", "bias_days")
    yield from _table("Distance covered after", result["horizon"], "d", "bias_km")
    for heading, groups in (("By class", "by_class"), ("By readings so far", "by_readings")):
        several = result[groups] if len(result[groups]) > 1 else {}
        for name, figures in several.items():
            yield from _table(f"{heading}: {name}", figures, "km", "bias_days")


def _table(title: str, figures: dict[str, Any], unit: str, bias: str) -> Iterator[str]:
    yield ""
    yield title
    yield " " * 10 + "".join(f"{heading:>12}" for heading in HEADINGS)
    for key, row in figures.items():
        cells = "".join(f"{_shown(row[name]):>12}" for name in (*COLUMNS, bias))
        yield f"{f'{key} {unit}':>10}{cells}"


def _shown(value: float | None) -> str:
    if value is None:
        return "–"
    return str(value) if isinstance(value, int) else f"{value:.3f}"


def _verdict_lines(result: dict[str, Any]) -> Iterator[str]:
    yield f"{result['readings']} accepted readings of {result['vehicles']} vehicles, judged again."
    yield f"False alarms on them as they stand: {_percent(result['false_alarms'])}"
    for name, part in result["trials"].items():
        yield ""
        yield f"{name}: {part['faults']} faults, {part['material']} larger than a week of use"
        right = _percent(part["right_reason"])
        yield f"  noticed {_percent(part['recall'])}, by the right name {right}"
        yield f"  clean readings not accepted {_percent(part['false_alarms_beside_faults'])}"
        yield f"  loss of forecast score {_percent(part['skill_loss'])}"
        for kind, row in part["kinds"].items():
            yield (
                f"    {kind.replace('_', ' '):<20}{row['material']:>7} material, "
                f"noticed {_percent(row['recall'])}, right name {_percent(row['right_reason'])}"
            )


def _percent(value: float | None) -> str:
    return "–" if value is None else f"{value:.1%}"
