"""A place to try something out: what is written there is gone afterwards, and keeps nobody waiting.

One long transaction that is taken back would do, but for its locks: on SQLite everybody who writes
would wait for its end, on PostgreSQL whoever writes about the same meters. So one works on a copy
of the file, and the other on copies of the rows of the vehicles in question.
"""

import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import Any

import numpy as np
from django.apps import apps
from django.conf import settings
from django.db import connection, connections, transaction
from django.db.models import AutoField, Model

from fleet import bulk
from fleet.bulk import on_postgres
from fleet.calc.arrays import Array
from fleet.readings import leavings
from fleet.vehicles.models import Meter

# what taking in readings writes to: rows by meter for the meters in question, else all or none
BY_METER = (
    *("readings.Reading", "readings.VerdictMemory", "readings.EarlierMemory"),
    *("usage.UsageState", "usage.EarlierState", "usage.KmAt"),
)
WHOLE = ("vehicles.Meter", "runs.Run", "usage.ClassRate", "usage.SeasonIndex")
EMPTY = ("readings.Upload", "readings.UploadRow")
GAP = 2**40  # between the ids of rows that are tried and of those that others add meanwhile

# meters whose rows this thread has copies of, by model; None: it is not trying anything out, or
# its copy is whole
_copied: ContextVar[dict[str, Array] | None] = ContextVar("copied", default=None)


@contextmanager
def scratch(vehicle_ids: Callable[[], Array]) -> Iterator[None]:
    """Let this thread work on copies of the tables that readings go to.

    Parameters
    ----------
    vehicle_ids
        Says which vehicles the readings are of; asked only where not everything is copied.
    """
    if on_postgres():
        tried = _temporary_tables(vehicle_ids())
    else:  # within a transaction of the caller nobody else can write anyway
        tried = _taken_back() if connection.in_atomic_block else _copied_file()
    with tried:
        yield


def trying() -> bool:
    """Whether this thread writes to temporary tables, which nobody else can see."""
    return _copied.get() is not None


def bring(model: type[Model], meter_ids: Array | None = None) -> None:
    """Before rows of further meters (None: of all) are read: copy those as well."""
    copied = _copied.get()
    if copied is None:
        return
    before = copied[model._meta.label]
    if meter_ids is None:
        meter_ids = np.array(Meter.objects.values_list("pk", flat=True), dtype=np.int64)
    missing = np.setdiff1d(meter_ids, before)
    if len(missing):
        _fill(model, *bulk.among("meter_id", missing))
        copied[model._meta.label] = np.union1d(before, missing)


# --- PostgreSQL ------------------------------------------------------------------------------
@contextmanager
def _temporary_tables(vehicle_ids: Array) -> Iterator[None]:
    """Temporary tables are found before those of the same name."""
    of = Meter.objects.filter(vehicle__in=vehicle_ids.tolist())
    meters = np.array(of.values_list("pk", flat=True), dtype=np.int64)
    with transaction.atomic():
        for names, where, params in (
            (BY_METER, *bulk.among("meter_id", meters)),
            (WHOLE, "TRUE", []),
            (EMPTY, "FALSE", []),
        ):
            for name in names:
                _shadow(apps.get_model(name))
                _fill(apps.get_model(name), where, params)
        within = _copied.set(dict.fromkeys(BY_METER, meters))
        try:
            yield
        finally:
            _copied.reset(within)
        transaction.set_rollback(True)


def _shadow(model: type[Model]) -> None:
    table = connection.ops.quote_name(model._meta.db_table)
    with connection.cursor() as cursor:
        cursor.execute(f"CREATE TEMP TABLE {table} (LIKE {table} INCLUDING ALL) ON COMMIT DROP")
        if isinstance(key := model._meta.pk, AutoField):
            column = connection.ops.quote_name(str(key.column))
            cursor.execute(f"SELECT COALESCE(max({column}), 0) FROM public.{table}")  # noqa: S608
            following = int(cursor.fetchone()[0]) + GAP
            cursor.execute(
                f"ALTER TABLE pg_temp.{table} ALTER COLUMN {column} RESTART WITH {following}"
            )


def _fill(model: type[Model], where: str, params: list[Any]) -> None:
    table = connection.ops.quote_name(model._meta.db_table)
    with connection.cursor() as cursor:
        copy = f"INSERT INTO pg_temp.{table} SELECT * FROM public.{table} WHERE {where}"  # noqa: S608
        cursor.execute(copy, params)
        cursor.execute(f"ANALYZE pg_temp.{table}")


# --- SQLite ----------------------------------------------------------------------------------
@contextmanager
def _taken_back() -> Iterator[None]:
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


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
