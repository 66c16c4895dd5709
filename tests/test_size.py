"""Small functions and files: the budget that keeps every part readable."""

import ast
from functools import cache
from pathlib import Path
from statistics import median, quantiles
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent
LONGEST_FILE, LONGEST_FUNCTION = 400, 60
LONGEST_TEMPLATE_LINE = 160
MOST_ARGUMENTS = 8  # more are a thing of the domain: give it a name
MEDIAN_FUNCTION, NINE_IN_TEN_FUNCTIONS, MEDIAN_TEST = 8, 30, 10


def python_files(*folders: str) -> list[Path]:
    found = [path for folder in folders for path in (ROOT / folder).rglob("*.py")]
    return sorted(path for path in found if "migrations" not in path.parts)


class Function(NamedTuple):
    name: str
    size: int  # lines of its body, without the docstring
    arguments: int  # that a caller gives a value for


@cache
def functions(path: Path) -> list[Function]:
    return [
        Function(node.name, size(node), len(arguments(node)))
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    ]


def size(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    body = node.body
    documented = isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant)
    if documented and len(body) > 1:
        body = body[1:]
    return (body[-1].end_lineno or 0) - body[0].lineno + 1


def arguments(node: ast.FunctionDef | ast.AsyncFunctionDef) -> list[str]:
    given = node.args
    named = [one.arg for one in (*given.posonlyargs, *given.args, *given.kwonlyargs)]
    return [name for name in named if name not in ("self", "cls")]


def lengths(*folders: str) -> list[int]:
    return [one.size for path in python_files(*folders) for one in functions(path)]


def test_no_file_is_longer_than_the_budget() -> None:
    files = python_files("fleet", "config", "tests")
    long = {
        str(path.relative_to(ROOT)): size
        for path in files
        if (size := len(path.read_text().splitlines())) > LONGEST_FILE
    }
    assert long == {}


def test_no_line_of_a_template_is_longer_than_the_budget() -> None:
    long = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in sorted((ROOT / "templates").rglob("*.html"))
        for number, line in enumerate(path.read_text().splitlines(), 1)
        if len(line) > LONGEST_TEMPLATE_LINE
    ]
    assert long == []


def test_no_function_is_longer_than_the_budget() -> None:
    long = {
        f"{path.relative_to(ROOT)}:{one.name}": one.size
        for path in python_files("fleet", "config")
        for one in functions(path)
        if one.size > LONGEST_FUNCTION
    }
    assert long == {}


def test_no_function_takes_nine_arguments() -> None:
    many = {
        f"{path.relative_to(ROOT)}:{one.name}": one.arguments
        for path in python_files("fleet", "config")
        for one in functions(path)
        if one.arguments > MOST_ARGUMENTS
    }
    assert many == {}


def test_most_functions_are_small() -> None:
    sizes = lengths("fleet", "config")
    assert median(sizes) <= MEDIAN_FUNCTION
    assert quantiles(sizes, n=10)[-1] <= NINE_IN_TEN_FUNCTIONS


def test_most_tests_are_small() -> None:
    sizes = [
        one.size
        for path in python_files("tests")
        for one in functions(path)
        if one.name.startswith("test_")
    ]
    assert median(sizes) <= MEDIAN_TEST


def test_no_folder_is_a_drawer_for_the_rest() -> None:
    drawers = {"helpers", "common", "utils", "services", "selectors", "misc", "core"}
    names = {path.stem for path in python_files("fleet", "config")}
    assert not names & drawers
