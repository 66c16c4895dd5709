"""Two connections of PostgreSQL, of which one waits for what the other holds."""

from django.db import connection

from fleet import bulk
from tests.processes import wait_for

WITHIN_S = 30.0


def until_somebody_waits() -> None:
    """Return once another connection to this database waits for a lock."""
    wait_for(_somebody_waits, WITHIN_S)


def _somebody_waits() -> bool:
    with connection.cursor() as cursor:  # else one transaction is shown one state of it
        cursor.execute("SELECT pg_stat_clear_snapshot()")
    sql = """
        SELECT COUNT(*) FROM pg_stat_activity
        WHERE datname = current_database() AND wait_event_type = 'Lock'"""
    return bool(bulk.read(sql, [], {"waiting": "i8"})["waiting"][0])
