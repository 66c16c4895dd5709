"""Copies of the database to change: the rows that the fleet lives by are only ever read.

SQLite hands over a copy of its file while others write. PostgreSQL is read table by table in one
transaction that sees one instant, writes nothing and holds nothing up, into an SQLite file.
"""

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, date, datetime, time
from decimal import Decimal
from pathlib import Path
from typing import Any
from uuid import UUID

from django.apps import apps
from django.conf import settings
from django.db import connections
from django.db.backends.sqlite3.base import DatabaseWrapper
from django.db.models import Model

from fleet.bulk import on_postgres
from fleet.readings import leavings

NAME = "sumpwise.sqlite3"  # as a data folder has it
FOLDER = "supposed"
CHUNK = 5_000
COPY = "copy"  # the connection on which its tables are made
# of no use to a forecast, and many or secret
LEFT_OUT = ("sessions.Session", "admin.LogEntry", "runs.RepeatKey", "people.Token")
Progress = Callable[[float, str], None]


@contextmanager
def copies(names: tuple[str, ...], progress: Progress) -> Iterator[list[Path]]:
    """Folders of these names with a copy of the database each; gone after the block."""
    sweep()
    begins = leavings.prefix(FOLDER)
    folder = Path(tempfile.mkdtemp(dir=settings.DATA_DIR, prefix=begins))
    try:
        folders = [folder / name for name in names]
        for one in folders:
            one.mkdir(mode=0o700)
        first = folders[0] / NAME
        os.close(os.open(first, os.O_WRONLY | os.O_CREAT, 0o600))
        if on_postgres():
            _from_postgres(first, progress)
        else:
            _from_sqlite(first)
        for one in folders[1:]:
            shutil.copy2(first, one / NAME)
        yield folders
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def sweep() -> None:
    """Delete what processes that are gone have left."""
    for path in Path(settings.DATA_DIR).glob(f"{FOLDER}-*"):
        if leavings.is_left(path):
            shutil.rmtree(path, ignore_errors=True)


def _from_sqlite(path: Path) -> None:
    own = connections["default"]
    own.ensure_connection()
    with closing(sqlite3.connect(path)) as target:
        own.connection.backup(target)
        for label in LEFT_OUT:
            target.execute(f'DELETE FROM "{_model(label)._meta.db_table}"')  # noqa: S608
        target.commit()


def _model(label: str) -> type[Model]:
    return apps.get_model(label)


# --- PostgreSQL -----------------------------------------------------------------------------
def _from_postgres(path: Path, progress: Progress) -> None:
    models = [one for one in apps.get_models(include_auto_created=True) if one._meta.managed]
    _make_tables(path, models)
    left_out = {label.lower() for label in LEFT_OUT}
    source = connections["default"].copy(alias="default")
    try:
        source.set_autocommit(False)
        with source.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        with closing(sqlite3.connect(path)) as target:
            target.execute("PRAGMA synchronous=OFF")
            for at, model in enumerate(models):
                if model._meta.label_lower not in left_out and not _is_history(model):
                    progress(at / len(models), "copying the fleet")
                    _copy_table(source, target, model)
            target.commit()
        source.rollback()
    finally:
        source.close()


def _is_history(model: type[Model]) -> bool:
    return model.__name__.startswith("Historical")


def _make_tables(path: Path, models: list[type[Model]]) -> None:
    given = {**connections["default"].settings_dict, "NAME": str(path), "OPTIONS": {}}
    copy = DatabaseWrapper({**given, "ENGINE": "django.db.backends.sqlite3"}, alias=COPY)
    connections[COPY] = copy
    try:
        with copy.schema_editor() as editor:
            for model in models:
                if not model._meta.auto_created:  # those come with the models they join
                    editor.create_model(model)
    finally:
        del connections[COPY]
        copy.close()


def _copy_table(source: Any, target: sqlite3.Connection, model: type[Model]) -> None:
    columns = [f'"{one.column}"' for one in model._meta.concrete_fields]
    listed, table = ", ".join(columns), f'"{model._meta.db_table}"'
    into = f"INSERT INTO {table} ({listed}) VALUES ({', '.join('?' * len(columns))})"  # noqa: S608
    with source.chunked_cursor() as cursor:
        cursor.execute(f"SELECT {listed} FROM {table}")  # noqa: S608
        while rows := cursor.fetchmany(CHUNK):
            target.executemany(into, ([_plain(value) for value in row] for row in rows))


def _plain(value: Any) -> Any:
    """A value as an SQLite database of Django's holds it."""
    if isinstance(value, datetime):
        return str(value.astimezone(UTC).replace(tzinfo=None) if value.tzinfo else value)
    if isinstance(value, date | time | Decimal):
        return str(value)
    if isinstance(value, UUID):
        return value.hex
    return bytes(value) if isinstance(value, memoryview) else value
