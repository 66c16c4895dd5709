"""The database follows the program: embedded by itself, served by ``sumpwise migrate``."""

import fcntl
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from django.apps import apps
from django.conf import settings
from django.core.management import call_command
from django.core.management.sql import emit_post_migrate_signal
from django.db import OperationalError, connection
from django.db.migrations import RunPython
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.db.models import Model

from fleet.faults import Fault

NEW_DATABASE_TOO = {"new_database_too": True}


def steps_behind() -> int:
    """How many migrations the database lacks."""
    executor = MigrationExecutor(connection)
    return len(executor.migration_plan(executor.loader.graph.leaf_nodes()))


@cache
def known_steps() -> frozenset[tuple[str, str]]:
    """Every migration that the program brings."""
    return frozenset(MigrationLoader(None).disk_migrations)


def steps_ahead() -> list[str]:
    """Migrations that the database has and the program does not know."""
    ours = {app.label for app in apps.get_app_configs()}
    applied = MigrationRecorder(connection).applied_migrations()
    return sorted(".".join(one) for one in set(applied) - known_steps() if one[0] in ours)


def fitness() -> str:
    """Whether database and program are of one age, or which the database is, in a word."""
    if steps_ahead():
        return "newer"
    lacking = known_steps() - set(MigrationRecorder(connection).applied_migrations())
    return "older" if lacking else "ok"


def in_words(error: OperationalError) -> str:
    """That the database does not answer, and what to look at."""
    said = " ".join(str(error).split()).rstrip(".")
    look = (
        "See that PostgreSQL runs and takes this user, and that SUMPWISE_DATABASE_URL has its "
        "host, port and name and SUMPWISE_DATABASE_PASSWORD (or _FILE) its password."
        if settings.SERVED
        else f"See that {settings.DATA_DIR} may be written to, and that there is room."
    )
    return f"The database does not answer: {said}. {look}"


def bring_up_to_date(tell: Callable[[str], None] | None = None) -> None:
    """Migrate an embedded database that is behind; refuse a served one that is, or a newer one."""
    if settings.SERVED:
        must_match()
        return
    must_not_be_newer()
    if not steps_behind():
        return
    if tell is not None:
        new = not connection.introspection.table_names()
        tell("Making a new database" if new else "Bringing the database up to date")
    migrate()


def must_match() -> None:
    """Refuse a database of a later version, one that is still to be migrated, and one that does
    not keep every letter.

    Raises
    ------
    Fault
        With what to do.
    """
    must_not_be_newer()
    must_keep_letters()
    if steps_behind():
        raise Fault("The database is older than the program: run sumpwise migrate once.")


def must_not_be_newer() -> None:
    """Refuse a database of a later version: writing to it could damage what that one keeps.

    Raises
    ------
    Fault
        With what to do.
    """
    if ahead := steps_ahead():
        raise Fault(
            f"The database is newer than the program ({ahead[0]}): install the version of the "
            "program that was used last, or put a backup of this version in its place."
        )


def must_keep_letters() -> None:
    """Refuse a PostgreSQL database that does not take every letter, as one that was made where no
    language was set.

    Raises
    ------
    Fault
        With what to do.
    """
    if connection.vendor == "postgresql" and (kept := _encoding()) != "UTF8":
        raise Fault(
            f"The database keeps text as {kept}, which lacks letters that names and units have: "
            "make a new one by createdb --template template0 --encoding UTF8 NAME."
        )


def _encoding() -> str:
    with connection.cursor() as cursor:
        cursor.execute("SHOW server_encoding")
        return str(cursor.fetchone()[0])


def migrate() -> None:
    """Apply what is missing; a second process meanwhile waits and finds nothing left to do."""
    must_keep_letters()
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_lock(hashtext('sumpwise migrate'))")
            try:
                _apply()
            finally:
                cursor.execute("SELECT pg_advisory_unlock(hashtext('sumpwise migrate'))")
        return
    with _alone(settings.DATA_DIR / "migrate.lock"):
        _apply()


def _apply() -> None:
    if connection.introspection.table_names():
        call_command("migrate", interactive=False, verbosity=0)
    else:
        build(apps.get_models())


def build(models: Iterable[type[Model]]) -> None:
    """Make the tables of a new database from the models at once, each migration noted as applied.

    Going through all migrations takes most of a minute and ends in the same tables, which
    ``tests/config/test_database.py`` holds to. A migration that brings rows to a new database
    too says so: ``RunPython(..., hints=NEW_DATABASE_TOO)``.
    """
    loader, recorder = MigrationLoader(connection), MigrationRecorder(connection)
    tables: list[type[Model]] = [*models, MigrationRecorder.Migration]
    with connection.schema_editor() as editor:  # one transaction: all of it or nothing
        for model in tables:
            if model._meta.can_migrate(connection):
                editor.create_model(model)
        for name in sorted(loader.graph.nodes):
            recorder.record_applied(*name)
        for step in loader.disk_migrations.values():
            for one in step.operations:
                if isinstance(one, RunPython) and one.hints == NEW_DATABASE_TOO:
                    one.code(apps, editor)  # type: ignore[arg-type]  # today's models
    emit_post_migrate_signal(0, False, connection.alias)


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    with path.open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield
