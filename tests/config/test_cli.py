import gc
import os
import subprocess
import sys
from argparse import Namespace
from collections.abc import Callable
from typing import Any

import pytest

from config import cli
from config.commands import migrate
from fleet.faults import Fault


def use(monkeypatch: pytest.MonkeyPatch, run: Callable[[Namespace], int]) -> None:
    whole = cli.parser()
    whole.set_defaults(run=run, database=False)
    monkeypatch.setattr(cli, "parser", lambda: whole)


def raising(error: BaseException) -> Callable[[Namespace], int]:
    def run(arguments: Namespace) -> int:
        raise error

    return run


def test_help_appears_without_loading_django() -> None:
    script = "import sys, config.cli as c; c.parser().format_help(); print('django' in sys.modules)"
    answer = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (answer.stdout.strip(), answer.stderr) == ("False", "")


def test_every_command_says_what_it_does() -> None:
    listed = cli.parser()._subparsers
    assert listed is not None
    action: Any = listed._group_actions[0]
    described = {choice.dest for choice in action._choices_actions if choice.help}
    assert described == set(action.choices)


def test_a_fault_is_one_sentence_without_a_traceback(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    use(monkeypatch, raising(Fault("Sheet 1 is empty.")))
    assert cli.main([]) == 1
    assert capsys.readouterr().err == "sumpwise: Sheet 1 is empty.\n"


@pytest.mark.parametrize(("terminal", "said"), [(True, "Loading the workbook …\n"), (False, "")])
def test_a_first_load_says_at_once_that_it_has_begun(
    terminal: bool,
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Before anything is loaded that takes its time, and only where somebody is looking."""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal, raising=False)
    begun = []
    monkeypatch.setattr(cli, "set_up_django", lambda: begun.append(capsys.readouterr().err))
    monkeypatch.setattr("config.database.bring_up_to_date", lambda tell: tell("Making it"))
    assert cli.main(["fleet", "load", "no-such.xlsx"]) == 1
    assert begun == [said]
    assert ("Making it …\n" in capsys.readouterr().err) == terminal


def test_an_interrupted_command_is_quiet(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    use(monkeypatch, raising(KeyboardInterrupt()))
    assert cli.main([]) == cli.INTERRUPTED
    assert capsys.readouterr() == ("", "")


def test_a_reader_that_goes_away_is_no_error() -> None:
    command = f"{sys.executable} -m config --help | true; echo ${{PIPESTATUS[0]}}"
    answer = subprocess.run(["bash", "-c", command], capture_output=True, text=True)
    assert answer.stderr == ""


def test_a_broken_setting_is_named(tmp_path: Any) -> None:
    environment = {"SUMPWISE_DATA": str(tmp_path), "SUMPWISE_DEBUG": "maybe"}
    answer = subprocess.run(
        [sys.executable, "-m", "config", "migrate"],
        capture_output=True,
        text=True,
        env=environment,
    )
    assert answer.returncode == 1
    assert answer.stderr.startswith("sumpwise: SUMPWISE_DEBUG='maybe'")


@pytest.mark.parametrize(
    ("before", "within"), [(700, 20_000), (20_001, 20_001)], ids=["python's own", "less often yet"]
)
def test_a_command_looks_for_garbage_less_often_and_never_more_often(
    before: int, within: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept, seen = gc.get_threshold(), []
    use(monkeypatch, lambda _: seen.append(gc.get_threshold()[0]) or 0)
    try:
        gc.set_threshold(before)
        assert cli.main([]) == 0
    finally:
        gc.set_threshold(*kept)
    assert seen == [within]


@pytest.mark.parametrize(("said", "kept"), [(None, "1"), ("4", "4")])
def test_matrices_are_multiplied_on_one_core_unless_somebody_says_otherwise(
    said: str | None, kept: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", said or "")
    if said is None:
        monkeypatch.delenv("OPENBLAS_NUM_THREADS")
    seen: list[str | None] = []
    use(monkeypatch, lambda _: seen.append(os.environ.get("OPENBLAS_NUM_THREADS")) or 0)
    assert cli.main([]) == 0
    assert seen == [kept]


def test_numpy_is_not_there_before_a_command_says_on_how_many_cores_it_works() -> None:
    script = "import sys, config.cli as c; c.parser(); print('numpy' in sys.modules)"
    answer = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert answer.stdout.strip() == "False"


def test_no_command_shows_the_list(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main([]) == 2
    assert "migrate" in capsys.readouterr().out


def test_steps_are_counted_in_a_sentence() -> None:
    assert [migrate.told(number) for number in (0, 1, 2)] == [
        *("Nothing to do.", "1 step applied.", "2 steps applied."),
    ]


def test_a_database_of_its_own_is_made_on_first_use(tmp_path: Any) -> None:
    environment = {"SUMPWISE_DATA": str(tmp_path / "new")}
    command = [sys.executable, "-m", "config", "migrate"]
    first = subprocess.run(command, capture_output=True, text=True, env=environment)
    second = subprocess.run(command, capture_output=True, text=True, env=environment)
    assert "steps applied" in first.stdout
    assert second.stdout == "Nothing to do.\n"
