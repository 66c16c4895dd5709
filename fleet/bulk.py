"""Many rows between arrays and the database, on PostgreSQL and SQLite alike.

Reading gives columns as arrays; writing takes columns as arrays. Rows that would not change
are not written: ``upsert`` compares inside the database.
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime, time
from itertools import chain
from typing import Any, TypeVar

import numpy as np
from django.core.exceptions import EmptyResultSet
from django.db import connection, transaction
from django.db.models import Model, QuerySet

from fleet.calc.arrays import Array, IntArray

Columns = Mapping[str, Array]
Row = TypeVar("Row")

FETCH_ROWS = 20_000
READ_ROWS = 500  # at 700 objects that are new Python looks for circles among them, and in vain
EPOCH = np.datetime64("1970-01-01", "D")
CLOCK = len("1970-01-01T")  # where the time of day begins in an instant as text


def only(rows: QuerySet[Any, Row]) -> Row | None:
    """The row of a filter that fits one at most; ``first`` asks for an order, which costs more than
    the row where many columns come along."""
    return next(iter(rows.order_by()), None)


def on_postgres() -> bool:
    return connection.vendor == "postgresql"


def instant_d(column: str) -> str:
    """SQL for an instant as days since 1970-01-01 UTC (whole seconds), for ``read``."""
    if on_postgres():
        return f"EXTRACT(EPOCH FROM {column})::float8 / 86400.0"
    return f"CAST(strftime('%%s', {column}) AS INTEGER) / 86400.0"


def as_instant(days: str) -> str:
    """SQL for the instant (whole seconds) that an expression gives as days since 1970 UTC."""
    if on_postgres():
        return f"to_timestamp(round(({days}) * 86400))"
    return f"datetime(CAST(round(({days}) * 86400) AS INTEGER), 'unixepoch')"


def instant(at: datetime) -> Any:
    """An instant as the database compares it in SQL of one's own: SQLite keeps texts without a
    zone, and one with it would count as later than the same instant."""
    return connection.ops.adapt_datetimefield_value(at)


def day_number(column: str) -> str:
    """SQL for a date as whole days since 1970-01-01; empty stays empty."""
    if on_postgres():
        return f"({column} - DATE '1970-01-01')"
    return f"CAST(julianday({column}) - 2440587.5 AS INTEGER)"


def among(column: str, ids: Array) -> tuple[str, list[Any]]:
    """SQL and parameters that keep rows whose column is one of many ids."""
    if on_postgres():
        # of the column's own kind: PostgreSQL hashes no others, but compares with each in turn
        return f"{column} = ANY(%s::bigint[])", [listed(ids.tolist())]
    return f"{column} IN (SELECT value FROM json_each(%s))", [json.dumps(ids.tolist())]  # noqa: S608


def pairs(ids: Array, figures: Array) -> tuple[str, list[Any]]:
    """SQL and parameters of a table ``(id, figure)`` to join with, one row per id."""
    if on_postgres():
        return "unnest(%s::bigint[], %s::float8[])", [
            listed(ids.tolist()),
            listed(figures.tolist()),
        ]
    rows = json.dumps(list(zip(ids.tolist(), figures.tolist(), strict=True)))
    columns = "json_extract(value, '$[0]') AS id, json_extract(value, '$[1]') AS figure"
    return f"(SELECT {columns} FROM json_each(%s))", [rows]  # noqa: S608


def listed(plain: Iterable[Any]) -> str:
    """Numbers or instants as an array of PostgreSQL; psycopg takes many times as long."""
    return f"{{{','.join(map(str, plain))}}}"


def read(sql: str, params: Sequence[Any], dtypes: Mapping[str, str]) -> dict[str, Array]:
    """Rows of a query as one array per column; empty values become NaN in float columns.

    Parameters
    ----------
    sql, params
        A query that yields as many columns as ``dtypes`` names, in that order.
    dtypes
        Column name to NumPy type; use ``"f8"`` for a column that may be empty.
    """
    parts: list[list[Array]] = [[] for _ in dtypes]
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
        while rows := cursor.fetchmany(READ_ROWS):
            for part, values, dtype in zip(
                parts, zip(*rows, strict=True), dtypes.values(), strict=True
            ):
                part.append(np.array(values, dtype=dtype))
    return {
        name: np.concatenate(part) if part else np.empty(0, dtype=dtype)
        for (name, dtype), part in zip(dtypes.items(), parts, strict=True)
    }


def has(model: type[Model], where: str = "1 = 1", params: Sequence[Any] = ()) -> bool:
    """Whether a table has any row under a condition in SQL: for what every night asks and hardly
    ever finds, where building a queryset takes longer than the answer."""
    sql = f"SELECT 1 FROM {_quote(model._meta.db_table)} WHERE {where} LIMIT 1"  # noqa: S608
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
        return cursor.fetchone() is not None


def stacked(parts: Iterable[QuerySet[Any, Any]]) -> list[tuple[Any, ...]]:
    """Rows of several queries with columns of the same kinds, each in its own order, by one
    statement; dates and instants come as the database gives them (``moment`` reads them)."""
    sql: list[str] = []
    params: list[Any] = []
    for number, part in enumerate(parts):
        with suppress(EmptyResultSet):
            one, own = part.query.sql_with_params()
            sql.append(f"SELECT * FROM ({one}) AS part_{number}")  # noqa: S608
            params.extend(own)
    if not sql:
        return []
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(sql), params)
        found: list[tuple[Any, ...]] = cursor.fetchall()
    return found


def counted(parts: Iterable[QuerySet[Any, Any]]) -> list[int]:
    """How many rows each of several queries has, by one statement."""
    sql: list[str] = []
    params: list[Any] = []
    for number, part in enumerate(parts):
        try:
            one, own = part.query.sql_with_params()
        except EmptyResultSet:
            one, own = "SELECT 1 WHERE 1 = 0", ()
        sql.append(f"(SELECT COUNT(*) FROM ({one}) AS part_{number})")  # noqa: S608
        params.extend(own)
    if not sql:
        return []
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(sql)}", params)
        return list(cursor.fetchone())


def moment(given: Any) -> datetime | None:
    """An instant or a day (as its midnight) that ``stacked`` gives; a naive one is of UTC."""
    if isinstance(given, str):
        given = datetime.fromisoformat(given)
    if given is None:
        return None
    if not isinstance(given, datetime):
        given = datetime.combine(given, time())
    at: datetime = given if given.tzinfo else given.replace(tzinfo=UTC)
    return at


def analyze(model: type[Model]) -> None:
    """Let PostgreSQL know how many rows came: else it may sort whole histories to find one row."""
    if on_postgres():
        with connection.cursor() as cursor:
            cursor.execute(f"ANALYZE {_quote(model._meta.db_table)}")


def upsert(
    model: type[Model], columns: Columns, key: Sequence[str], update: Sequence[str] | None = None
) -> int:
    """Insert rows, or bring existing ones up to date; give the number of rows written.

    Parameters
    ----------
    columns
        Attribute names (``vehicle_id``, not ``vehicle``) to arrays of equal length.
    key
        Attributes under a unique constraint; none: rows that any constraint forbids are left out.
    update
        Attributes to bring up to date, default all that are not in ``key``; empty to leave
        existing rows alone.
    """
    names = list(columns)
    change = [name for name in names if name not in key] if update is None else list(update)
    tail = _conflict(model, key, change)
    if on_postgres():
        return _copy_and_merge(model, columns, names, tail)
    return _executemany(_insert(model, names) + tail, columns, names)


def insert(model: type[Model], columns: Columns) -> int:
    """Add rows; the caller vouches that none exists yet."""
    names = list(columns)
    if on_postgres():
        with transaction.atomic(savepoint=False):
            _copy(model._meta.db_table, [_column(model, name) for name in names], columns, names)
        return len(columns[names[0]])
    return _executemany(_insert(model, names), columns, names)


def new_ids(model: type[Model], count: int) -> IntArray:
    """Ids for rows to come, which nobody else gets; call it in their transaction."""
    if on_postgres():
        # OFFSET: the sequence is looked up once, not for each id
        of_table = "SELECT pg_get_serial_sequence(%s, %s)::regclass AS sequence OFFSET 0"
        sql = f"SELECT nextval(sequence) FROM ({of_table}) own, generate_series(1, %s)"  # noqa: S608
        own = [_quote(model._meta.db_table), model._meta.pk.column, count]
        return np.asarray(read(sql, own, {"id": "i8"})["id"])
    sql = "SELECT seq FROM sqlite_sequence WHERE name = %s"
    last = read(sql, [model._meta.db_table], {"seq": "i8"})["seq"]
    return np.asarray(np.arange(1, count + 1) + last.sum())


def like(row: Model, columns: Columns) -> Columns:
    """Columns of rows that are like one not saved yet, but for those given."""
    count = len(next(iter(columns.values())))
    rest = {
        field.attname: field.get_db_prep_save(field.pre_save(row, True), connection)
        for field in row._meta.concrete_fields
        if not field.primary_key and field.attname not in columns
    }
    return {name: np.full(count, value, dtype=object) for name, value in rest.items()} | {**columns}


def update(model: type[Model], columns: Columns, key: str = "id", held: Sequence[str] = ()) -> int:
    """Bring rows found by ``key`` up to date where anything differs, but none that has other values
    in what is ``held``, which is not written; give the number written."""
    names = [name for name in columns if name != key and name not in held]
    table, key_column = _quote(model._meta.db_table), _quote(_column(model, key))
    if on_postgres():
        return _copy_and_update(model, columns, key, names, held)
    # numbered, so that a value that stands in the statement twice is handed over once
    given = [key, *names, *held]
    marks = {name: (_quote(_column(model, name)), f"?{at}") for at, name in enumerate(given, 1)}
    sets = ", ".join(f"{column} = {mark}" for column, mark in (marks[name] for name in names))
    differs = " OR ".join(
        f"{column} IS NOT {mark}" for column, mark in (marks[name] for name in names)
    )
    same = "".join(f" AND {column} IS {mark}" for column, mark in (marks[name] for name in held))
    sql = f"UPDATE {table} SET {sets} WHERE {key_column} = ?1{same} AND ({differs})"  # noqa: S608
    return _executemany(sql, columns, given)


def _column(model: type[Model], attribute: str) -> str:
    for field in model._meta.concrete_fields:
        if attribute in (field.attname, field.name):
            return str(field.column)
    if attribute == "id" or attribute == "pk":
        return str(model._meta.pk.column)
    raise LookupError(f"{model.__name__} has no column for {attribute!r}")


def _quote(name: str) -> str:
    return connection.ops.quote_name(name)


def _conflict(model: type[Model], key: Sequence[str], change: Sequence[str]) -> str:
    table = _quote(model._meta.db_table)
    target = ", ".join(_quote(_column(model, name)) for name in key)
    if not key:
        return " ON CONFLICT DO NOTHING"
    if not change:
        return f" ON CONFLICT ({target}) DO NOTHING"
    columns = [_quote(_column(model, name)) for name in change]
    sets = ", ".join(f"{column} = excluded.{column}" for column in columns)
    unlike = "IS DISTINCT FROM" if on_postgres() else "IS NOT"
    differs = " OR ".join(f"{table}.{column} {unlike} excluded.{column}" for column in columns)
    return f" ON CONFLICT ({target}) DO UPDATE SET {sets} WHERE {differs}"


def _insert(model: type[Model], names: Sequence[str]) -> str:
    columns = ", ".join(_quote(_column(model, name)) for name in names)
    marks = ", ".join(["%s"] * len(names))
    return f"INSERT INTO {_quote(model._meta.db_table)} ({columns}) VALUES ({marks})"  # noqa: S608


def values(array: Array) -> list[Any]:
    """Plain Python values of a column, with None for NaN and NaT, as the database takes them."""
    if array.dtype.kind == "f":
        plain: list[Any] = array.tolist()
        for index in np.flatnonzero(np.isnan(array)):
            plain[index] = None
        return plain
    if array.dtype.kind == "M":
        return _instants(array)
    return array.tolist()  # type: ignore[no-any-return]


def ids(column: Array) -> Array:
    """Whole numbers with empty places, from floats with NaN: what a foreign key holds."""
    result = np.full(len(column), None, dtype=object)
    known = np.flatnonzero(np.isfinite(column))
    result[known] = column[known].astype(np.int64).tolist()
    return result


def _instants(array: Array) -> list[Any]:
    """Days, or instants to the second, as text; what comes many times is written once."""
    plain, known = np.full(len(array), None, dtype=object), ~np.isnat(array)
    at = array[known]
    days = at.astype("M8[D]")
    if array.dtype == days.dtype:
        plain[known] = _written(days, "%s")
    else:
        clock = (at.astype("M8[s]") - days).astype("M8[s]")
        zone = "+00:00" if on_postgres() else ""
        plain[known] = _written(days, "%s ") + _written(clock, f"%s{zone}", begin=CLOCK)
    return plain.tolist()


def _written(at: Array, form: str, begin: int = 0) -> Array:
    distinct, place = np.unique(at, return_inverse=True)
    texts = [form % text[begin:] for text in np.datetime_as_string(distinct).tolist()]
    return np.array(texts, dtype=object)[place]


def _rows(
    columns: Columns, names: Sequence[str], start: int, stop: int
) -> Iterator[tuple[Any, ...]]:
    return zip(*(values(columns[name][start:stop]) for name in names), strict=True)


def _executemany(sql: str, columns: Columns, names: Sequence[str]) -> int:
    count = len(columns[names[0]])
    if not count:
        return 0
    rows = chain.from_iterable(
        _rows(columns, names, start, start + FETCH_ROWS) for start in range(0, count, FETCH_ROWS)
    )
    with transaction.atomic(savepoint=False), connection.cursor() as cursor:
        cursor.executemany(sql, rows)  # type: ignore[arg-type]  # any iterable will do
        return max(int(cursor.rowcount), 0)


def _copy(table: str, target: Sequence[str], columns: Columns, names: Sequence[str]) -> None:
    listed = ", ".join(_quote(name) for name in target)
    count = len(columns[names[0]])
    with (
        connection.cursor() as cursor,
        cursor.copy(f"COPY {_quote(table)} ({listed}) FROM STDIN") as copy,
    ):
        for start in range(0, count, FETCH_ROWS):
            for row in _rows(columns, names, start, start + FETCH_ROWS):
                copy.write_row(row)


def _stage(model: type[Model], columns: Columns, names: Sequence[str]) -> list[str]:
    """A temporary table with the rows, gone at the end of the transaction."""
    target = [_column(model, name) for name in names]
    listed = ", ".join(_quote(name) for name in target)
    with connection.cursor() as cursor:
        cursor.execute(
            "DROP TABLE IF EXISTS staged_rows; "  # noqa: S608
            f"CREATE TEMPORARY TABLE staged_rows ON COMMIT DROP AS "
            f"SELECT {listed} FROM {_quote(model._meta.db_table)} WITH NO DATA"
        )
    _copy("staged_rows", target, columns, names)
    return target


def _copy_and_merge(model: type[Model], columns: Columns, names: Sequence[str], tail: str) -> int:
    with transaction.atomic(savepoint=False):
        listed = ", ".join(_quote(name) for name in _stage(model, columns, names))
        with connection.cursor() as cursor:
            cursor.execute(
                f"INSERT INTO {_quote(model._meta.db_table)} ({listed}) "  # noqa: S608
                f"SELECT {listed} FROM staged_rows{tail}"
            )
            return int(cursor.rowcount)


def _copy_and_update(
    model: type[Model], columns: Columns, key: str, names: Sequence[str], held: Sequence[str]
) -> int:
    table, key_column = _quote(model._meta.db_table), _quote(_column(model, key))
    targets = [_quote(_column(model, name)) for name in names]
    sets = ", ".join(f"{column} = staged_rows.{column}" for column in targets)
    differs = " OR ".join(f"{table}.{one} IS DISTINCT FROM staged_rows.{one}" for one in targets)
    own = [_quote(_column(model, name)) for name in held]
    same = "".join(f" AND {table}.{one} IS NOT DISTINCT FROM staged_rows.{one}" for one in own)
    with transaction.atomic(savepoint=False):
        _stage(model, columns, [key, *names, *held])
        with connection.cursor() as cursor:
            cursor.execute(
                f"UPDATE {table} SET {sets} FROM staged_rows "  # noqa: S608
                f"WHERE {table}.{key_column} = staged_rows.{key_column}{same} AND ({differs})"
            )
            return int(cursor.rowcount)
