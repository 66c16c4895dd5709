"""The table of assumptions and the code cannot drift apart."""

from types import ModuleType
from typing import Any

import numpy as np
import pytest

from fleet.calc import (
    class_rates,
    duty,
    expectations,
    labour,
    rebase,
    seasons_then,
    standing,
    usage,
    verdicts,
    widening,
)
from fleet.dashboard.assumptions import CHAPTERS, Figure
from fleet.hindcast import widen

FIGURES = [figure for chapter in CHAPTERS for figure in chapter.figures]
# technical: block sizes, codes of columns, constants of mathematics, guards against rounding
TECHNICAL = {
    "ROWS_AT_ONCE", "OPEN", "FUTURE", "NO_NUMBER", "KEEP_ACCEPTED", "KEEP_HELD", "KEEP_REJECTED",
    "ACCEPTED", "HELD", "REJECTED", "HELD_KEPT", "DECIDED_ACCEPT", "DECIDED_HELD",
    "DECIDED_REJECT", "FIRST_REASON", "STANDS", "SWAP", "WRONG", "NEW_METER", "NO_LEADER",
    "BEFORE", "NEWEST", "LOG_T4", "LOG_IMPOSSIBLE", "FARTHEST_Z", "SLACK_KM", "TOLERANCE",
    "NO_CLASS_YET", "KEPT_EVERY",
}  # fmt: skip


def changed(given: Any) -> Any:
    if isinstance(given, list):
        return [*given, 7]
    return type(given)(given * 3 + 1) if isinstance(given, (int, float)) else np.asarray(given) * 3


def numbers(value: object) -> bool:
    each = value if isinstance(value, tuple) else (value,)
    return all(isinstance(one, (int, float)) for one in each)


def named(figure: Figure) -> str:
    return f"{getattr(figure.where, '__name__', 'setting')}.{figure.name}"


@pytest.mark.parametrize("figure", FIGURES, ids=named)
def test_the_table_shows_what_the_code_has(figure: Figure, monkeypatch: pytest.MonkeyPatch) -> None:
    before = figure.value
    other = changed(getattr(figure.where, figure.name))
    monkeypatch.setattr(figure.where, figure.name, other)
    assert figure.value != before


@pytest.mark.parametrize("figure", FIGURES, ids=named)
def test_every_figure_has_words_and_a_source(figure: Figure) -> None:
    assert min(len(figure.what), len(figure.source)) > 5


@pytest.mark.parametrize(
    "module",
    [
        *(usage, standing, class_rates, seasons_then, expectations, verdicts, rebase, duty),
        *(widening, widen, labour),
    ],
    ids=lambda module: module.__name__,
)
def test_no_figure_of_the_computation_is_kept_back(module: ModuleType) -> None:
    constants = {name for name, value in vars(module).items() if name.isupper() and numbers(value)}
    listed = {figure.name for figure in FIGURES}
    assert constants - TECHNICAL <= listed


def test_figures_known_by_heart_read_as_they_should() -> None:
    told = {named(figure): figure.value.replace("\u202f", " ") for figure in FIGURES}
    # from the description of the method, typed by hand
    assert told["fleet.calc.usage.NOISE_D"] == "1.2 days"
    assert told["fleet.calc.usage.EXCURSION_SD"] == "28 % of the usual level"
    assert told["fleet.calc.due.LEVELS"] == "10 %; 50 %; 90 %"
    assert told["fleet.calc.verdicts.STUCK_D"] == "1 to 3 days"
    assert told["fleet.calc.widening.LEAST_SHARE"] == "75 %"
    # from the wish for the plan of workshop days
    assert told["setting.visit_minor"] == "50.00 EUR"
    assert told["setting.late_change_minor"] == "40.00 EUR a day"
    assert told["setting.late_check_minor"] == "20.00 EUR a day"
    assert told["setting.kept_share"] == "30 %"
