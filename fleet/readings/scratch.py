"""A place to try something out: what is written there is gone afterwards, and keeps nobody waiting.

One long transaction that is taken back would do, but for its locks: on SQLite everybody who writes
would wait for its end, on PostgreSQL whoever writes about the same meters.
"""

import os
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

from django.apps import apps
from django.conf import settings
from django.db import connection, connections, transaction
from django.db.models import AutoField, Model

from fleet.bulk import on_postgres
from fleet.readings import leavings

WRITTEN = ("runs", "readings", "usage")  # apps whose tables taking in readings writes to


@contextmanager
def scratch() -> Iterator[None]:
    """Let this thread work on copies of the tables that readings go to."""
    if on_postgres():
        tried = _temporary_tables()
    else:  # within a transaction of the caller nobody else can write anyway
        tried = _taken_back() if connection.in_atomic_block else _copied_file()
    with tried:
        yield


@contextmanager
def _taken_back() -> Iterator[None]:
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


@contextmanager
def _temporary_tables() -> Iterator[None]:
    """Temporary tables are found before those of the same name."""
    with transaction.atomic():
        for model in _written():
            _shadow(model)
        yield
        transaction.set_rollback(True)


def _written() -> Sequence[type[Model]]:
    return [model for app in WRITTEN for model in apps.get_app_config(app).get_models()]


def _shadow(model: type[Model]) -> None:
    table = connection.ops.quote_name(model._meta.db_table)
    with connection.cursor() as cursor:
        cursor.execute(f"CREATE TEMP TABLE {table} (LIKE {table} INCLUDING ALL) ON COMMIT DROP")
        cursor.execute(f"INSERT INTO pg_temp.{table} SELECT * FROM public.{table}")  # noqa: S608
        if isinstance(key := model._meta.pk, AutoField):
            column = connection.ops.quote_name(str(key.column))
            cursor.execute(f"SELECT COALESCE(max({column}), 0) + 1 FROM {table}")  # noqa: S608
            (following,) = cursor.fetchone()
            cursor.execute(
                f"ALTER TABLE pg_temp.{table} ALTER COLUMN {column} RESTART WITH {int(following)}"
            )


@contextmanager
def _copied_file() -> Iterator[None]:
    """Readers of SQLite keep no writer waiting, and copying the file is reading."""
    own = connections["default"]
    own.ensure_connection()
    leavings.sweep()
    begins = leavings.prefix(leavings.TRIED)
    handle, name = tempfile.mkstemp(dir=settings.DATA_DIR, prefix=begins, suffix=".sqlite3")
    os.close(handle)
    copy = connections.create_connection("default")
    copy.settings_dict = {**own.settings_dict, "NAME": name}
    try:
        with closing(sqlite3.connect(name)) as target:
            own.connection.backup(target)
        connections["default"] = copy
        yield
    finally:
        connections["default"] = own
        copy.close()
        for path in Path(settings.DATA_DIR).glob(f"{Path(name).name}*"):  # its log as well
            path.unlink()
