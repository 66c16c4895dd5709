"""Imports, foreign keys and migrations point only to what comes earlier in the story."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.apps import apps
from django.db.migrations.loader import MigrationLoader

ROOT = Path(__file__).resolve().parent.parent
STAGES = (
    *("people", "vehicles", "stores", "runs", "readings", "usage", "duty", "due"),
    *("hindcast", "workorders", "visits", "consumables", "trials", "overview"),
)
BELOW_ALL = ("units", "bulk", "faults", "tables", "today", "trace", "reads", "behind", "moment")
AFTER = {"chain": 100, "checks": 101, "copies": 101, "workbook": 101, "demo": 102}
AFTER |= {"handover": 102, "whatif": 103, "jobs": 104}
FACES = ("dashboard", "api")
RANK = (
    {"calc": -2, "prepared": -2, "lasting": -2, "rowcopies": -2}
    | dict.fromkeys(BELOW_ALL, -1)
    | {stage: rank for rank, stage in enumerate(STAGES)}
    | AFTER
    | dict.fromkeys(FACES, 200)
)


def part(module: str) -> str | None:
    """The stage a module belongs to: fleet.due.explain is due."""
    pieces = module.split(".")
    return pieces[1] if pieces[0] == "fleet" and len(pieces) > 1 else None


def imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            if node.module == "fleet":
                yield from (f"fleet.{name.name}" for name in node.names)
            else:
                yield node.module
        elif isinstance(node, ast.Import):
            yield from (name.name for name in node.names)


def sources() -> list[Path]:
    found = (ROOT / "fleet").rglob("*.py")
    return sorted(path for path in found if "migrations" not in path.parts)


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def test_every_part_of_the_package_has_its_place() -> None:
    parts = {part(module_of(path)) for path in sources()} - {None}
    assert parts <= set(RANK), "give a new part its rank here, and its line in fleet/__init__.py"


@pytest.mark.parametrize("path", sources(), ids=module_of)
def test_imports_point_only_to_earlier_parts(path: Path) -> None:
    own = part(module_of(path))
    if own is None:
        return
    for module in imported(path):
        other = part(module)
        if other is None or other == own:
            continue
        assert RANK[other] < RANK[own], f"{module_of(path)} imports {module}"


@pytest.mark.parametrize("path", sources(), ids=module_of)
def test_no_stage_imports_the_way_it_is_run(path: Path) -> None:
    own = part(module_of(path))
    allowed = own in (*FACES, "jobs")
    for module in imported(path):
        assert allowed or not module.startswith("config"), f"{module_of(path)} imports {module}"


def test_foreign_keys_point_only_to_earlier_stages() -> None:
    for model in apps.get_models(include_auto_created=True):
        own = model._meta.app_label
        if own not in RANK:
            continue
        for field in model._meta.get_fields():
            related = getattr(field, "related_model", None)
            if related is None or field.auto_created:
                continue
            other = related._meta.app_label
            assert RANK.get(other, -1) <= RANK[own], f"{model.__name__}.{field.name}"


def test_migrations_depend_only_on_earlier_stages() -> None:
    loader = MigrationLoader(None, ignore_no_migrations=True)
    for (own, name), migration in loader.disk_migrations.items():
        for other, _ in migration.dependencies:
            if own in RANK and other in RANK:
                assert RANK[other] <= RANK[own], f"{own} {name} depends on {other}"
