"""The arithmetic knows no framework, no clock and no files."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
CALC = sorted((ROOT / "fleet" / "calc").glob("*.py"))
ALLOWED = ("numpy", "scipy", "highspy", "fleet.calc")
CLOCKS = ("now", "today", "time", "monotonic", "perf_counter", "utcnow")
FILES = ("open", "print", "input")

WITHOUT_DJANGO = """
import importlib, pkgutil, sys
class Blocked:
    def find_spec(self, name, path=None, target=None):
        if name.split('.')[0] in {'django', 'celery', 'rest_framework', 'pint'}:
            raise ImportError(f'{name} is blocked')
sys.meta_path.insert(0, Blocked())
import fleet.calc
for found in pkgutil.iter_modules(fleet.calc.__path__):
    importlib.import_module(f'fleet.calc.{found.name}')
"""


def test_the_arithmetic_runs_where_django_is_blocked() -> None:
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT_DJANGO], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


def top_level(path: Path) -> list[str]:
    tree = ast.parse(path.read_text())
    found: list[str] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            found.append(node.module)
        elif isinstance(node, ast.Import):
            found += [name.name for name in node.names]
    return found


@pytest.mark.parametrize("path", CALC, ids=lambda path: path.stem)
def test_it_imports_numpy_scipy_highs_and_the_standard_library_only(path: Path) -> None:
    for module in top_level(path):
        first = module.split(".")[0]
        known = first in sys.stdlib_module_names or module.startswith(ALLOWED)
        assert known, f"{path.name} imports {module}"


@pytest.mark.parametrize("path", CALC, ids=lambda path: path.stem)
def test_it_asks_no_clock_and_opens_no_file(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text())):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name):
            asked = node.func.attr in CLOCKS and node.func.value.id in ("datetime", "date", "time")
            assert not asked, f"{path.name}:{node.lineno}"
        if isinstance(node.func, ast.Name):
            assert node.func.id not in FILES, f"{path.name}:{node.lineno}"
