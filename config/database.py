"""The database follows the program: embedded by itself, served by ``sumpwise migrate``."""

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from fleet.faults import Fault


def steps_behind() -> int:
    """How many migrations the database lacks."""
    executor = MigrationExecutor(connection)
    return len(executor.migration_plan(executor.loader.graph.leaf_nodes()))


def bring_up_to_date() -> None:
    """Migrate an embedded database that is behind; refuse a served one that is."""
    if not steps_behind():
        return
    if settings.SERVED:
        raise Fault("The database is older than the program: run sumpwise migrate once.")
    migrate()


def migrate() -> None:
    """Apply what is missing; a second process meanwhile waits and finds nothing left to do."""
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
    call_command("migrate", interactive=False, verbosity=0)


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    with path.open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield
