"""The whole database from one place to another, whether PostgreSQL or an SQLite file keeps it."""

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from itertools import zip_longest
from pathlib import Path
from typing import Any
from uuid import uuid4

from django.apps import apps
from django.conf import settings
from django.contrib.sessions.models import Session
from django.core.management.color import no_style
from django.db import DatabaseError, connection, connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.sqlite3.base import DatabaseWrapper
from django.db.migrations.recorder import MigrationRecorder
from django.db.models import Field, JSONField, Model

from fleet.faults import Fault
from fleet.people.models import Failures, SignInLink

CHUNK_ROWS = 2_000
# ways in that lead nowhere on another machine, and that nobody should find in a file
LEFT_OUT: tuple[type[Model], ...] = (Session, SignInLink, Failures)

Row = tuple[Any, ...]
Tell = Callable[[str], None]


def tables() -> list[type[Model]]:
    """A model for each table, the note of applied migrations too."""
    kept = [one for one in apps.get_models(include_auto_created=True) if one not in LEFT_OUT]
    own = [one for one in kept if one._meta.managed and not one._meta.proxy]
    return [*own, MigrationRecorder.Migration]


def snapshot(path: Path, tell: Tell, without: Sequence[str] = ()) -> None:
    """The program's own database as an SQLite file, as of one moment, while others write.

    Parameters
    ----------
    without
        Labels of models whose rows are not wanted.
    """
    unwanted = [apps.get_model(label) for label in without]
    if connection.vendor == "sqlite":
        copy_file(Path(connection.settings_dict["NAME"]), path, unwanted)
        return
    with opened(path) as alias, _another_connection() as source:
        _make_tables(connections[alias])
        with transaction.atomic(using=source):
            with connections[source].cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            copy_rows(source, alias, tell, unwanted)


@contextmanager
def _another_connection() -> Iterator[str]:
    """One beside the program's own, whatever transaction that is in; gives its alias."""
    alias = f"reading {uuid4().hex}"
    connections[alias] = connections["default"].copy(alias=alias)
    try:
        yield alias
    finally:
        connections[alias].close()
        del connections[alias]


def copy_file(source: Path, target: Path, unwanted: Sequence[type[Model]] = ()) -> None:
    """An SQLite database that may be in use, as one file without the ways in."""
    target.touch(mode=0o600)
    with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(target)) as new:
        old.backup(new)
        new.execute("PRAGMA journal_mode=DELETE")
        new.execute("PRAGMA secure_delete=ON")
        there = {name for (name,) in new.execute("SELECT name FROM sqlite_master")}
        for table in {model._meta.db_table for model in (*LEFT_OUT, *unwanted)} & there:
            new.execute(f'DELETE FROM "{table}"')  # noqa: S608
        new.commit()


def must_be_whole(path: Path) -> None:
    """Refuse an SQLite file that is none, or damaged.

    Raises
    ------
    Fault
        With what the database says of it.
    """
    try:
        with closing(sqlite3.connect(path)) as file:
            said = file.execute("PRAGMA integrity_check").fetchone()[0]
    except sqlite3.DatabaseError as error:
        said = str(error)
    if said != "ok":
        raise Fault(f"The database in the backup is damaged ({said}): take another backup.")


@contextmanager
def opened(path: Path) -> Iterator[str]:
    """An SQLite file as a database beside the program's own; gives its alias."""
    alias = f"file {uuid4().hex}"
    given = {**connection.settings_dict, **settings.EMBEDDED_DATABASE}
    connections[alias] = DatabaseWrapper({**given, "NAME": str(path), "OPTIONS": {}}, alias)
    try:
        yield alias
    finally:
        connections[alias].close()
        del connections[alias]


def _make_tables(target: BaseDatabaseWrapper) -> None:
    models: list[type[Model]] = [*apps.get_models(), MigrationRecorder.Migration]
    with target.schema_editor() as editor:
        for model in models:
            if model._meta.can_migrate(target):
                editor.create_model(model)


def copy_rows(source: str, target: str, tell: Tell, unwanted: Sequence[type[Model]] = ()) -> None:
    """Put all rows of one database, keys kept, in the place of those of another, at once.

    Raises
    ------
    Fault
        A row does not fit: its table and what the database says.
    """
    at = connections[target]
    with at.constraint_checks_disabled(), transaction.atomic(using=target):
        for model in reversed(tables()):
            with at.cursor() as cursor:
                cursor.execute(f"DELETE FROM {at.ops.quote_name(model._meta.db_table)}")  # noqa: S608
        for model in [one for one in tables() if one not in unwanted]:
            tell(str(model._meta.verbose_name_plural))
            _copy_table(model, source, at)
        at.check_constraints()
        with at.cursor() as cursor:
            for statement in at.ops.sequence_reset_sql(no_style(), tables()):
                cursor.execute(statement)


def _copy_table(model: type[Model], source: str, at: BaseDatabaseWrapper) -> None:
    fields = _fields(model)
    prepared = (_prepared(fields, row, at) for row in rows_of(model, source))
    try:
        _put(model._meta.db_table, [str(field.column) for field in fields], prepared, at)
    except DatabaseError as error:
        said = " ".join(str(error).split())
        raise Fault(f"A row of {model._meta.db_table} does not fit: {said}") from error


def _put(table: str, columns: Sequence[str], rows: Iterable[Row], at: BaseDatabaseWrapper) -> None:
    into = at.ops.quote_name(table)
    listed = ", ".join(map(at.ops.quote_name, columns))
    with at.cursor() as cursor:
        if at.vendor == "postgresql":
            with (
                at.wrap_database_errors,
                cursor.copy(f"COPY {into} ({listed}) FROM STDIN") as copy,
            ):
                for row in rows:
                    copy.write_row(row)
            return
        marks = ", ".join(["%s"] * len(columns))
        sql = f"INSERT INTO {into} ({listed}) VALUES ({marks})"  # noqa: S608
        cursor.executemany(sql, rows)  # type: ignore[arg-type]  # any iterable will do


def _fields(model: type[Model]) -> "list[Field[Any, Any]]":
    return list(model._meta.concrete_fields)


def _prepared(fields: "list[Field[Any, Any]]", row: Row, at: BaseDatabaseWrapper) -> Row:
    return tuple(
        # a JSON null is read like an empty place, which such a column has not
        at.ops.adapt_json_value(None, field.encoder)
        if value is None and isinstance(field, JSONField) and not field.null
        else field.get_db_prep_save(value, at)
        for field, value in zip(fields, row, strict=True)
    )


def rows_of(model: type[Model], alias: str) -> Iterator[Row]:
    """All rows of a table by key, a few thousand at a time."""
    names = [field.attname for field in _fields(model)]
    rows = model._base_manager.using(alias).order_by("pk").values_list(*names)
    return rows.iterator(chunk_size=CHUNK_ROWS)


def difference(one: str, other: str) -> str:
    """Where two databases differ first, in words; empty when every row of both is the same."""
    for model in tables():
        for left, right in zip_longest(rows_of(model, one), rows_of(model, other)):
            if left != right:
                return f"{model._meta.db_table}: {left} is not {right}"
    return ""


def counted(alias: str) -> dict[str, int]:
    """Rows by table, without the tables that hold none."""
    found = {one._meta.db_table: one._base_manager.using(alias).count() for one in tables()}
    return {table: count for table, count in found.items() if count}
