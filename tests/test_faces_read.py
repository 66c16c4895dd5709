"""Pages and API say what the stages read: which rows count is decided in a stage, once.

A face may pick rows by what identifies them (a key, a number, a slug, a row they belong to) and
by the depots a person sees. Which rows are open, withdrawn, answered, late or accepted is a rule
of a stage, and its function there says so by its name.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.apps import apps

ROOT = Path(__file__).resolve().parent.parent
CURSOR = ROOT / "fleet" / "api" / "paging.py"  # goes on behind a row by any column of the order
FACES = sorted(
    path
    for face in ("dashboard", "api")
    for path in (ROOT / "fleet" / face).rglob("*.py")
    if path != CURSOR
)
METHODS = {"filter", "get", "alias", "annotate", "aggregate", "earliest", "latest"}
FUNCTIONS = {"Q", "get_object_or_404", "get_list_or_404"}
NEVER = {"exclude", "When", "Exists", "FilteredRelation", "OuterRef", "extra"}
# what tells the rows of one table apart, or the rows of a person's own
BY_NAME = {"pk", "id", "slug", "number", "fleet_number", "order_number", "username", "page"}
COMPARED = {"in", "iexact", "exact", "lt", "gt"}  # the last two: a cursor


def relations() -> set[str]:
    """Names by which a row of another table is reached: equality with it is a key's."""
    fields = (
        field
        for model in apps.get_models(include_auto_created=True)
        for field in model._meta.get_fields()
        if field.is_relation
    )
    return {name for field in fields for name in (field.name, getattr(field, "attname", ""))}


def lookups(call: ast.Call) -> Iterator[tuple[str, ast.expr]]:
    """The names a call picks rows by, with what they are compared to."""
    for keyword in call.keywords:
        if keyword.arg is not None:
            yield keyword.arg, keyword.value
        elif isinstance(keyword.value, ast.Dict):
            for key, value in zip(keyword.value.keys, keyword.value.values, strict=True):
                yield ast.unparse(key).strip("'") if key else "**", value
        else:
            yield "**", keyword.value


def choosing(call: ast.Call) -> str:
    """The name under which a call picks rows; empty: it picks none."""
    if isinstance(call.func, ast.Attribute):
        of = call.func.value
        is_template = isinstance(of, ast.Name) and of.id == "register"
        return call.func.attr if call.func.attr in METHODS | NEVER and not is_template else ""
    name = getattr(call.func, "id", "")
    return name if name in FUNCTIONS | NEVER - {"exclude", "extra"} else ""


def by_key(name: str, value: ast.expr, known: set[str]) -> bool:
    *path, last = name.split("__")
    if path and last in COMPARED:
        last = path.pop()
    none = isinstance(value, ast.Constant) and value.value in (None, True, False)
    return not none and (last in BY_NAME or last in known)


def offences(source: str, known: set[str]) -> list[str]:
    found = []
    for call in (node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Call)):
        name = choosing(call)
        if name in NEVER:
            found.append(f"{call.lineno}: {name}")
        elif name:
            found += [
                f"{call.lineno}: {name}({look_up}=…)"
                for look_up, value in lookups(call)
                if not by_key(look_up, value, known)
            ]
    return found


@pytest.mark.parametrize("path", FACES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_face_picks_rows_only_by_what_identifies_them(path: Path) -> None:
    assert offences(path.read_text(), relations()) == []


@pytest.mark.parametrize(
    "rule",
    [
        "order.jobs.filter(state=OPEN)",
        "Finding.objects.filter(vehicle=seen, closed_at=None)",
        "Finding.objects.filter(vehicle=seen, withdrawn_by=None)",
        "order.jobs.exclude(pk=3)",
        "Q(verdict__in=asked)",
        "rows.annotate(n=Count('jobs', filter=Q(jobs__returned=True)))",
        "rows.filter(**{'late_since__isnull': False})",
        "rows.filter(**wanted)",
        "get_object_or_404(Arrival, pk=pk, received_on=None)",
        "rows.filter(pk__isnull=True)",
    ],
)
def test_a_rule_in_a_face_is_noticed(rule: str) -> None:
    assert offences(rule, relations())


@pytest.mark.parametrize(
    "look_up",
    [
        "WorkOrder.objects.filter(depot__in=depots, number__iexact=number)",
        "order.jobs.filter(pk=3)",
        "rows.filter(pk__lt=before)",
        "Service.objects.filter(vehicle_type=vehicle.vehicle_type_id, slug__in=slugs)",
        "request.GET.get('before', '')",
    ],
)
def test_a_look_up_by_key_is_left_alone(look_up: str) -> None:
    assert offences(look_up, relations()) == []
