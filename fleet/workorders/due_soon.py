"""What falls due within the days of the setting, as the night drafts it."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any, NamedTuple

from django.conf import settings
from django.db import connection

from fleet.vehicles.models import Vehicle
from fleet.workorders.book_minutes import OF_SERVICE


class DueSoon(NamedTuple):
    """A due date with what a job takes from its service."""

    vehicle_id: int
    service_id: int
    depot_id: int
    remaining_km: float | None
    is_round: bool
    name: str
    minutes: int | None  # None: the book says none


ROWS = f"""
    SELECT d.vehicle_id, d.service_id, d.depot_id, d.remaining_km, s.is_round, s.name, {OF_SERVICE}
    FROM due_duedate d JOIN vehicles_vehicle v ON v.id = d.vehicle_id
    JOIN due_service s ON s.id = d.service_id
    LEFT JOIN workorders_procedure p ON p.service_id = s.id
    WHERE d.p10 <= %s AND d.history_known AND v.status IN (%s, %s)"""  # noqa: S608
IN_NO_OPEN_JOB = """NOT EXISTS (
    SELECT 1 FROM workorders_job j WHERE j.vehicle_id = d.vehicle_id
        AND j.service_id = d.service_id AND j.state = 'open')"""


def due_soon(today: date, where: str, params: Sequence[Any]) -> list[DueSoon]:
    """Those of a night of that day, under a condition in SQL on due dates ``d``: what is overdue,
    too, for it has its earliest likely day behind it."""
    until = today + timedelta(days=settings.DRAFT_AHEAD_DAYS)
    used = str(Vehicle.Status.IN_USE), str(Vehicle.Status.HIRED_IN)
    with connection.cursor() as cursor:
        cursor.execute(f"{ROWS} AND {where}", [until, *used, *params])
        return [DueSoon(*row) for row in cursor.fetchall()]
