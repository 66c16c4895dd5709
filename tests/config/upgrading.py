"""Migrates a new database from the first step of each app to today, with rows put in on the way,
and does a night; prints what became of them and what else it holds: run by a test."""

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any

from tests.config.described import described
from tests.config.old_rows import BEFORE, told_of_fleet, write_fleet

AT = datetime(2026, 3, 1, 12, tzinfo=UTC)
TEXT = "row from before"  # of an app's first version
# what rows have to tell so that they agree with each other, by table
AGREEING: dict[str, dict[str, Any]] = {
    "duty_criterion": {"conditions": [[["mean_daily_max_c", ">=", 38]]]},
    "readings_reading": {"unit": "km", "source": "sheet"},
    "stores_stock": {"on_hand": 1},
    "workorders_orderevent": {"to_state": "drafted"},
}


def main() -> dict[str, Any]:
    from django.apps import apps
    from django.core.management import call_command
    from django.db import connection
    from django.db.migrations.executor import MigrationExecutor
    from django.utils import timezone

    from config.commands.nightly import do_night
    from fleet.checks import check

    executor = MigrationExecutor(connection)
    state = executor.migrate(first_steps(executor.loader.graph))
    then = [one for one in state.apps.get_models() if one._meta.managed and not one._meta.swapped]
    then = [one for one in then if not one._meta.proxy and not one._base_manager.exists()]
    filled = fill(then)
    write_fleet(MigrationExecutor(connection).migrate(BEFORE).apps)
    call_command("migrate", verbosity=0)
    connection.check_constraints()
    now = {one._meta.db_table: one for one in apps.get_models(include_auto_created=True)}
    there = sorted(filled & now.keys())  # others were taken out or renamed on the way
    told = {
        "filled": there,
        "kept": [table for table in there if list(now[table]._base_manager.all())],
        "lacking": sorted({one._meta.db_table for one in then} - filled),
        "fleet": told_of_fleet(apps),
        **described(),
    }
    nights = do_night(AT.date() + timedelta(days=2))
    return {
        **told,
        "nights": [run.state for run in nights],
        "amiss": [one.detail for one in check(timezone.now()) if not one.ok],
    }


def first_steps(graph: Any) -> list[tuple[str, str]]:
    """The last of the steps that lead to the first one of each app."""
    firsts = [key for key in graph.nodes if key[1].startswith("0001_")]
    needed = {key for first in firsts for key in graph.forwards_plan(first)}
    return [
        key for key in needed if not any(one.key in needed for one in graph.node_map[key].children)
    ]


def fill(models: list[Any]) -> set[str]:
    """Put a row into each table, those that others name first; the tables that got one."""
    filled: set[str] = set()
    while True:
        more = {
            one._meta.db_table for one in models if one._meta.db_table not in filled and put(one)
        }
        if not more:
            return filled
        filled |= more


def put(model: Any) -> bool:
    """A row with what its table asks for, and no more; whether one fits."""
    from django.db import IntegrityError, transaction

    try:
        with transaction.atomic():
            model._base_manager.create(**asked_for(model))
    except (IntegrityError, LookupError):
        return False
    return True


def asked_for(model: Any) -> dict[str, Any]:
    given = {}
    for field in model._meta.concrete_fields:
        if field.null or field.has_default() or field.primary_key and not field.remote_field:
            continue
        if field.remote_field:
            row = field.related_model._base_manager.first()
            if row is None:
                raise LookupError(field.name)
            given[field.attname] = row.pk
        else:
            given[field.attname] = some(field)
    return given | AGREEING.get(model._meta.db_table, {})


def some(field: Any) -> Any:
    """A value that a field takes."""
    if field.choices:
        return field.choices[0][0]
    if field.blank and field.get_internal_type() in ("CharField", "TextField"):
        return ""
    if field.name == "zone":
        return "Europe/Madrid"
    kind = field.get_internal_type()
    made: dict[str, Any] = {
        **{"DateTimeField": AT, "DateField": date(2026, 3, 1), "TimeField": AT.time()},
        **{"BooleanField": False, "FloatField": 1.0, "JSONField": [], "BinaryField": b"1"},
        **{"CharField": TEXT, "TextField": TEXT, "SlugField": TEXT.replace(" ", "-")},
        **{"EmailField": "a@b.invalid", "UUIDField": "0" * 32},
        **{"GenericIPAddressField": "192.0.2.1", "DurationField": AT - AT},
    }
    value = made.get(kind, 1)
    return value[: field.max_length] if isinstance(value, str) else value


print(json.dumps(main()))
