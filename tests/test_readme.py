"""What the README says about commands is what the program has."""

import argparse
import re
from collections.abc import Iterator

import pytest

from config import cli
from config.settings import BASE_DIR
from fleet.runs.ledger import NIGHT_AT

README = (BASE_DIR / "README.md").read_text()
OPTION = re.compile(r"--[a-z][a-z-]*")


def commands(
    parser: argparse.ArgumentParser, path: str
) -> Iterator[tuple[str, argparse.ArgumentParser]]:
    below = [action for action in parser._actions if isinstance(action.choices, dict)]
    if not below:
        yield path, parser
    for action in below:
        for name, child in dict(action.choices or {}).items():
            yield from commands(child, f"{path} {name}")


COMMANDS = dict(commands(cli.parser(), "sumpwise"))


def options(parser: argparse.ArgumentParser) -> set[str]:
    shown = {option for action in parser._actions for option in action.option_strings}
    return {option for option in shown if option.startswith("--")} - {"--help"}


def section(title: str) -> str:
    return README.partition(f"## {title}\n")[2].partition("\n## ")[0]


def block(title: str, number: int = 0) -> list[str]:
    return section(title).split("```\n")[2 * number + 1].splitlines()


def command_of(line: str) -> str:
    return max((name for name in COMMANDS if f"{line} ".startswith(f"{name} ")), key=len)


def test_every_command_is_listed_once_and_no_other() -> None:
    assert sorted(map(command_of, block("Commands"))) == sorted(COMMANDS)


@pytest.mark.parametrize("line", block("Commands"))
def test_each_line_names_the_options_that_there_are(line: str) -> None:
    assert set(OPTION.findall(line)) == options(COMMANDS[command_of(line)])


@pytest.mark.parametrize("line", block("Your own fleet"))
def test_each_step_can_be_typed_as_it_stands(line: str) -> None:
    words = line.partition("#")[0].split()[1:]
    assert cli.parser().parse_args(words).run


@pytest.mark.parametrize("title", ["Start", "Test"])
def test_setting_up_is_one_command_with_pinned_packages(title: str) -> None:
    (command,) = block(title)
    assert command.startswith("python3 -m venv .venv && .venv/bin/pip install -e ")
    assert " -c config/locks/constraints.txt && .venv/bin/" in command


def test_the_first_paragraph_states_the_job() -> None:
    title, _, paragraph = README.splitlines()[:3]
    assert title == "# Sumpwise"
    assert paragraph.startswith("Somebody answers for keeping a fleet's vehicles")


def test_every_file_that_is_named_exists() -> None:
    named = re.findall(r"\]\(([^)]+)\)|`([\w./-]+\.(?:md|yml|txt|example))`", README)
    files = {name for pair in named for name in pair if name}
    assert files
    assert not [name for name in files if not (BASE_DIR / name).exists()]


def test_the_hour_of_the_night_is_told_as_it_is() -> None:
    hour = f"{NIGHT_AT:%H:%M}"
    assert re.findall(r"\d\d:\d\d of each depot", README) == [f"{hour} of each depot"]
    told = COMMANDS["sumpwise nightly"].description or ""
    assert re.findall(r"\d\d:\d\d", told) == [hour]
