"""Two connections of PostgreSQL, of which one waits for what the other holds."""

import time

from django.db import connection

from fleet import bulk

WITHIN_S = 30.0


def until_somebody_waits() -> None:
    """Return once another connection to this database waits for a lock."""
    sql = """
        SELECT COUNT(*) FROM pg_stat_activity
        WHERE datname = current_database() AND wait_event_type = 'Lock'"""
    until_s = time.monotonic() + WITHIN_S
    while not bulk.read(sql, [], {"waiting": "i8"})["waiting"][0]:
        assert time.monotonic() < until_s, "nobody waits"
        time.sleep(0.01)
        with connection.cursor() as cursor:  # else one transaction is shown one state of it
            cursor.execute("SELECT pg_stat_clear_snapshot()")
