"""A night over very many vehicles: a fleet that the program built and looked at, copied by SQL.

Every row that is about a vehicle is copied, with its references moved along, so that a copy is
what the program would have written: the stamps of a vehicle are those of the vehicle it is like,
and where one is an id, it is moved, too. (The hash of a due date holds its vehicle; it is compared
only once a stamp differs, and then the row is written anew.) Copies stand at the same depots; so
the sums of these are what they were, as many times as there are vehicles now.

That the copies are right is held by the night itself: it looks at no vehicle and writes no row.
"""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta

from django.apps import apps
from django.db import connection
from django.db.models import AutoField, Field, ForeignKey, Model

from fleet import bulk, chain
from fleet.due.models import DueStamp, ServiceDone
from fleet.overview.models import WorkAhead
from fleet.readings.models import EarlierMemory, Reading, VerdictMemory
from fleet.vehicles.models import Vehicle
from fleet.workorders.models import WorkOrder
from tests.bench import fleet, night
from tests.bench.measure import Cost, alone, measured, report, resident_mb

BUILT = 10_000  # vehicles by the program, or as many as are asked for
WEEKS = 8
SHARE = 0.03
NEWEST = {
    (DueStamp, "done"): ServiceDone,
    (VerdictMemory, "last_id"): Reading,
    (EarlierMemory, "last_id"): Reading,
}  # ids that are kept as plain numbers
NAMES = {(Vehicle, "fleet_number"), (WorkOrder, "number")}  # that may stand once only
DONE = ("due dates", "duty rows", "usage states", "orders drafted", "weeks ahead")


def run(vehicles: int) -> None:
    """Build, copy, and hold the night to its marks; they are those of a million vehicles."""
    alone()  # so that all CPU is counted; PostgreSQL would take both cores for large statements
    idle_mb = resident_mb()
    built = min(BUILT, vehicles)
    with measured() as cost:
        fleet.build(built, WEEKS)
        on = fleet.first_of_month_after_last()
        chain.nightly(on)
    print(f"      {built:,} vehicles by the program: {cost.wall_s:.0f} s")
    with measured() as cost:
        copy(vehicles // built - 1)
        night.analyze()
        night.a_day_passes()
    print(f"      copies of them: {cost.wall_s:.0f} s", flush=True)
    with measured() as cost:
        counts = chain.nightly(on, again=True).counts
    if counts["vehicles looked at"] or any(counts[name] for name in DONE):
        raise AssertionError(f"The copies are not what the program would have written: {counts}")
    _tell("nothing changed", cost, idle_mb)
    report("nothing changed, wall", cost.wall_s, 60, "s")
    report("memory above imports", _above(cost, idle_mb), 256, "MB")
    _ordinary(on, vehicles, idle_mb)


def _ordinary(on: date, vehicles: int, idle_mb: float) -> None:
    day = on + timedelta(days=1)
    fleet.read_again(SHARE, day, seed=1)
    night.a_day_passes()
    with measured() as cost:
        counts = chain.nightly(day).counts
    _tell(f"{SHARE:.0%} new readings", cost, idle_mb)
    seen = counts["vehicles looked at"]
    print(f"      looked at {seen:,} of {vehicles:,}, wrote {counts['due dates']:,} due dates")


def _tell(name: str, cost: Cost, idle_mb: float) -> None:
    print(
        f"      {name}: {cost.wall_s:.1f} s, {cost.cpu_s:.1f} s CPU, {cost.statements} statements,"
        f" {_above(cost, idle_mb):.0f} MB above imports",
        flush=True,
    )


def _above(cost: Cost, idle_mb: float) -> float:
    return max(cost.resident_mb - idle_mb, 0.0)


# --- copies ------------------------------------------------------------------------------
def copy(times: int) -> None:
    """Have every vehicle so many times more, with all rows about it."""
    if times < 1:
        return
    models = list(_about_vehicles())
    step = {model: _greatest_id(model) for model in models}
    with _unchecked():
        for model in models:
            if step[model]:
                _copy(model, times, step)
                _go_on_after(model)
    for row in WorkAhead.objects.all():
        for name in ("overdue", "overdue_min", "probably", "probably_min"):
            setattr(row, name, getattr(row, name) * (times + 1))
        row.sums = json.loads(json.dumps(row.sums), parse_int=lambda one: int(one) * (times + 1))
        row.save()


@contextmanager
def _unchecked() -> Iterator[None]:
    """Let no reference be looked up: all of them are moved alike, and looking costs minutes."""
    role = "SET session_replication_role = {}"
    with connection.cursor() as cursor, connection.constraint_checks_disabled():
        if bulk.on_postgres():
            cursor.execute(role.format("replica"))
        yield
        if bulk.on_postgres():
            cursor.execute(role.format("DEFAULT"))


def _about_vehicles() -> Iterator[type[Model]]:
    """Models of rows that refer to a vehicle, perhaps by others; each after those it refers to."""
    found = {Vehicle}
    yield Vehicle
    while True:
        more = [
            model
            for model in apps.get_models()
            if model not in found and any(_parent(field) in found for field in _columns(model))
        ]
        if not more:
            return
        found |= set(more)
        yield from more


def _columns(model: type[Model]) -> "list[Field[object, object]]":
    return list(model._meta.concrete_fields)


def _parent(field: "Field[object, object]") -> type[Model] | None:
    return field.related_model if isinstance(field, ForeignKey) else None


def _greatest_id(model: type[Model]) -> int:
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT COALESCE(MAX({_quote(model._meta.pk.column)}), 0)"  # noqa: S608
            f" FROM {_quote(model._meta.db_table)}"
        )
        return int(cursor.fetchone()[0])


def _copy(model: type[Model], times: int, step: dict[type[Model], int]) -> None:
    columns = _columns(model)
    table, listed = _quote(model._meta.db_table), ", ".join(_quote(one.column) for one in columns)
    numbers = "WITH RECURSIVE n (k) AS (SELECT 1 UNION ALL SELECT k + 1 FROM n WHERE k < %s)"
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO {table} ({listed}) {numbers}"  # noqa: S608
            f" SELECT {', '.join(_moved(model, one, step) for one in columns)} FROM n, {table}",
            [times],
        )


def _moved(model: type[Model], field: "Field[object, object]", step: dict[type[Model], int]) -> str:
    """SQL of a column in the k-th copy."""
    name, parent = _quote(field.column), _parent(field)
    if (model, field.column) in NAMES:
        return f"{name} || '-' || k"
    if isinstance(field, AutoField) and field.primary_key:
        return f"{name} + k * {step[model]}"
    of = NEWEST.get((model, field.column), parent)
    return f"{name} + k * {step[of]}" if of in step else name


def _go_on_after(model: type[Model]) -> None:
    """Let new rows get ids that no copy has; SQLite sees that for itself."""
    key = model._meta.pk
    if bulk.on_postgres() and isinstance(key, AutoField):
        with connection.cursor() as cursor:
            cursor.execute(
                f"SELECT setval(pg_get_serial_sequence(%s, %s), MAX({_quote(key.column)}))"  # noqa: S608
                f" FROM {_quote(model._meta.db_table)}",
                [_quote(model._meta.db_table), key.column],
            )


def _quote(name: str) -> str:
    return connection.ops.quote_name(name)
