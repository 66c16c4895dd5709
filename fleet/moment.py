"""Reads of one moment: what a page says in several statements is true of the same instant.

The night commits a chunk of vehicles at a time. A page that lists before such a commit and counts
behind it would contradict itself, though each of its statements is of one instant.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import DEFAULT_DB_ALIAS, connections, transaction

MOMENT = "SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"


@contextmanager
def one_moment() -> Iterator[None]:
    """Let all statements within see what the first of them sees; nothing is to be written.

    Nobody waits for it, nor it for anybody: on SQLite it takes no lock of those who write. Within
    a transaction it leaves that as it is.
    """
    connection = connections[DEFAULT_DB_ALIAS]
    if connection.in_atomic_block:
        yield
    elif connection.vendor == "postgresql":
        with transaction.atomic():
            with connection.cursor() as cursor:
                cursor.execute(MOMENT)
            yield
    else:
        mode = connection.transaction_mode  # type: ignore[attr-defined]
        connection.transaction_mode = "DEFERRED"  # type: ignore[attr-defined]
        try:
            with transaction.atomic():
                yield
        finally:
            connection.transaction_mode = mode  # type: ignore[attr-defined]
