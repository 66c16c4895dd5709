"""The day on which an order is needed: the earliest by which its vehicle is to be brought in for
one of its open jobs.

It is kept with each open order, so that a list goes by it along an index. Whoever changes the
jobs of an order keeps it; what moves due dates lets it follow; each night holds all to it.
"""

from collections.abc import Collection, Iterator, Sequence
from functools import partial
from typing import Any

import numpy as np
from django.db import connection, transaction

from fleet import bulk
from fleet.calc.arrays import Array, IntArray

# of an order ``o``
BY_JOBS = """(
    SELECT MIN(d.bring_in_by_on) FROM workorders_job j
    JOIN due_duedate d ON d.vehicle_id = j.vehicle_id AND d.service_id = j.service_id
    WHERE j.order_id = o.id AND j.state = 'open')"""
ORDERS_AT_ONCE = 500  # locked no longer than a page may take; our choice
OPEN = "NOT (o.state IN ('signed off', 'cancelled'))"  # in the words of the indexes of open orders


def keep(order_ids: Collection[int]) -> None:
    """Bring the day of orders up to their jobs; in the transaction that changes these."""
    bring = partial(_bring_up_to_date, *bulk.among("o.id", np.array(sorted(order_ids), np.int64)))
    bring()
    if bulk.on_postgres():  # where due dates move meanwhile, seen by neither of the two until then
        transaction.on_commit(bring, robust=True)


def follow(vehicle_ids: Array | None = None) -> int:
    """Let the open orders of some vehicles (default: all) follow their due dates; how many did."""
    if vehicle_ids is None:
        return _bring_up_to_date(OPEN, [])
    here, params = bulk.among("o.vehicle_id", vehicle_ids)
    return _bring_up_to_date(f"{OPEN} AND {here}", params)


def wrong() -> Iterator[str]:
    """Orders with another day than their jobs say: a sentence for each. No ended one has a day."""
    where = f"({OPEN} OR o.needed_on IS NOT NULL)"
    with connection.cursor() as cursor:
        cursor.execute(_differing(f"o.number, o.needed_on, {BY_JOBS}", where))
        for number, needed_on, by_jobs in cursor.fetchall():
            yield (
                f"{number} is kept as needed on {needed_on or 'no day'}; "
                f"its jobs say {by_jobs or 'no day'}."
            )


def _bring_up_to_date(where: str, params: Sequence[Any]) -> int:
    differing = bulk.read(_differing("o.id", where), params, {"id": "i8"})["id"]
    begins = range(0, len(differing), ORDERS_AT_ONCE)
    return sum(_write(differing[begin : begin + ORDERS_AT_ONCE]) for begin in begins)


def _write(order_ids: IntArray) -> int:
    with transaction.atomic(), connection.cursor() as cursor:
        _lock(cursor, order_ids)
        here, ids = bulk.among("id", order_ids)
        sql = f"UPDATE workorders_workorder AS o SET needed_on = {BY_JOBS} WHERE {here}"  # noqa: S608
        cursor.execute(sql, ids)
        return int(cursor.rowcount)


def _lock(cursor: Any, order_ids: IntArray) -> None:
    """In one order of locking for all; who had one held may have changed its jobs."""
    if bulk.on_postgres():
        here, ids = bulk.among("id", order_ids)
        sql = f"SELECT id FROM workorders_workorder WHERE {here} ORDER BY id FOR UPDATE"  # noqa: S608
        cursor.execute(sql, ids)


def _differing(shown: str, where: str) -> str:
    unlike = "IS DISTINCT FROM" if bulk.on_postgres() else "IS NOT"
    return f"""
        SELECT {shown} FROM workorders_workorder o
        WHERE {where} AND o.needed_on {unlike} {BY_JOBS} ORDER BY o.id"""  # noqa: S608
